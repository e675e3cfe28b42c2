"""Travel in plain words and as JSON: what was measured, what was assumed, and what to write into the site file."""

from collections.abc import Iterator
from dataclasses import asdict, dataclass
from typing import Any

from crumbmeter.estimation.travel.discharge import Doubts
from crumbmeter.estimation.travel.findings import Findings, Seen, SiteLine
from crumbmeter.estimation.travel.joining import Span, StreamTravel, Travels
from crumbmeter.estimation.travel.steps import in_words
from crumbmeter.estimation.tuning import FirstOrder, Margins, Process, Settings, margins, simc
from crumbmeter.model.units import UNITS


@dataclass(frozen=True, slots=True)
class Told:
    """All that is printed."""

    boot_id: str
    settings_id: str
    simulated: bool
    duration_s: float
    scans: int
    bad_scans: int
    gaps: int
    doubts: Doubts
    found: Findings
    lines: tuple[SiteLine, ...]
    trim_time_s: float
    """[s] The site's."""
    scan_s: float
    auger_lag_s: float
    """[s] Found, or the site's."""
    line_s: float
    """[s] Found, or the site's."""


@dataclass(frozen=True, slots=True)
class TrimLoop:
    """Paying back what is owed, as a loop: integral action on the flow, `1 / time` of it."""

    delay_s: float
    rule_s: float
    """[s] Payback time by SIMC."""
    rule: Margins
    site: Margins


def trim_loop(told: Told) -> TrimLoop:
    """Say what SIMC gives for the payback if what has arrived were its only measure (no prediction): the slowest case.

    Dead time is line and scan, the lag is the auger's. Paying what is owed over a time T is integral action 1/T.
    """
    delay_s = told.line_s + told.scan_s
    process = Process(1.0, delay_s, (told.auger_lag_s,))
    # For integral action alone the lag counts as dead time (SIMC with the lag neglected).
    whole_s = delay_s + told.auger_lag_s
    rule = simc(FirstOrder(1.0, whole_s, 0.0))
    site = Settings(0.0, 0.0, 1.0 / told.trim_time_s)
    slowest_s, fastest_s = max(whole_s, told.trim_time_s), min(max(told.auger_lag_s, 0.05), delay_s)
    return TrimLoop(
        delay_s, 1.0 / rule.integral_per_s, margins(process, rule, slowest_s, fastest_s),
        margins(process, site, slowest_s, fastest_s),
    )  # fmt: skip


def as_words(told: Told) -> str:
    """Write it for people."""
    return "\n".join(
        [*_head(told), *_drums(told), *_times(told), *_withheld(told), *_assumed(told), *_proposal(told), *_trim(told)]
    )


def _head(told: Told) -> Iterator[str]:
    mark = ", SIMULATED" if told.simulated else ""
    yield (
        f"Run {told.boot_id[:8]}{mark}: {told.scans} scans, {told.duration_s / 60.0:.1f} min, made with site "
        f"{told.settings_id[:12]}."
    )
    yield f"Usable steps of what was fed to the drum: {in_words(told.found.steps)}."
    if told.gaps:
        yield f"{told.gaps} gaps in the record: what was fed in them is not known. Choose a stretch without one."
    if told.bad_scans:
        yield f"In {told.bad_scans} scans a rate was not to be believed; its last value was taken."
    yield f"Intervals are of {100 * told.found.coverage:g} %."


def _span(value: Span, unit: str = " s") -> str:
    return f"{value.value:.1f}{unit} ({value.low:.1f} to {value.high:.1f})"


def _drums(told: Told) -> Iterator[str]:
    for travels in told.found.travels:
        rate = UNITS["tonne/h"].from_si(travels.rate_kg_s)
        yield ""
        yield f"Drum, by {travels.instrument}, at {rate:.0f} t/h of dry material and binder"
        yield "-" * 72
        for stream in travels.streams:
            yield from _stream(stream)
        yield f"  From injection point to outlet {_span(travels.outlet)}; the site's share of the measured travel."
        yield _load(travels)


def _stream(stream: StreamTravel) -> Iterator[str]:
    seen = "measured" if stream.measured else "NOT seen by itself: scaled with the drum"
    yield f"  {stream.stream_id}: arrival at the instrument {_span(stream.to_instrument)}; {seen}."
    yield f"      At the drum's outlet {_span(stream.to_outlet)}: the same less the instrument's own delay."
    yield (
        f"      At the injection point {_span(stream.to_injection)}: geometry and the above; {stream.belt_s:.1f} s of "
        f"it on the belt."
    )


