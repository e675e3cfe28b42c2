"""Arrival at the discharge: how long material takes from its scale through belt and drum to the conveyor behind it.

A step in the rates comes out of the drum as an S-shaped curve in the conveyor's current. Its middle gives the mean
travel, its width the dispersion, and rates that differ give the load's effect on the pace. Where on this way the
injection point lies cannot be seen; what the site says of it enters as knowledge with a doubt (`Doubts`), and the fit
says how much of each figure came from the record.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, log, sqrt

from crumbmeter.estimation.travel.fitting import Fit, NotFittedError, Shape, Unknown, fit
from crumbmeter.estimation.travel.moving import Entry, at_ends, lagged, later, off_belt, through_drum
from crumbmeter.estimation.travel.record import DrumRun, Seen
from crumbmeter.estimation.travel.steps import Step, steps_in

SETTLE_S = 15.0
"""[s] A change of the cold feed takes so long."""
REACH = 1.6
"""So many times the believed travel must follow a step in the record."""
BURN_IN = 1.7
"""A record that begins with material on its way is used after so many times the believed travel."""
LONGEST_LAG_S = 60.0
HELD = 1e-4
"""Relative doubt of what the fit must not move. Binder enters at the injection point, but it is a twentieth of the mix:
what its arrival seems to say of that point is mostly what the model of the drum gets wrong."""
LEAST_ANSWER = 8.0
"""Response over noise (of all readings that count together) below which the instrument does not answer to the mix."""
SHAPE_DOUBT, SHAPE_DOUBT_SATURATED = 0.02, 0.10
"""Standard uncertainty for the assumed shape of the dispersion, as a share of the spread. A probe that saturates shows
only the front of the curve, and leans on its shape the more."""
MOST_DOUBT = 0.08
"""A travel that is not known better than this (standard uncertainty over value) is withheld."""


@dataclass(frozen=True, slots=True)
class Doubts:
    """What is assumed, as standard uncertainties relative to the site's own figures."""

    after_injection: float = 0.05
    """Of the share of the drum's travel that lies behind the injection point."""
    collar: float = 0.10
    """Of the share of the drum's travel that a stream entering by the collar still has to go."""
    belt: float = 0.02
    """Of belt lengths."""
    instrument: float = 0.15
    """Of the travel and lag between the drum's outlet and the instrument."""
    load_effect: float = 0.3
    """Of the load's effect on the pace, about 0 (not relative)."""


@dataclass(frozen=True, slots=True)
class Instrument:
    """What was seen behind the drum."""

    name: str
    unit: str
    seen: Seen
    travel_s: float
    """[s] From the drum's outlet to where it is seen, by the site."""
    lag_s: float
    """[s] Its time constant, by the site."""
    saturates: bool = False
    """A probe of temperature: it shows that mix flows rather than how much."""

    @property
    def delay_s(self) -> float:
        """[s] Return travel and lag together."""
        return self.travel_s + self.lag_s


@dataclass(frozen=True, slots=True)
class DrumFit:
    """Travel through the drum as one instrument shows it."""

    instrument: Instrument
    fit: Fit
    main: int
    """Place of the stream that goes the whole way."""
    rate_kg_s: float
    """[kg/s] Dry rate of all streams, and binder, for which the travel holds."""
    residence_s: float
    """[s] From the drum's mouth to its outlet, of the main stream."""
    stages: float
    load_effect: float


@dataclass(frozen=True, slots=True)
class Withheld:
    """Why no figure is given."""

    why: str


