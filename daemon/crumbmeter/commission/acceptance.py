"""Judges an acceptance run out of the plant's record: what was made, by whom it was fed, and every line asked for."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from crumbmeter import __version__
from crumbmeter.commission.acceptance_lines import RunFigures, asked_for, judged_lines, open_points
from crumbmeter.commission.acceptance_record import RecordFigures, control_at, record_figures
from crumbmeter.control.params import Params
from crumbmeter.model.frozen import dataclass
from crumbmeter.model.frozen import replace as frozen_replace
from crumbmeter.process.dose import Mix
from crumbmeter.qc.acceptance import (
    LAYOUT,
    Acceptance,
    Deviation,
    Happened,
    Phase,
    PlanSummary,
    Proof,
    Windows,
    is_run,
    worst_of,
)
from crumbmeter.qc.acceptance_windows import Parts, dose_curve, errors_percent, parts_of, sums, windows
from crumbmeter.qc.booked import Booked
from crumbmeter.qc.circumstances import Happening
from crumbmeter.qc.specification import Specification
from crumbmeter.qc.verdict import Verdict
from crumbmeter.report.answers_mix import happenings
from crumbmeter.report.sources import NoAnswerError, Sources, Span
from crumbmeter.site import Site
from crumbmeter.site.provable import steady_budget

WINDOWS_G: Final = (5_000_000, 20_000_000)
"""[g] 5 t and 20 t of mix."""
SETTLED: Final = 1.6
"""Residences of the drum behind the injection point after which nearly all that was in it has left (as in timing)."""
WATCHED, CONTROLLED = "monitor only", "in control"


@dataclass(frozen=True, slots=True)
class Run:
    """What was asked for, and how it ended."""

    span: Span
    finished: bool
    why_not: str
    by: str
    witness: str = ""
    plan: PlanSummary | None = None


def judge(sources: Sources, specification: Specification, run: Run) -> Acceptance:
    """Judge a run.

    Args:
        sources: The site's records.
        specification: What is asked for.
        run: Which stretch of the record.

    Raises:
        NoAnswerError: the record holds nothing of that time.
    """
    span, site = run.span, sources.site
    frame = sources.frame(span)
    if not frame.rests_on.rows:
        raise NoAnswerError("the plant's record holds nothing of that time; give --from and --to as it has them")
    parts = parts_of(sources.parcels(span), _settle_s(site.params))
    enabled_us = control_at(sources.reader, span)
    record = record_figures(sources.reader, site.params, span, enabled_us)
    phases = tuple(
        _phase(name, parcels, judged, record, control=control)
        for name, parcels, judged, control in (
            (WATCHED, parts.watched, parts.watched, False),
            (CONTROLLED, (*parts.settling, *parts.controlled), parts.controlled, True),
        )
    )
    proofs = tuple(_proofs(site, parts.controlled))
    why_not = run.why_not
    if run.finished and not parts.controlled:
        why_not = "no mix was made under control with the feed running"
    finished = run.finished and not why_not
    figures = _figures(sources, parts, phases, record)
    lines = judged_lines(sources, specification, figures, span)
    alarms, stops, refills = _happened(happenings(sources, span))
    made = Acceptance(
        v=LAYOUT, run_id=_run_id(sources, specification), specification_id=specification.specification_id,
        specification_title=specification.title, finished=finished, why_not=why_not, begin_us=span.from_us,
        end_us=span.before_us, settings_id=site.params.settings_id, made_with=parts.settings_ids, version=__version__,
        boot_ids=record.boot_ids,
        first_seq=frame.rests_on.first_seq, last_seq=frame.rests_on.last_seq, head=frame.rests_on.head, by=run.by,
        witness=run.witness,
        verdict=worst_of([*(one.verdict for one in asked_for(lines)), *([] if finished else [Verdict.CANNOT_TELL])]),
        open_points=(), phases=phases, windows=_windows(parts, site.params), proofs=proofs, lines=lines,
        deviations=_deviations(sources, span, parts), alarms=alarms, stops=stops, refills=refills,
        signals=record.signals, scans=record.scans, curve=dose_curve(parts), plan=run.plan,
        simulated=site.params.simulated or any(one.parcel.simulated for one in parts.controlled),
    )  # fmt: skip
    return frozen_replace(made, open_points=tuple(open_points(made)))


def _run_id(sources: Sources, specification: Specification) -> str:
    """Name a run after its specification and its number among all of this site."""
    return f"{specification.specification_id}-{sum(1 for one in sources.said.holding if is_run(one)) + 1}"


def _settle_s(params: Params) -> float:
    return params.line.travel_s + SETTLED * params.drum.outlet_residence_s


def _figures(sources: Sources, parts: Parts, phases: tuple[Phase, ...], record: RecordFigures) -> RunFigures:
    site, window_g = sources.site, sources.plan.deviations.window_g
    return RunFigures(
        tolerance_errors=_errors(parts, window_g, site.params.simulated), tolerance_window_g=window_g, phases=phases,
        record=record, total_errors=[one.error_percent for one in phases[1:] if one.error_percent is not None],
        total_proof=_proof(site, parts.controlled, max(1, sums(parts.controlled).mix_g)),
        tolerance_proof=_proof(site, parts.controlled, window_g),
    )  # fmt: skip


Told = tuple[tuple[tuple[str, int], ...], tuple[Happened, ...], tuple[Happened, ...]]


def _happened(happened: Sequence[Happening]) -> Told:
    """Return alarms with their counts, stops of the feed by itself, and refills."""
    alarms = Counter(str(one.detail.get("alarm")) for one in happened if one.name == "alarm_raised")
    stops = tuple(
        Happened(one.at_us, str(one.detail.get("cause", "")), str(one.detail.get("trigger", "")))
        for one in happened
        if one.name == "feed_stopped"
    )
    refills = tuple(
        Happened(one.at_us, "refill", f"{float(one.detail.get('mass_kg', 0.0)):.1f} kg")
        for one in happened
        if one.name == "refill_ended"
    )
    return tuple(sorted(alarms.items())), stops, refills


def _errors(parts: Parts, size_g: int, simulated: bool) -> list[float]:
    return errors_percent(parts.controlled, size_g, simulated_site=simulated)


def _windows(parts: Parts, params: Params) -> tuple[Windows, ...]:
    own = tuple(windows(CONTROLLED, _errors(parts, size_g, params.simulated), size_g) for size_g in WINDOWS_G)
    return own + _watched_windows(parts, params)


def _watched_windows(parts: Parts, params: Params) -> tuple[Windows, ...]:
    """Return what the plant's own way of feeding came to; nothing where no rubber was fed."""
    if not sums(parts.watched).rubber_g:
        return ()
    return tuple(
        windows(WATCHED, errors_percent(parts.watched, size_g, simulated_site=params.simulated), size_g)
        for size_g in WINDOWS_G
    )