def _load(travels: Travels) -> str:
    effect = travels.load_effect
    if not travels.load_measured:
        return "  How the load changes the pace is not seen: it takes rates that differ."
    faster = f"{10 * effect.value:.1f} % faster ({10 * effect.low:.1f} to {10 * effect.high:.1f})"
    return f"  10 % more in the drum moves {faster}. These times hold at that rate, the proposed lines at normal flow."


def _times(told: Told) -> Iterator[str]:
    names = {"line": "Rubber line, by its pressure", "auger": "Auger, from the speed asked for to the speed measured"}
    for seen in (told.found.line, told.found.auger):
        if isinstance(seen, Seen):
            yield ""
            yield f"{names[seen.what]}: {seen.time.value:.2f} s ({seen.time.low:.2f} to {seen.time.high:.2f})"
            yield f"  measured; {in_words(seen.steps)} used, {seen.fit.effective:.0f} readings' worth."


def _withheld(told: Told) -> Iterator[str]:
    if told.found.withheld:
        yield ""
        yield "Not found"
        yield "---------"
        for unseen in told.found.withheld:
            yield f"  {unseen.what}: {unseen.why}."


def _assumed(told: Told) -> Iterator[str]:
    doubts = told.doubts
    yield ""
    yield "Assumed, with standard uncertainties"
    yield "------------------------------------"
    yield f"  Belt lengths within {100 * doubts.belt:g} %; the scale's averaging as the site says."
    share = f"within {100 * doubts.after_injection:g} %"
    yield f"  Share of the drum behind the injection point, as the site has it, {share}."
    yield f"  Where recycle enters the drum, as the site has it, within {100 * doubts.collar:g} %."
    yield f"  Way and lag of the instruments behind the drum within {100 * doubts.instrument:g} %."
    yield "  The drum was empty when the record began, unless material was already moving then."


def _proposal(told: Told) -> Iterator[str]:
    yield ""
    if not told.lines:
        yield "No line is proposed for the site file."
        return
    yield "Proposed for the site file (nothing has been changed)"
    yield "-----------------------------------------------------"
    table = ""
    for line in told.lines:
        if line.table != table:
            table = line.table
            yield f"[{table}]"
        yield f"{line.text:<28}# {_comment(line, told)}"


def _comment(line: SiteLine, told: Told) -> str:
    if line.interval is None:
        return f"was {line.in_force:g}; {line.basis}; run {told.boot_id[:8]}"
    inside = "inside" if line.interval.holds(line.in_force) else "OUTSIDE"
    return (
        f"{line.interval.low:.1f} to {line.interval.high:.1f}, was {line.in_force:g} ({inside}); {line.basis}; "
        f"run {told.boot_id[:8]}"
    )


def _trim(told: Told) -> Iterator[str]:
    loop = trim_loop(told)
    yield ""
    yield "Trim, if it were fed back from what arrives (line, scan and auger in the loop)"
    yield "-" * 78
    yield (
        f"  SIMC with the closed loop as fast as the dead time: [trim] time_s = {loop.rule_s:.1f}, "
        f"Ms {loop.rule.peak_sensitivity:.2f}."
    )
    yield (
        f"  The site has {told.trim_time_s:g} s: Ms {loop.site.peak_sensitivity:.2f}, phase margin "
        f"{loop.site.phase_margin_deg:.0f} deg. {_judgement(loop, told)}"
    )


def _judgement(loop: TrimLoop, told: Told) -> str:
    if told.trim_time_s >= loop.rule_s:
        return "It is slower than the rule, and so steadier."
    return "It is faster than the rule: choose the rule's, or longer."


def as_json(told: Told) -> dict[str, Any]:
    """Write it for scripts."""
    loop = trim_loop(told)
    found = told.found
    return {
        "boot_id": told.boot_id,
        "settings_id": told.settings_id,
        "simulated": told.simulated,
        "scans": told.scans,
        "duration_s": round(told.duration_s, 3),
        "gaps": told.gaps,
        "scans_with_bad_rates": told.bad_scans,
        "coverage": found.coverage,
        "steps": [{"at_s": step.at_cell, "kind": step.kind} for step in found.steps],
        "drum": [asdict(travels) for travels in found.travels],
        **{
            name: None if seen is None else asdict(seen.time)
            for name, seen in (("line_travel_s", found.line), ("auger_lag_s", found.auger))
        },
        "withheld": [asdict(unseen) for unseen in found.withheld],
        "assumed": asdict(told.doubts),
        "proposed": [{**asdict(line), "toml": line.text} for line in told.lines],
        "trim": asdict(loop),
    }
