"""The lines of a specification against an acceptance run: the site file's answer, and beside it what the run showed.

A line passes when neither contradicts it and one of them bears it out. What neither can say stays open.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from crumbmeter.commission.acceptance_checks import Shown, on_record
from crumbmeter.commission.acceptance_record import RecordFigures
from crumbmeter.qc.acceptance import Acceptance, LineVerdict, Phase, Proof, tolerance_verdict, worst_of
from crumbmeter.qc.specification import Specification, Status
from crumbmeter.qc.verdict import Verdict
from crumbmeter.report.sources import Sources, Span
from crumbmeter.site.against import Finding, Plan, against

_PASSES, _FAILS, _UNKNOWN = Verdict.PASSES, Verdict.FAILS, Verdict.CANNOT_TELL
RATE_CHANGE: Final = 0.1
"""A run whose rate never changed by so much shows nothing about changes."""


@dataclass(frozen=True, slots=True)
class RunFigures:
    """What of a run the lines are held against."""

    tolerance_errors: list[float]
    """[%] Of the windows by which the quality plan finds deviations."""
    tolerance_window_g: int
    phases: tuple[Phase, ...]
    record: RecordFigures
    total_errors: list[float]
    total_proof: Proof | None
    tolerance_proof: Proof | None


def judged_lines(
    sources: Sources, specification: Specification, run: RunFigures, span: Span
) -> tuple[LineVerdict, ...]:
    """Hold every line against site and run, in the order of the specification.

    Args:
        sources: The site's records.
        specification: What is asked for.
        run: Its figures.
        span: Its time.
    """
    rule = sources.plan.lots
    plan = Plan(
        None if rule.lot_g is None else rule.lot_g / 1000.0, None if rule.sublot_g is None else rule.sublot_g / 1000.0
    )
    found = []
    for one in against(sources.site, specification, plan):
        limit = specification.figure(one.key)
        shown = _shown(sources, one, limit, run, span)
        found.append(
            LineVerdict(
                one.key, one.asked, one.section, one.status.value, _together(one, shown), one.answer.found,
                shown.words, shown.remedy or one.answer.remedy,
            )
        )  # fmt: skip
    return tuple(found)


def _together(site: Finding, run: Shown) -> Verdict:
    if site.status is Status.NOT_SPECIFIED:
        return _UNKNOWN
    if run.verdict is None:
        return site.verdict
    if site.verdict is _FAILS or run.verdict is _FAILS:
        return _FAILS
    # What the run showed outweighs what the site file does not say.
    return run.verdict if site.verdict is _UNKNOWN else worst_of([site.verdict, run.verdict])


def _shown(sources: Sources, line: Finding, limit: float | None, run: RunFigures, span: Span) -> Shown:
    recorded = None if limit is None else on_record(sources, line.key, limit, span)
    if recorded is not None:
        return recorded
    if line.key == "proportional_to_dry_aggregate":
        return _proportional(run)
    if limit is None or line.key not in _BY_LIMIT:
        return Shown(None, "")
    return _BY_LIMIT[line.key](run, limit)


def _tolerance(run: RunFigures, limit_percent: float) -> Shown:
    return _within(
        run.tolerance_errors, limit_percent, run.tolerance_proof, f"windows of {run.tolerance_window_g / 1e6:.3g} t"
    )


def _total(run: RunFigures, limit_percent: float) -> Shown:
    return _within(run.total_errors, limit_percent, run.total_proof, "the run as a whole")


def _within(errors: Sequence[float], limit_percent: float, proof: Proof | None, of: str) -> Shown:
    if not errors or proof is None:
        return Shown(_UNKNOWN, f"{of}: no mix with rubber was judged", "Run again, with mix that has a dose.")
    expanded = proof.expanded_percent
    verdict = tolerance_verdict(list(errors), limit_percent, expanded)
    worst = max(errors, key=abs)
    words = f"{of} ({len(errors)}): worst {worst:+.1f} %, known to {expanded:.1f} %"
    if verdict is _UNKNOWN:
        proven = limit_percent - expanded
        why = "its uncertainty is greater than the tolerance" if proven <= 0.0 else f"proven up to {proven:.1f} % only"
        return Shown(verdict, f"{words}; {why}", f"Lessen the uncertainty; its largest part: {proof.largest}.")
    return Shown(verdict, words, "" if verdict is _PASSES else "See the deviations of the run; mend, and run again.")


def _interval(run: RunFigures, limit_s: float) -> Shown:
    gap_s = run.record.scans.longest_row_gap_s
    verdict = _PASSES if gap_s <= limit_s else _FAILS
    return Shown(verdict, f"longest time between two rows of the run {gap_s:.1f} s")


def _proportional(run: RunFigures) -> Shown:
    phase = run.phases[-1]
    low, high = phase.lowest_t_h, phase.highest_t_h
    if low is None or high is None or not run.tolerance_errors:
        return Shown(_UNKNOWN, "no mix with rubber was judged", "Run again, with a change of the rate.")
    words = f"rates from {low:.0f} to {high:.0f} t/h in the run"
    if high - low < RATE_CHANGE * high:
        return Shown(None, f"{words}: no change of the rate was shown")
    return Shown(None, words)


_BY_LIMIT: Final[Mapping[str, Callable[[RunFigures, float], Shown]]] = {
    "feed_tolerance_percent": _tolerance,
    "daily_usage_percent": _total,
    "feed_rate_interval_s": _interval,
    "record_interval_s": _interval,
}


def asked_for(lines: Sequence[LineVerdict]) -> list[LineVerdict]:
    """Return the lines on which the text is not silent: the others cannot be judged, and hold nobody up."""
    return [one for one in lines if one.status != Status.NOT_SPECIFIED.value]


def open_points(run: Acceptance) -> Iterator[str]:
    """Say what failed and what is open, the gravest first."""
    if not run.finished:
        yield f"the run is not finished: {run.why_not}"
    others = [one for one in run.made_with if one != run.settings_id]
    if others:
        yield f"mix of the run was made under other settings than those judged: {', '.join(one[:12] for one in others)}"
    for verdict in (_FAILS, _UNKNOWN):
        for one in asked_for(run.lines):
            if one.verdict is verdict:
                said = "; ".join(part for part in (one.site, one.run) if part)
                yield f"{verdict.value}: {one.asked}: {said}"
    yield from _happened(run)
    yield from _health(run)


def _happened(run: Acceptance) -> Iterator[str]:
    inside = [one.deviation_id for one in run.deviations if not one.why]
    if inside:
        yield f"deviations in the judged part: {', '.join(inside)}"
    for stop in run.stops:
        yield f"the feed stopped by itself: {stop.what}"


def _health(run: Acceptance) -> Iterator[str]:
    poor = [one.signal_id for one in run.signals if one.bad_percent > 0.0]
    if poor:
        yield f"signals Bad for some of the run: {', '.join(poor)}"
    if run.scans.late:
        yield f"{run.scans.late} of {run.scans.count} scans came late, the longest after {run.scans.longest_s:.2f} s"
    if run.phases and not run.phases[0].rows:
        yield "no part of the run was in monitor only"
    assumed = sorted({name for one in run.proofs for name in one.assumed})
    if assumed:
        yield f"uncertainties that are assumed, not stated: {', '.join(assumed)}"
