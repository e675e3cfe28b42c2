"""A straight line through weights: the auditable figure of a flow, with the standard deviation of its slope.

Least squares needs no model of the feeder, and anybody can check it by hand: the weighing filter is compared with it.
The formulas are those of computation.md, section 1: var(slope) = s^2 / sum (t - mean t)^2.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import fsum, sqrt


@dataclass(frozen=True, slots=True)
class Line:
    """A fitted line `intercept + slope x` with standard deviations."""

    slope: float
    intercept: float
    slope_standard: float
    intercept_standard: float
    residual: float
    """Standard deviation of the residuals, over n - 2."""


def line_through(at: Sequence[float], values: Sequence[float]) -> Line:
    """Fit a line by least squares, with sums that do not lose digits.

    Args:
        at: Where, not all the same.
        values: What was read there; at least three.

    Raises:
        ValueError: there are fewer than three, or all are at one place.
    """
    count = len(at)
    if count < 3 or len(values) != count:
        raise ValueError(f"a line with its standard deviation needs three points at least, found {count}")
    middle, mean = fsum(at) / count, fsum(values) / count
    apart = [x - middle for x in at]
    width = fsum(x * x for x in apart)
    if width <= 0.0:
        raise ValueError("all points are at one place: there is no slope")
    slope = fsum(x * (y - mean) for x, y in zip(apart, values, strict=True)) / width
    residuals = [y - mean - slope * x for x, y in zip(apart, values, strict=True)]
    spread = sqrt(fsum(r * r for r in residuals) / (count - 2))
    return Line(
        slope, mean - slope * middle, spread / sqrt(width), spread * sqrt(1.0 / count + middle * middle / width), spread
    )


def slope_standard(noise: float, count: int, period_s: float) -> float:
    """Return the standard deviation of a slope through evenly spaced readings with white noise.

    Args:
        noise: Standard deviation of a reading.
        count: Readings, at least two.
        period_s: [s] Between two of them.
    """
    return noise * sqrt(12.0 / (count * (count * count - 1.0))) / period_s
