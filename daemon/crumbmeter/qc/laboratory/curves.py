"""Arithmetic of measured curves: straight lines, areas, crossings, and the sign that a machine gives its readings."""

from bisect import bisect_right
from collections.abc import Sequence
from math import isfinite

from crumbmeter.model.faults import CrumbmeterError
from crumbmeter.model.frozen import dataclass

Values = Sequence[float]


class CurveRefusedError(CrumbmeterError):
    """A curve cannot be evaluated. The message says what was found, what is needed and what to do."""


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line y = intercept + slope x."""

    slope: float
    intercept: float

    def at(self, x: float) -> float:
        """Return its value at a place."""
        return self.intercept + self.slope * x


def checked(name: str, xs: Values, ys: Values, at_least: int) -> None:
    """Refuse a curve whose columns do not belong together.

    Raises:
        CurveRefusedError: lengths differ, too few records, or a value is not finite. Mend the file and read it again.
    """
    if len(xs) != len(ys):
        raise CurveRefusedError(
            f"{name}: {len(xs)} values beside {len(ys)}; each record needs both. Export the file again."
        )
    if len(xs) < at_least:
        raise CurveRefusedError(f"{name}: {len(xs)} records, and {at_least} are needed. Give the whole raw curve.")
    for number, (x, y) in enumerate(zip(xs, ys, strict=True), start=1):
        if not (isfinite(x) and isfinite(y)):
            raise CurveRefusedError(
                f"{name}: record {number} is ({x}, {y}), no finite numbers. Take it out or mend it."
            )


def fit_line(xs: Values, ys: Values) -> Line:
    """Fit a straight line by least squares; through one place only, it is level."""
    count = len(xs)
    mean_x, mean_y = sum(xs) / count, sum(ys) / count
    spread = sum([(x - mean_x) ** 2 for x in xs])
    if spread == 0.0:
        return Line(0.0, mean_y)
    slope = sum([(x - mean_x) * (y - mean_y) for x, y in zip(xs, ys, strict=True)]) / spread
    return Line(slope, mean_y - slope * mean_x)


def crossing_of(first: Line, second: Line) -> float | None:
    """Return where two lines cross; None where they are parallel.

    x = (b2 - b1) / (m1 - m2). Slopes that differ by less than rounding of the larger one count as parallel.
    """
    difference = first.slope - second.slope
    if abs(difference) <= 1e-12 * max(abs(first.slope), abs(second.slope)):
        return None
    return (second.intercept - first.intercept) / difference


def area_of(xs: Values, ys: Values) -> float:
    """Return the area under a curve by trapezoids; a step back counts against it."""
    return sum([0.5 * (ys[i] + ys[i - 1]) * (xs[i] - xs[i - 1]) for i in range(1, len(xs))])


def median_of(values: Values) -> float:
    """Return the median; of an even count, the mean of the middle two."""
    ordered = sorted(values)
    middle = len(ordered) // 2
    return ordered[middle] if len(ordered) % 2 else 0.5 * (ordered[middle - 1] + ordered[middle])


def without_spikes(ys: Values, half_width: int) -> tuple[float, ...]:
    """Take the running median; towards the ends its window shrinks. A curve that only rises or falls stays as it is."""
    last = len(ys) - 1
    return tuple(
        median_of(ys[i - reach : i + reach + 1]) for i in range(last + 1) for reach in (min(half_width, i, last - i),)
    )


def upright(ys: Values) -> tuple[float, ...]:
    """Turn a curve so that its greatest excursion is positive, whichever sign the machine gives it."""
    return tuple(-y for y in ys) if -min(ys) > max(ys) else tuple(ys)


def value_at(xs: Values, ys: Values, place: float) -> float:
    """Interpolate between records; beyond the ends, the end's value. `xs` must rise."""
    if place <= xs[0]:
        return ys[0]
    if place >= xs[-1]:
        return ys[-1]
    high = bisect_right(xs, place)
    low = high - 1
    return ys[low] + (ys[high] - ys[low]) * (place - xs[low]) / (xs[high] - xs[low])


def falls_to(xs: Values, ys: Values, level: float, begin: int) -> tuple[int, float] | None:
    """Return where a curve first comes down to a level behind record `begin`: that record, and the place between."""
    for i in range(begin + 1, len(ys)):
        if ys[i] <= level < ys[i - 1]:
            return i, xs[i - 1] + (xs[i] - xs[i - 1]) * (ys[i - 1] - level) / (ys[i - 1] - ys[i])
    return None
