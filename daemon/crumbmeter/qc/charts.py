"""Control charts: individuals with moving range, EWMA and tabular CUSUM (NIST/SEMATECH e-Handbook, section 6.3.2).

All three take values that are independent of each other. Windows of a feeder are not: each begins with the weighing
error of the one before. Sub-sample first (`thinned`), to three time constants of the estimator or more; otherwise false
alarms multiply. A chart says that something changed, never that a lot is out of specification.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise
from math import ceil, fsum, sqrt
from typing import TypeVar

V = TypeVar("V")

D2_OF_TWO = 1.128
"""Mean range of two values in standard deviations, as the handbook prints it (6.3.2.2)."""
D4_OF_TWO = 3.267
"""Upper limit of the range of two over its mean (6.3.2.2)."""
SIGMAS = 3.0
EWMA_WEIGHT = 0.2
EWMA_WIDTH = 2.962
"""With a weight of 0.2: 500 values to a false alarm, 10.5 to one standard deviation (Lucas and Saccucci 1990, FROM
MEMORY; reckoned in tests/spec/test_charts_published.py)."""
TIME_CONSTANTS = 3.0
"""Between two values that count as independent."""


class Rule(StrEnum):
    """Why a point is out of control."""

    BEYOND_LIMIT = "individual beyond 3 s"
    RANGE = "moving range above its limit"
    EWMA = "EWMA beyond its limit"
    CUSUM_HIGH = "CUSUM: mean has risen"
    CUSUM_LOW = "CUSUM: mean has fallen"


class ChartError(ValueError):
    """There is no such chart of these values."""


@dataclass(frozen=True, slots=True)
class OutOfControl:
    """One point that is out of control."""

    place: int
    """Of the value, from 0."""
    rule: Rule
    value: float
    """What was beyond the limit: the value, the range, the average or the sum."""


@dataclass(frozen=True, slots=True)
class Individuals:
    """Chart of individuals with moving range."""

    values: tuple[float, ...]
    ranges: tuple[float, ...]
    """Of each value and the one before it: one less than values."""
    centre: float
    lower: float
    upper: float
    mean_range: float
    upper_range: float
    out: tuple[OutOfControl, ...]

    @property
    def sigma(self) -> float:
        """Return the standard deviation from neighbour to neighbour: mean range over 1.128."""
        return self.mean_range / D2_OF_TWO


@dataclass(frozen=True, slots=True)
class Ewma:
    """Chart of an exponentially weighted moving average."""

    averages: tuple[float, ...]
    centre: float
    lower: tuple[float, ...]
    """At each point; all alike where the limits are asymptotic."""
    upper: tuple[float, ...]
    out: tuple[OutOfControl, ...]


@dataclass(frozen=True, slots=True)
class Cusum:
    """Tabular cumulative sums, in the unit of the values."""

    high: tuple[float, ...]
    """Sum of what lies above target plus allowance."""
    low: tuple[float, ...]
    """Sum of what lies below target less allowance."""
    target: float
    allowance: float
    limit: float
    out: tuple[OutOfControl, ...]


def individuals(values: Sequence[float], judged: Sequence[float] | None = None) -> Individuals:
    """Make the chart of individuals: mean and 3 s from the mean moving range (6.3.2.2).

    Args:
        values: Two or more, from which centre and limits come (phase 1).
        judged: Values to be judged by them (phase 2); None: the same.

    Raises:
        ChartError: fewer than two values.
    """
    if len(values) < 2:
        raise ChartError(f"{len(values)} values have no moving range: two or more are needed")
    centre = fsum(values) / len(values)
    mean_range = fsum(_ranges(values)) / (len(values) - 1)
    lower, upper = centre - SIGMAS * mean_range / D2_OF_TWO, centre + SIGMAS * mean_range / D2_OF_TWO
    shown = tuple(values if judged is None else judged)
    ranges, upper_range = _ranges(shown), D4_OF_TWO * mean_range
    out = [
        OutOfControl(place, Rule.BEYOND_LIMIT, value)
        for place, value in enumerate(shown)
        if not lower <= value <= upper
    ]
    out += [OutOfControl(place, Rule.RANGE, width) for place, width in enumerate(ranges, 1) if width > upper_range]
    out.sort(key=lambda one: one.place)
    return Individuals(shown, ranges, centre, lower, upper, mean_range, upper_range, tuple(out))


def _ranges(values: Sequence[float]) -> tuple[float, ...]:
    return tuple(abs(after - before) for before, after in pairwise(values))


def ewma(
    values: Sequence[float],
    centre: float,
    sigma: float,
    *,
    weight: float = EWMA_WEIGHT,
    width: float = EWMA_WIDTH,
    asymptotic: bool = False,
) -> Ewma:
    """Make the EWMA chart: z = weight x + (1 - weight) z before, begun at the centre (6.3.2.4).

    Limits are centre +- width sigma sqrt(weight / (2 - weight) (1 - (1 - weight)^(2 t))), exact at each point t; the
    handbook prints the asymptotic ones, without the last factor.

    Args:
        values: In order.
        centre: Mean in control, in the unit of the values.
        sigma: Standard deviation of one value in control.
        weight: Of the newest value, above 0 and not above 1.
        width: Half width of the limits, in standard deviations of the average.
        asymptotic: Whether the limits are those of a long run throughout.

    Raises:
        ChartError: the weight or the standard deviation is out of range.
    """
    if not 0.0 < weight <= 1.0:
        raise ChartError(f"the weight {weight} of an EWMA is not above 0 and at most 1")
    if sigma < 0.0:
        raise ChartError(f"the standard deviation {sigma} is negative")
    averages, lower, upper = list[float](), list[float](), list[float]()
    average = centre
    for at, value in enumerate(values, 1):
        average = weight * value + (1.0 - weight) * average
        averages.append(average)
        begun = 1.0 if asymptotic else 1.0 - (1.0 - weight) ** (2 * at)
        half = width * sigma * sqrt(weight / (2.0 - weight) * begun)
        lower.append(centre - half)
        upper.append(centre + half)
    out = [
        OutOfControl(place, Rule.EWMA, average)
        for place, average in enumerate(averages)
        if not lower[place] <= average <= upper[place]
    ]
    return Ewma(tuple(averages), centre, tuple(lower), tuple(upper), tuple(out))


def cusum(values: Sequence[float], target: float, allowance: float, limit: float) -> Cusum:
    """Make the tabular CUSUM: what exceeds target and allowance adds up, never below zero (6.3.2.3).

    Args:
        values: In order.
        target: Mean in control, in the unit of the values.
        allowance: k, half of the shift that should be found, in the same unit.
        limit: h, above which it signals, in the same unit.

    Raises:
        ChartError: allowance or limit is negative.
    """
    if allowance < 0.0 or limit < 0.0:
        raise ChartError(f"allowance {allowance} and limit {limit} of a CUSUM are not below 0")
    highs, lows, out = list[float](), list[float](), list[OutOfControl]()
    high = low = 0.0
    for place, value in enumerate(values):
        high = max(0.0, high + value - target - allowance)
        low = max(0.0, low + target - allowance - value)
        highs.append(high)
        lows.append(low)
        if high > limit:
            out.append(OutOfControl(place, Rule.CUSUM_HIGH, high))
        if low > limit:
            out.append(OutOfControl(place, Rule.CUSUM_LOW, low))
    return Cusum(tuple(highs), tuple(lows), target, allowance, limit, tuple(out))


def thinned(values: Sequence[V], every_s: float, time_constant_s: float) -> tuple[V, ...]:
    """Keep values that lie at least three time constants apart, the first among them.

    Args:
        values: At even distances, in order.
        every_s: [s] From one to the next, above 0.
        time_constant_s: [s] Over which their errors hang together (the estimator's; a refill for totals).

    Raises:
        ChartError: the distance is not above zero.
    """
    if every_s <= 0.0:
        raise ChartError(f"values every {every_s} s do not follow each other")
    return tuple(values[:: max(1, ceil(TIME_CONSTANTS * time_constant_s / every_s - 1e-9))])


def autocorrelation(values: Sequence[float]) -> float | None:
    """Return the correlation of neighbours (lag 1); None for fewer than three values or no scatter at all.

    Beside a chart it tells whether thinning sufficed: of n independent values it stays within 2 / sqrt(n).
    """
    if len(values) < 3 or min(values) == max(values):
        return None
    mean = fsum(values) / len(values)
    off = [value - mean for value in values]
    return fsum([before * after for before, after in pairwise(off)]) / fsum([one * one for one in off])
