"""What was measured at the discharge, joined with the geometry: travel of each stream, with all doubts propagated.

Arrival at the instrument is measured. Arrival at the outlet takes off the way from there to the instrument, and arrival
at the injection point the part of the drum behind that point; both rest on the site's own figures and their doubt.
Uncertainties follow JCGM 100, 5.1 and 5.2: the fit's covariance, and each assumption with its sensitivity.
"""

from dataclasses import dataclass
from math import exp, hypot, sqrt

from crumbmeter.estimation.travel.discharge import (
    SHAPE_DOUBT,
    SHAPE_DOUBT_SATURATED,
    Doubts,
    DrumFit,
    Layout,
    spread_s,
)
from crumbmeter.estimation.travel.matrix import variance_of
from crumbmeter.estimation.travel.quantiles import coverage_factor
from crumbmeter.estimation.travel.record import DrumRun

MEASURED_FROM = 0.5
"""A figure counts as measured when the record took away at least this share of its doubt."""


@dataclass(frozen=True, slots=True)
class Span:
    """A value with its standard uncertainty and its interval."""

    value: float
    standard: float
    low: float
    high: float

    def holds(self, value: float) -> bool:
        """Tell whether a value lies inside."""
        return self.low <= value <= self.high


def span(value: float, standard: float, coverage: float, freedom: float) -> Span:
    """Make an interval of a coverage."""
    wide = coverage_factor(coverage, freedom) * standard
    return Span(value, standard, value - wide, value + wide)


@dataclass(frozen=True, slots=True)
class StreamTravel:
    """The way of one stream. Times in s."""

    stream_id: str
    belt_s: float
    """From where material is when its rate is shown, to the drum; geometry."""
    to_instrument: Span
    to_outlet: Span
    to_injection: Span
    drum: Span
    """In the drum, up to the injection point: what the site file calls `drum_residence_s`."""
    stages: float
    measured: bool
    """Whether the record showed this stream's own arrival; otherwise it is the main stream's, by geometry."""


@dataclass(frozen=True, slots=True)
class Travels:
    """All that one instrument says of the drum."""

    instrument: str
    rate_kg_s: float
    """[kg/s] For which the travels hold: the mean while material flowed, without water."""
    streams: tuple[StreamTravel, ...]
    outlet: Span
    """[s] From the injection point to the outlet."""
    outlet_stages: float
    load_effect: Span
    """By how much of itself the pace rises with the content."""
    load_measured: bool


def join(run: DrumRun, found: DrumFit, doubts: Doubts, coverage: float) -> Travels:
    """Join a fit with the geometry."""
    return _Joiner(run, found, doubts, coverage).travels()


class _Joiner:
    def __init__(self, run: DrumRun, found: DrumFit, doubts: Doubts, coverage: float) -> None:
        self._run, self._found, self._doubts, self._coverage = run, found, doubts, coverage
        self._layout = Layout(run, found.instrument, doubts)
        values = found.fit.values
        self._whole_s, self._after = exp(values[0]), exp(values[2])
        lag = self._layout.lag_place
        self._lag_s = 0.0 if lag is None else exp(values[lag])
        self._size = len(found.fit.covariance)
        shape = SHAPE_DOUBT_SATURATED if found.instrument.saturates else SHAPE_DOUBT
        self._after_doubt_s = doubts.after_injection * self._after * self._whole_s
        dry_kg = sum(sum(stream.mass_kg) for stream in run.streams)
        injected = sum(run.injected_kg) / max(1e-9, dry_kg + sum(run.injected_kg))
        self._own_s = hypot(
            shape * spread_s(self._whole_s, found.stages), run.cell_s / 2.0 / sqrt(12.0), injected * self._after_doubt_s
        )
        """[s] Doubt of the method: shape of the dispersion, times of readings (half a cell), where binder enters."""
        self._freedom = found.fit.effective - len(values) - 2

    def travels(self) -> Travels:
        fit = self._found.fit
        slopes = [0.0] * self._size
        slopes[0] = slopes[2] = self._whole_s * self._after
        share_s = self._after * self._own_s
        own_s = hypot(share_s, self._after * self._drag_s(), self._after_doubt_s)
        outlet_s = sqrt(variance_of(fit.covariance, slopes) + own_s**2)
        return Travels(
            instrument=self._found.instrument.name,
            rate_kg_s=self._found.rate_kg_s,
            streams=tuple(self._stream(place) for place in range(len(self._run.streams))),
            outlet=self._span(self._whole_s * self._after, outlet_s),
            outlet_stages=max(1.0, self._found.stages * self._after),
            load_effect=self._span(fit.values[3], fit.standard(3)),
            load_measured=fit.from_record(3) >= MEASURED_FROM,
        )

    def _drag_s(self) -> float:
        return self._doubts.instrument * self._found.instrument.travel_s

    def _span(self, value: float, standard: float) -> Span:
        return span(value, standard, self._coverage, self._freedom)

    def _stream(self, place: int) -> StreamTravel:
        stream, fit, whole_s = self._run.streams[place], self._found.fit, self._whole_s
        part_at = self._layout.part_place(place)
        part = 1.0 if part_at is None else exp(fit.values[part_at])
        belt_s = stream.belt_m / stream.belt_speed_m_s
        belt_doubt_s, drag_s, own_s = self._doubts.belt * belt_s, self._drag_s(), self._own_s
        through = [0.0] * self._size
        through[0] = part * whole_s
        if part_at is not None:
            through[part_at] = part * whole_s
        seen = list(through)
        if self._layout.lag_place is not None:
            seen[self._layout.lag_place] = self._lag_s
        before = list(through)
        before[0] -= self._after * whole_s
        before[2] -= self._after * whole_s
        share = (part - self._after) / part
        covariance = fit.covariance
        to_outlet_s = belt_s + part * whole_s
        drum_s = max(0.0, (part - self._after) * whole_s)
        drum_own = variance_of(covariance, before) + share**2 * (own_s**2 + drag_s**2) + self._after_doubt_s**2
        return StreamTravel(
            stream_id=stream.stream_id,
            belt_s=belt_s,
            to_instrument=self._span(
                to_outlet_s + self._found.instrument.travel_s + self._lag_s,
                sqrt(variance_of(covariance, seen) + own_s**2),
            ),
            to_outlet=self._span(to_outlet_s, sqrt(variance_of(covariance, through) + own_s**2 + drag_s**2)),
            to_injection=self._span(belt_s + drum_s, sqrt(drum_own + ((1.0 - share) * belt_doubt_s) ** 2)),
            drum=self._span(drum_s, sqrt(drum_own + (share * belt_doubt_s) ** 2)),
            stages=max(1.0, self._found.stages * (part - self._after)),
            measured=part_at is None or fit.from_record(part_at) >= MEASURED_FROM,
        )
