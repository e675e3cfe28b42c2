"""Arithmetic of the three tests of a belt scale: zero, simulated load, and material over a certified truck scale.

Sources: NIST Handbook 44 section 2.21. Test rates (N.2) were read in the 2004 text; the figures of minimum test load
and of the bands of routine adjustment (UR.3.2) are FROM MEMORY and are shown, never judged by; limits that judge are
data (config/calibration-limits.toml).
"""

from collections.abc import Sequence
from math import ceil
from typing import Final

from crumbmeter.model.frozen import dataclass
from crumbmeter.qc.calibrations import Trial

LEAST_DIVISIONS: Final = 800.0
"""From memory: HB 44 2.21, minimum test load."""
LEAST_RUN_S: Final = 600.0
"""[s] From memory: ten minutes of running, likewise."""
LOW_RATE_SHARE: Final = 0.35
"""HB 44 2.21 N.2 (2004 text, read): 35 percent of the maximum rated capacity."""
BANDS_PERCENT: Final = ((0.25, "leave it"), (0.6, "adjust it and notify"), (0.75, "a service person adjusts it"))
"""[%] From memory: HB 44 2.21 UR.3.2. Above the last: an official test."""


@dataclass(frozen=True, slots=True)
class Correction:
    """What a scale's span has to become."""

    factor: float
    """New span value = old span value times this."""
    error_percent: float
    """[%] Of all that was indicated, against all that it was held against."""
    spread_percent: float | None
    """[%] Between the greatest and the smallest error; None with one trial."""


def zero_trial(capacity_kg_s: float, duration_s: float, change_kg: float) -> Trial:
    """Hold what a totaliser gained on an empty belt against full scale for the time of the test.

    Args:
        capacity_kg_s: [kg/s] Rated capacity of the scale. Positive.
        duration_s: [s] Of the test. Positive.
        change_kg: [kg] Gained (negative: lost).
    """
    return Trial(capacity_kg_s * duration_s, change_kg)


def revolutions(duration_s: float, speed_m_s: float, belt_m: float) -> float:
    """Return the revolutions of a belt.

    Args:
        duration_s: [s] Of running.
        speed_m_s: [m/s] Mean belt speed.
        belt_m: [m] Whole length of the belt. Positive.
    """
    return duration_s * speed_m_s / belt_m


def whole_revolutions_s(least_s: float, speed_m_s: float, belt_m: float) -> float:
    """[s] Return the shortest time of whole revolutions that is not below `least_s` [s]: one at least.

    Args:
        least_s: [s] Shortest time wanted.
        speed_m_s: [m/s] Belt speed. Positive.
        belt_m: [m] Whole length of the belt. Positive.
    """
    turn_s = belt_m / speed_m_s
    return turn_s * max(1, ceil(least_s / turn_s - 1e-9))


def weights_load_kg_m(weights_kg: float, span_m: float) -> float:
    """[kg/m] Return the load that test weights on the weigh span stand for.

    Args:
        weights_kg: [kg] Sum of the weights hung on.
        span_m: [m] Weigh span: idlers on the scale times their spacing. Positive.
    """
    return weights_kg / span_m


def simulated_trial(load_kg_m: float, belt_travel_m: float, indicated_kg: float) -> Trial:
    """Hold what the totaliser gained against a simulated load that the belt carried along.

    Args:
        load_kg_m: [kg/m] Of the chain, or of weights. Positive.
        belt_travel_m: [m] Length of belt that passed. Positive.
        indicated_kg: [kg] What the totaliser gained.
    """
    reference_kg = load_kg_m * belt_travel_m
    return Trial(reference_kg, indicated_kg - reference_kg)


def correction(trials: Sequence[Trial]) -> Correction:
    """Return by how much the span is off; order and unit of the trials do not matter.

    Raises:
        ValueError: there is no trial, or nothing was indicated: a scale that shows nothing cannot be corrected.
    """
    reference_kg = sum(one.base_kg for one in trials)
    indicated_kg = reference_kg + sum(one.error_kg for one in trials)
    if not trials or indicated_kg <= 0.0:
        raise ValueError("nothing was indicated: there is no factor that would put that right")
    errors = [one.error_percent for one in trials]
    spread = max(errors) - min(errors) if len(errors) > 1 else None
    return Correction(reference_kg / indicated_kg, 100.0 * (indicated_kg / reference_kg - 1.0), spread)


def rates_to_test(capacity: float, normal: float) -> tuple[float, float, float]:
    """Return the rates to test at: normal use, 35 percent of rated capacity, and the one halfway between.

    Args:
        capacity: Rated capacity, in any unit.
        normal: Normal rate, in the same one.
    """
    low = LOW_RATE_SHARE * capacity
    return (normal, low, 0.5 * (normal + low))


def least_test_load_kg(division_kg: float, capacity_kg_s: float, belt_turn_s: float) -> float:
    """[kg] Return the least test load, FROM MEMORY: of 800 divisions, one revolution and ten minutes the largest.

    Args:
        division_kg: [kg] Scale division of the totaliser.
        capacity_kg_s: [kg/s] Rated capacity.
        belt_turn_s: [s] One revolution of the belt.
    """
    return max(LEAST_DIVISIONS * division_kg, capacity_kg_s * belt_turn_s, capacity_kg_s * LEAST_RUN_S)


def adjustment(error_percent: float) -> str:
    """Say what the law's band of routine adjustment asks for at an error [%], FROM MEMORY."""
    return next((words for limit, words in BANDS_PERCENT if abs(error_percent) <= limit), "an official test")
