"""Whether a weight falls or rises steadily while it should rest: block means, and a straight line through them.

Readings of half a second follow each other too closely to be independent, so they are averaged over blocks of some
seconds; the scatter of the blocks about the line is then the uncertainty that the line really has. There are never more
than so many blocks; the oldest are dropped.
"""

from itertools import pairwise
from math import sqrt

from crumbmeter.model.frozen import dataclass, replace

BLOCK_S = 5.0
MOST_BLOCKS = 160
LEAST_BLOCKS = 6
"""Fewer say nothing of their scatter."""
LEAST_SCATTER_KG = 0.02
"""[kg] A scale that shows the same number again and again is not exact; it is coarse."""
STEP_KG = 3.0
"""[kg] A block that lies further from the one before is a step: a bag, a hand, rubber that runs in."""
STEADY_SHARE = 0.3
"""Each part of a steady change has at least this share of the mean part."""
PARTS = 4
"""A single event lies in two neighbouring parts at most, so that the third step between four parts shows none."""


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line through the blocks."""

    slope_kg_s: float
    uncertainty_kg_s: float
    """[kg/s] Standard uncertainty of the slope, from the scatter."""
    scatter_kg: float
    """[kg] Standard deviation of a block about the line."""
    lasted_s: float
    steady: bool
    """The change is spread over the whole stretch."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """Readings of a weight that should rest. Times in s of process time, masses in kg."""

    since_s: float
    ended_s: float
    """[s] When the last full block ended; at first, when it began."""
    means: tuple[float, ...] = ()
    sum_kg: float = 0.0
    count: int = 0


def taken(stretch: Stretch, now_s: float, mass_kg: float) -> Stretch:
    """Take one reading. A step, or a block without any reading, begins anew.

    Args:
        stretch: Before.
        now_s: [s] Process time of the reading.
        mass_kg: [kg] What it shows.
    """
    over_s = now_s - (stretch.ended_s + BLOCK_S)
    if over_s < 0.0:
        return replace(stretch, sum_kg=stretch.sum_kg + mass_kg, count=stretch.count + 1)
    if over_s >= BLOCK_S:
        return begun(now_s, mass_kg)
    mean_kg = stretch.sum_kg / stretch.count
    if stretch.means and abs(mean_kg - stretch.means[-1]) > STEP_KG:
        return begun(now_s, mass_kg)
    means = (*stretch.means[-(MOST_BLOCKS - 1) :], mean_kg)
    return Stretch(stretch.since_s, stretch.ended_s + BLOCK_S, means, mass_kg, 1)


def begun(now_s: float, mass_kg: float) -> Stretch:
    """Begin with one reading."""
    return Stretch(now_s, now_s, (), mass_kg, 1)


def line_of(means: tuple[float, ...]) -> Line | None:
    """Return the least-squares line through block means [kg]; None where they are too few.

    slope = sum((i - mean(i)) z_i) / (h S), its variance s^2 / (h^2 S), S = n (n^2 - 1) / 12, s^2 = sum(residual^2) /
    (n - 2) (computation.md, section 1).
    """
    number = len(means)
    if number < LEAST_BLOCKS:
        return None
    centre = (number - 1) / 2.0
    mean_kg = sum(means) / number
    spread = number * (number * number - 1) / 12.0
    rise_kg = sum([(at - centre) * (z - mean_kg) for at, z in enumerate(means)]) / spread
    squares = sum([(z - mean_kg - rise_kg * (at - centre)) ** 2 for at, z in enumerate(means)])
    scatter_kg = max(LEAST_SCATTER_KG, sqrt(squares / (number - 2)))
    return Line(
        slope_kg_s=rise_kg / BLOCK_S,
        uncertainty_kg_s=scatter_kg / (sqrt(spread) * BLOCK_S),
        scatter_kg=scatter_kg,
        lasted_s=number * BLOCK_S,
        steady=_is_steady(means),
    )


def _is_steady(means: tuple[float, ...]) -> bool:
    """Tell whether each step between the means of four parts goes the same way, and is no small one."""
    number = len(means)
    edges = [round(part * number / PARTS) for part in range(PARTS + 1)]
    parts = [sum(means[low:high]) / (high - low) for low, high in pairwise(edges)]
    whole = parts[-1] - parts[0]
    least = STEADY_SHARE * whole * whole / (PARTS - 1)
    return all((after - before) * whole >= least for before, after in pairwise(parts))