class Layout:
    """Which unknown stands where."""

    def __init__(self, run: DrumRun, instrument: Instrument, doubts: Doubts) -> None:
        self.run = run
        self.lag_place: int | None = None
        self.main = max(range(len(run.streams)), key=lambda place: run.streams[place].drum_s)
        self.others = [place for place in range(len(run.streams)) if place != self.main]
        first = run.streams[self.main]
        whole_s = first.drum_s + run.outlet_s
        after = run.outlet_s / whole_s
        stages = whole_s**2 / (first.drum_s**2 / first.stages + run.outlet_s**2 / run.outlet_stages)
        self.unknowns = [
            Unknown("travel", log(whole_s), log(whole_s / 3.0), log(whole_s * 3.0), 0.01),
            Unknown("stages", log(max(2.0, stages)), log(1.5), log(120.0), 0.1, log(max(2.0, stages)), 1.0),
            Unknown("after", log(after), log(0.02), log(1.0), 0.01, log(after), HELD),
            Unknown("load", 0.0, -0.6, 0.9, 0.02, 0.0, doubts.load_effect),
        ]
        if instrument.lag_s > 0.0:
            self.lag_place = len(self.unknowns)
            lag = log(instrument.lag_s)
            self.unknowns.append(Unknown("lag", lag, lag - 1.5, lag + 1.5, 0.05, lag, doubts.instrument))
        self.first_part = len(self.unknowns)
        for place in self.others:
            part = (run.streams[place].drum_s + run.outlet_s) / whole_s
            self.unknowns.append(
                Unknown(run.streams[place].stream_id, log(part), log(0.02), log(1.0), 0.01, log(part), doubts.collar)
            )
        if instrument.saturates:
            self.unknowns.append(Unknown("half", log(0.1), log(0.005), log(2.0), 0.1, log(0.1), 1.0))

    def part_place(self, stream: int) -> int | None:
        """Say which unknown is the part of the drum that a stream goes; None: all of it."""
        return None if stream == self.main else self.first_part + self.others.index(stream)


def fit_discharge(run: DrumRun, instrument: Instrument, doubts: Doubts) -> DrumFit | Withheld:
    """Find the drum's travel from one instrument.

    Args:
        run: What went in.
        instrument: What was seen.
        doubts: What is believed of the geometry.
    """
    if not run.streams:
        return Withheld("no stream of this site travels through the drum")
    layout = Layout(run, instrument, doubts)
    if not usable_steps(run):
        return Withheld("no step in the rates with enough record behind it: without one nothing is seen to arrive")
    fed = fed_of(run)
    shape = shape_of(run, instrument, layout, fed)
    seen = _after_burn_in(run, instrument, fed.falling)
    try:
        found = fit(shape, seen, layout.unknowns, round(LONGEST_LAG_S / run.cell_s))
    except NotFittedError as fault:
        return Withheld(f"{instrument.name}: {fault}")
    return _judged(run, instrument, layout, found, fed.usual_kg_s)


@dataclass(frozen=True, slots=True)
class Fed:
    """What falls into the drum, and at which rates while it flows."""

    falling: Sequence[Sequence[float]]
    """[kg] Of each stream in each cell."""
    rates_kg_s: Sequence[float]
    injected_kg_s: float

    @property
    def usual_kg_s(self) -> float:
        """[kg/s] Return all of it while it flows."""
        return sum(self.rates_kg_s) + self.injected_kg_s


def fed_of(run: DrumRun) -> Fed:
    """Take the streams over their belts."""
    falling = [off_belt(stream.mass_kg, stream.moved_m, stream.belt_m) for stream in run.streams]
    rates = [_flowing(masses) / run.cell_s for masses in falling]
    return Fed(falling, rates, _flowing(run.injected_kg) / run.cell_s)


def shape_of(run: DrumRun, instrument: Instrument, layout: Layout, fed: Fed) -> Shape:
    """Return what an instrument would show, but for gain and offset, as a function of the unknowns."""

    def shape(at: Sequence[float]) -> list[float]:
        out = outflow(run, layout, fed.falling, fed.rates_kg_s, fed.injected_kg_s, at)
        flow = later(at_ends([kg / run.cell_s for kg in out]), instrument.travel_s, run.cell_s)
        if instrument.saturates:
            half = exp(at[-1]) * fed.usual_kg_s
            flow = [value / (value + half) for value in flow]
        lag_s = 0.0 if layout.lag_place is None else exp(at[layout.lag_place])
        return lagged(flow, lag_s, run.cell_s)

    return shape


