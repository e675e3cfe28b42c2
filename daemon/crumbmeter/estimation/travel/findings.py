"""All that one stretch of a run tells of travel, and the lines of the site file that follow from it."""

from collections.abc import Sequence
from dataclasses import dataclass

from crumbmeter.estimation.travel.discharge import Doubts, DrumFit, Instrument, Withheld, fit_discharge, usable_steps
from crumbmeter.estimation.travel.fitting import Fit
from crumbmeter.estimation.travel.joining import Span, Travels, join, span
from crumbmeter.estimation.travel.line import TimeFit, fit_auger, fit_line
from crumbmeter.estimation.travel.record import AugerRun, DrumRun, LineRun
from crumbmeter.estimation.travel.steps import Step


@dataclass(frozen=True, slots=True)
class Seen:
    """One time that was seen directly."""

    what: str
    time: Span
    steps: tuple[Step, ...]
    fit: Fit


@dataclass(frozen=True, slots=True)
class Unseen:
    """What could not be found, and why."""

    what: str
    why: str


@dataclass(frozen=True, slots=True)
class Findings:
    """All of it."""

    coverage: float
    steps: tuple[Step, ...]
    """Usable steps of all streams together."""
    travels: tuple[Travels, ...]
    """By instrument, the surest first."""
    line: Seen | None
    auger: Seen | None
    withheld: tuple[Unseen, ...]
    drum_fits: tuple[DrumFit, ...] = ()
    """In the order of `travels`."""


LINE, AUGER, DRUM = "line", "auger", "drum"


def find(
    drum: DrumRun,
    instruments: Sequence[Instrument],
    line: LineRun | None,
    auger: AugerRun | None,
    doubts: Doubts,
    coverage: float,
) -> Findings:
    """Find what can be found.

    Args:
        drum: What went into the drum.
        instruments: What was seen behind it.
        line: Feed and pressure of the line; None: no pressure is read.
        auger: Speeds of the auger; None: its speed is not read.
        doubts: What is believed of the geometry.
        coverage: Of every interval, such as 0.95.
    """
    withheld: list[Unseen] = []
    travels: list[tuple[Travels, DrumFit]] = []
    if not instruments:
        withheld.append(Unseen(DRUM, "the site has no discharge_current and no discharge_temperature in [drum]"))
    for instrument in instruments:
        found = fit_discharge(drum, instrument, doubts)
        if isinstance(found, Withheld):
            withheld.append(Unseen(DRUM, found.why))
        else:
            travels.append((join(drum, found, doubts, coverage), found))
    travels.sort(key=lambda one: one[0].streams[0].to_injection.standard)
    if line is None:
        withheld.append(Unseen(LINE, "the site has no pressure in [line]"))
    if auger is None:
        withheld.append(Unseen(AUGER, "the site has no auger_speed in [feeder]"))
    return Findings(
        coverage=coverage,
        steps=tuple(usable_steps(drum)) if drum.streams else (),
        travels=tuple(one for one, _ in travels),
        line=None if line is None else _seen(LINE, fit_line(line), coverage, withheld),
        auger=None if auger is None else _seen(AUGER, fit_auger(auger), coverage, withheld),
        withheld=tuple(withheld),
        drum_fits=tuple(fit for _, fit in travels),
    )


def _seen(what: str, found: TimeFit | Withheld, coverage: float, withheld: list[Unseen]) -> Seen | None:
    if isinstance(found, Withheld):
        withheld.append(Unseen(what, found.why))
        return None
    freedom = found.fit.effective - len(found.fit.values) - 2 * len(found.fit.gains)
    return Seen(what, span(found.value_s, found.standard_s, coverage, freedom), found.steps, found.fit)


@dataclass(frozen=True, slots=True)
class SiteLine:
    """One line that is proposed for the site file."""

    table: str
    key: str
    value: float
    whole: bool
    """Whether it is a number of stages."""
    interval: Span | None
    in_force: float
    basis: str
    """measured, or what it rests on."""

    @property
    def text(self) -> str:
        """Return it as TOML, without its comment."""
        return f"{self.key} = {round(self.value)}" if self.whole else f"{self.key} = {self.value:.1f}"


def site_lines(found: Findings, drum: DrumRun, line: LineRun | None, auger: AugerRun | None) -> list[SiteLine]:
    """Make the lines that are proposed, by the surest instrument."""
    lines: list[SiteLine] = []
    if found.travels:
        lines += _of_drum(found.travels[0], drum)
    if found.line is not None and line is not None:
        span_s = found.line.time
        lines.append(SiteLine("line", "travel_s", span_s.value, False, span_s, line.travel_s, "measured"))
    if found.auger is not None and auger is not None:
        span_s = found.auger.time
        lines.append(SiteLine("feeder", "auger_lag_s", span_s.value, False, span_s, auger.lag_s, "measured"))
    return lines


def at_normal(best: Travels, drum: DrumRun) -> tuple[float, float]:
    """Return what the found times are divided by, and the load effect, to hold at the site's normal rate.

    The fit's pace is 1 + e (L / Lu - 1) about the usual content Lu; about the normal one, Ln = r Lu, the same line is
    s (1 + e r / s (L / Ln - 1)) with s = 1 + e (r - 1).
    """
    dry_kg = sum(sum(stream.mass_kg) for stream in drum.streams)
    share = dry_kg / max(1e-9, dry_kg + sum(drum.injected_kg))
    usual_kg_s = best.rate_kg_s * share
    effect = best.load_effect.value if best.load_measured else 0.0
    if drum.normal_dry_kg_s <= 0.0 or usual_kg_s <= 0.0:
        return 1.0, effect
    ratio = drum.normal_dry_kg_s / usual_kg_s
    slower = 1.0 + effect * (ratio - 1.0)
    return slower, effect * ratio / slower


def _of_drum(best: Travels, drum: DrumRun) -> list[SiteLine]:
    lines: list[SiteLine] = []
    slower, effect = at_normal(best, drum)
    outlet = scaled(best.outlet, slower)
    for stream, run in zip(best.streams, drum.streams, strict=True):
        table = f"streams.{stream.stream_id}.travel"
        own = "arrival measured" if stream.measured else "scaled with the drum, its own arrival was not seen"
        basis = f"{own}; less the part behind the injection point"
        own_s = scaled(stream.drum, slower)
        lines += [
            SiteLine(table, "drum_residence_s", own_s.value, False, own_s, run.drum_s, basis),
            SiteLine(table, "drum_stages", stream.stages, True, None, run.stages, "from the width of the curve"),
        ]
    where = "the site's share of the measured travel"
    lines += [
        SiteLine("drum", "outlet_residence_s", outlet.value, False, outlet, drum.outlet_s, where),
        SiteLine(
            "drum", "outlet_stages", best.outlet_stages, True, None, drum.outlet_stages, "from the width of the curve"
        ),
    ]
    if best.load_measured and effect >= 0.0:
        span_percent = scaled(best.load_effect, best.load_effect.value / (100.0 * effect) if effect else 1.0)
        in_force = 100.0 * drum.load_effect
        lines.append(SiteLine("drum", "load_effect_percent", 100.0 * effect, False, span_percent, in_force, "measured"))
    return lines


def scaled(span_of: Span, divisor: float) -> Span:
    """Return an interval of what cannot be negative with all of it divided."""
    low, high = max(0.0, span_of.low / divisor), span_of.high / divisor
    return Span(span_of.value / divisor, span_of.standard / divisor, low, high)