def _phase(
    name: str, parcels: Sequence[Booked], judged: Sequence[Booked], record: RecordFigures, *, control: bool
) -> Phase:
    masses, dosed = sums(parcels), sums(one for one in judged if one.parcel.target_rubber_g > 0)
    rates = record.controlled if control else record.watched
    error = 100.0 * dosed.rubber_error_g / dosed.target_rubber_g if dosed.target_rubber_g else None
    return Phase(
        name=name, lasted_s=rates.lasted_s, mix_g=masses.mix_g, judged_mix_g=dosed.mix_g, rubber_g=dosed.rubber_g,
        target_rubber_g=dosed.target_rubber_g, error_percent=error,
        rubber_uncertainty_g=sum(one.parcel.rubber_uncertainty_g for one in judged), asked_kg=rates.asked_kg,
        fed_kg=rates.fed_kg, rows=rates.rows, rate_rms_percent=rates.rms_percent, lowest_t_h=rates.lowest_t_h,
        highest_t_h=rates.highest_t_h,
    )  # fmt: skip


def _proofs(site: Site, parcels: Sequence[Booked]) -> list[Proof]:
    found = [_proof(site, parcels, size_g) for size_g in WINDOWS_G]
    return [one for one in found if one is not None]


def _proof(site: Site, parcels: Sequence[Booked], size_g: int) -> Proof | None:
    """Budget the dose of a window at the run's own mean rate; None where nothing was made with a dose."""
    dosed = [one for one in parcels if one.parcel.target_rubber_g > 0]
    params = site.params
    mix = None if not dosed else next((one for one in params.mixes if one.mix_id == dosed[-1].parcel.mix_id), None)
    took_s = sum(one.parcel.ended_s - one.parcel.began_s for one in dosed)
    if mix is None or took_s <= 0.0 or params.batch is not None:
        return None
    held = sums(dosed)
    parts = Mix(*(
        grams / 1000.0 / took_s
        for grams in (held.dry_aggregate_g, held.recycle_g, held.recycle_binder_g, held.virgin_binder_g)
    ))  # fmt: skip
    uncertainty = frozen_replace(params.uncertainty, window_kg=size_g / 1000.0)
    budget = steady_budget(replace(site, params=frozen_replace(params, uncertainty=uncertainty)), mix, parts)
    if budget is None:
        return None
    return Proof(size_g, 100.0 * budget.expanded / budget.value, budget.components[0].name, budget.assumed)


def _deviations(sources: Sources, span: Span, parts: Parts) -> tuple[Deviation, ...]:
    """List the deviations that touch the run, and say of those outside its judged part why they are no fault of it."""
    judged = {one.parcel.number for one in parts.controlled}
    found = []
    for case in sources.cases(span):
        one = case.deviation
        inside = any(one.first_number <= number <= one.last_number for number in judged)
        off = None if one.off is None else 100.0 * one.off
        why = "" if inside else "before the feed had settled under control"
        found.append(Deviation(one.deviation_id, one.began_us, one.mix_g, off, why))
    return tuple(found)