def outflow(
    run: DrumRun,
    layout: Layout,
    falling: Sequence[Sequence[float]],
    rates: Sequence[float],
    injected_rate: float,
    at: Sequence[float],
) -> list[float]:
    """Return what leaves the drum in each cell [kg] for values of the unknowns.

    Before and behind the injection point the load acts apart: each part moves by its own content.
    """
    whole_s, stages, after = exp(at[0]), exp(at[1]), min(0.98, exp(at[2]))
    entries = []
    for place, masses in enumerate(falling):
        part_at = layout.part_place(place)
        part = 1.0 if part_at is None else exp(at[part_at])
        entries.append(Entry(max(0.0, (part - after) / (1.0 - after)), masses, rates[place]))
    before = 1.0 - after
    passing = through_drum(entries, run.turned_s, whole_s * before, stages * before, at[3])
    behind = [a + b for a, b in zip(passing, run.injected_kg, strict=True)]
    entry = Entry(1.0, behind, sum(rates) + injected_rate)
    return through_drum([entry], run.turned_s, whole_s * after, stages * after, at[3])


def usable_steps(run: DrumRun) -> list[Step]:
    """Find the steps in all streams together whose arrival is in the record."""
    together = [sum(masses) / run.cell_s for masses in zip(*(stream.mass_kg for stream in run.streams), strict=True)]
    longest_s = max(_way_s(run, place) for place in range(len(run.streams)))
    return steps_in(together, round(SETTLE_S / run.cell_s), round(REACH * longest_s / run.cell_s))


def _way_s(run: DrumRun, place: int) -> float:
    stream = run.streams[place]
    return stream.belt_m / stream.belt_speed_m_s + stream.drum_s + run.outlet_s


def _flowing(masses: Sequence[float]) -> float:
    """Return the mean of what flows while it flows."""
    highest = max(masses, default=0.0)
    there = [mass for mass in masses if mass > 0.1 * highest]
    return sum(there) / len(there) if there and highest > 0.0 else 0.0


def _after_burn_in(run: DrumRun, instrument: Instrument, falling: Sequence[Sequence[float]]) -> Seen:
    """Leave readings out that show material of before the record."""
    first = round(10.0 / run.cell_s)
    began_full = any(
        _flowing(masses) > 0.0 and max(stream.mass_kg[:first], default=0.0) > 0.0
        for masses, stream in zip(falling, run.streams, strict=True)
    )
    if not began_full:
        return instrument.seen
    skip = round(BURN_IN * max(_way_s(run, place) for place in range(len(run.streams))) / run.cell_s)
    return tuple([None] * min(skip, len(instrument.seen)) + list(instrument.seen[skip:]))


def _judged(run: DrumRun, instrument: Instrument, layout: Layout, found: Fit, usual: float) -> DrumFit | Withheld:
    if found.answer < LEAST_ANSWER:
        return Withheld(
            f"{instrument.name} does not answer to the mix: what it shows of it is {found.answer:.1f} times its "
            f"noise, {LEAST_ANSWER:g} are asked for"
        )
    if found.standard(0) > MOST_DOUBT:
        return Withheld(
            f"{instrument.name} leaves the travel open by {100 * found.standard(0):.0f} % (standard uncertainty); "
            f"{100 * MOST_DOUBT:g} % are asked for"
        )
    if not found.settled:
        return Withheld(f"{instrument.name}: the search did not come to rest in {found.rounds} rounds")
    residence_s = exp(found.values[0])
    stages = true_stages(residence_s, exp(found.values[1]), run.cell_s)
    return DrumFit(instrument, found, layout.main, usual, residence_s, stages, found.values[3])


def true_stages(residence_s: float, stages: float, cell_s: float) -> float:
    """Take out the spread that the grid adds: cell^2 / 6 in each stage."""
    return residence_s**2 / (residence_s**2 / stages + stages * cell_s**2 / 6.0)


def spread_s(residence_s: float, stages: float) -> float:
    """[s] Return the standard deviation of the travel."""
    return residence_s / sqrt(stages)
