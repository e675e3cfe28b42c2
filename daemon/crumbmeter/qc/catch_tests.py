"""What a feeder's catch test at several speeds tells: feed factor, linearity, repeatability, turndown.

All from masses caught and turns of the auger:

    factor of a catch     mass / turns
    factor of a speed     mean of its catches; THE feed factor: mean of the speeds, so that no speed counts for more
    linearity             largest distance of a speed's rate from the line feed factor x speed, of full scale, which is
                          the line at the highest speed tested
    repeatability         2 s / mean of the factors caught at one speed, s with n - 1: a spread, not an accuracy
                          ("plus or minus at 2 sigma", a convention for loss-in-weight feeders, from memory)
    turndown              highest / lowest speed of the widest range in which every catch keeps within the limit
"""

from collections.abc import Iterable, Sequence
from itertools import groupby
from math import fsum, sqrt
from statistics import fmean

from crumbmeter.model.frozen import dataclass
from crumbmeter.qc.calibrations import Trial


@dataclass(frozen=True, slots=True)
class Catch:
    """One container filled at one speed."""

    speed_rpm: float
    """[rpm] Nominal: catches of one nominal speed belong together."""
    mass_kg: float
    """[kg] Caught: gross less container. Positive."""
    turns: float
    """Of the auger meanwhile. Positive."""
    duration_s: float
    """[s] Positive."""

    @property
    def factor_kg_rev(self) -> float:
        """[kg/rev] Return the feed factor of this catch."""
        return self.mass_kg / self.turns


@dataclass(frozen=True, slots=True)
class Level:
    """All catches at one speed."""

    speed_rpm: float
    """[rpm] Measured: turns per time."""
    catches: int
    factor_kg_rev: float
    repeatability_percent: float | None
    """[%] 2 s of the mean, with n - 1; None: one catch tells nothing of it."""
    deviation_percent: float
    """[%] Of the rate from the line, of full scale."""
    worst_percent: float
    """[%] Largest error of a catch against the line, of the catch."""


@dataclass(frozen=True, slots=True)
class CatchTest:
    """The whole test."""

    levels: tuple[Level, ...]
    """By rising speed."""
    factor_kg_rev: float
    linearity_percent: float
    repeatability_percent: float | None
    """[%] The worst speed's."""
    proven_rpm: tuple[float, float] | None
    """Lowest and highest speed of the widest range within the limit; None: there is none, or no limit."""

    @property
    def turndown(self) -> float | None:
        """Return how many times the lowest proven speed the highest is."""
        return None if self.proven_rpm is None else self.proven_rpm[1] / self.proven_rpm[0]


def repeatability_percent(values: Sequence[float]) -> float | None:
    """[%] Return 2 s / mean of some values, s with n - 1; None for fewer than two, or a mean that is not above 0."""
    if len(values) < 2:
        return None
    mean = fmean(values)
    if mean <= 0.0:
        return None
    return 200.0 * sqrt(fsum((value - mean) ** 2 for value in values) / (len(values) - 1)) / mean


def trials(catches: Iterable[Catch], factor_kg_rev: float) -> tuple[Trial, ...]:
    """Hold what a feed factor [kg/rev] makes of the turns of each catch against what was caught."""
    return tuple(Trial(one.mass_kg, factor_kg_rev * one.turns - one.mass_kg) for one in catches)


def evaluate(catches: Iterable[Catch], limit_percent: float | None = None) -> CatchTest:
    """Evaluate a catch test. The order of the catches does not matter.

    Args:
        catches: One at least; all their figures above 0.
        limit_percent: [%] Error of a catch within which a speed counts as proven. None: nothing is proven.

    Raises:
        ValueError: there is no catch, or one has a figure that is not above 0.
    """
    ordered = sorted(catches, key=_order)
    if not ordered or any(min(one.speed_rpm, one.mass_kg, one.turns, one.duration_s) <= 0.0 for one in ordered):
        raise ValueError("a catch test needs catches, with speed, mass, turns and time above 0")
    groups = [tuple(group) for _, group in groupby(ordered, key=lambda one: one.speed_rpm)]
    factor = fmean([fmean([one.factor_kg_rev for one in group]) for group in groups])
    top_rpm = max(_speed_rpm(group) for group in groups)
    levels = tuple(sorted((_level(group, factor, top_rpm) for group in groups), key=lambda one: one.speed_rpm))
    spreads = [one.repeatability_percent for one in levels if one.repeatability_percent is not None]
    return CatchTest(
        levels, factor, max((abs(one.deviation_percent) for one in levels), default=0.0), max(spreads, default=None),
        None if limit_percent is None else _proven(levels, limit_percent),
    )  # fmt: skip


def _order(one: Catch) -> tuple[float, float, float, float]:
    return (one.speed_rpm, one.mass_kg, one.turns, one.duration_s)


def _speed_rpm(group: Sequence[Catch]) -> float:
    return 60.0 * fsum(one.turns for one in group) / fsum(one.duration_s for one in group)


def _level(group: Sequence[Catch], factor_kg_rev: float, top_rpm: float) -> Level:
    factors = [one.factor_kg_rev for one in group]
    speed_rpm, own = _speed_rpm(group), fmean(factors)
    # Rate less line over the line at the top: (own - factor) x speed / (factor x top speed).
    deviation = 100.0 * (own / factor_kg_rev - 1.0) * speed_rpm / top_rpm
    worst = max((trial.error_percent for trial in trials(group, factor_kg_rev)), key=abs)
    return Level(speed_rpm, len(group), own, repeatability_percent(factors), deviation, worst)


def _proven(levels: Sequence[Level], limit_percent: float) -> tuple[float, float] | None:
    """Return the ends of the widest unbroken range of speeds within the limit."""
    ranges = [
        (kept[0].speed_rpm, kept[-1].speed_rpm)
        for inside, group in groupby(levels, key=lambda one: abs(one.worst_percent) <= limit_percent * (1.0 + 1e-9))
        if inside and (kept := tuple(group))
    ]
    return max(ranges, key=lambda ends: ends[1] / ends[0], default=None)
