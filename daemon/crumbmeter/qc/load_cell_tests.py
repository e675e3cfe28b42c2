"""Arithmetic of the two checks of a hopper's load cells: a weight at each corner, and weights put on and taken off.

What was on the hopper before is taken off every figure, so that a hopper need not be empty. Errors are shares of the
load put on (ASTM D995-95 3.6.1: within 0.5 percent when checked with test weights; read in part); linearity,
hysteresis and zero return are shares of the largest load, as is usual for load cells. No text read limits these three.
"""

from collections.abc import Mapping, Sequence
from itertools import pairwise

from crumbmeter.model.frozen import dataclass
from crumbmeter.qc.calibrations import Trial


@dataclass(frozen=True, slots=True)
class ShiftTest:
    """What the corners of a scale show of one weight."""

    trials: tuple[Trial, ...]
    """One for each corner, in its order."""
    worst_corner: str
    spread_percent: float
    """[%] Between the corners that show most and least, of the weight."""


@dataclass(frozen=True, slots=True)
class WeightsTest:
    """What a scale shows of weights put on and taken off again."""

    trials: tuple[Trial, ...]
    zero_return_percent: float
    """[%] What stays when all is off, of the largest load."""
    linearity_percent: float
    """[%] Largest distance from the straight line from nothing to the largest load, weights going on."""
    hysteresis_percent: float | None
    """[%] Largest difference between coming off and going on at one load; None: no load was shown both ways."""


def shift(weight_kg: float, empty_kg: float, shown_kg: Mapping[str, float]) -> ShiftTest:
    """Evaluate a shift test.

    Args:
        weight_kg: [kg] The weight that goes from corner to corner. Positive.
        empty_kg: [kg] Shown before it.
        shown_kg: [kg] Shown with it at each corner.

    Raises:
        ValueError: fewer than two corners, or no weight.
    """
    if len(shown_kg) < 2 or weight_kg <= 0.0:
        raise ValueError("a shift test needs a weight above 0 and two corners at least")
    errors_kg = {corner: kg - empty_kg - weight_kg for corner, kg in shown_kg.items()}
    spread_kg = max(errors_kg.values()) - min(errors_kg.values())
    return ShiftTest(
        tuple(Trial(weight_kg, error) for error in errors_kg.values()),
        max(errors_kg, key=lambda corner: abs(errors_kg[corner])),
        100.0 * spread_kg / weight_kg,
    )


def weights(
    empty_kg: float, rising: Sequence[tuple[float, float]], falling: Sequence[tuple[float, float]], after_kg: float
) -> WeightsTest:
    """Evaluate a check with test weights.

    Args:
        empty_kg: [kg] Shown before any weight.
        rising: [kg, kg] Load and what was shown, weights going on; loads rise.
        falling: [kg, kg] The same, weights coming off; loads fall. May be empty.
        after_kg: [kg] Shown when all are off.

    Raises:
        ValueError: no load, or loads that do not rise from above 0, or do not fall.
    """
    loads = [load for load, _ in rising]
    if not loads or loads[0] <= 0.0 or any(late <= early for early, late in pairwise(loads)):
        raise ValueError("loads must rise, from above 0")
    if any(late >= early for early, late in pairwise([load for load, _ in falling])):
        raise ValueError("loads that come off must fall")
    top_kg, top_shown_kg = rising[-1][0], rising[-1][1] - empty_kg
    bow_kg = max(abs(shown - empty_kg - top_shown_kg * load / top_kg) for load, shown in rising)
    up = dict(rising)
    both_kg = [abs(shown - up[load]) for load, shown in falling if load in up]
    return WeightsTest(
        tuple(Trial(load, shown - empty_kg - load) for load, shown in (*rising, *falling) if load > 0.0),
        100.0 * abs(after_kg - empty_kg) / top_kg,
        100.0 * bow_kg / top_kg,
        100.0 * max(both_kg) / top_kg if both_kg else None,
    )
