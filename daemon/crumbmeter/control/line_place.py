"""Where the line's pressure lies: against its fixed limits, its learned curve, the slow reference, and air alone.

Means of a second and their filters in, one word of `Pressure` out; and how long there is until the fixed limit.
"""

from math import sqrt

from crumbmeter.control.line_state import Calm
from crumbmeter.control.line_table import Pressure
from crumbmeter.control.params import SequenceParams
from crumbmeter.estimation.line_curve import (
    LEARNED_S,
    Expected,
    LineCurve,
    expected,
    expected_long,
    tells_rubber,
)
from crumbmeter.model.frozen import dataclass

QUICK_S, SLOW_S = 3.0, 10.0
LAG_S = QUICK_S + SLOW_S
"""[s] Two filters of what the pressure lies above its curve. On a ramp each lags by its time, so that their difference
over the difference of the times is the ramp (own derivation)."""
LIMIT_SIGMAS, LIMIT_SHARE = 4.5, 0.05
"""Off the curve: by so many standard deviations, and by so much of the pressure expected."""
LONG_SHARE = 0.15
"""Off the slow reference: by so much of what it foretells."""
FREEZE_SHARE = 0.5
"""Nothing is learned while the pressure lies beyond this share of the limit."""
BASE_RANGE = 0.10
"""Air alone is learned anew within this share of what it was: weather and filters move it, and no rubber is there."""
STEADY_AIR_SHARE = 0.25
"""Pressure that moves by more than this share of the limit within seconds is a blower that runs up or down."""
RISE_LIMITS, NO_RUBBER_SHARE = 2.5, 0.35
"""Rubber ought to make so many limits of pressure, and less than this share of it is seen: then none is under way."""
TREND_SIGMAS = 3.0
LONGEST_TREND_S = 3600.0
CALM_S = 5.0
"""[s] Loading, weight and air must have been steady for so long before anything is learned."""


@dataclass(frozen=True, slots=True)
class Mean:
    """Means of the last second."""

    pressure_pa: float
    load_kg: float
    """[kg] Rubber under way, by what left the auger."""
    auger_kg: float
    """[kg] The same by the auger's speed and its mean feed factor."""
    auger: bool
    """Whether it turns."""
    standing: bool
    """Whether the weight does not fall although it does."""
    foretold: Expected
    """What the curve says at this loading."""
    far_pa: float
    """[Pa] How far from it is too far."""


def limit_pa(foretold: Expected) -> float:
    """[Pa] Return how far from the curve is too far."""
    return max(LIMIT_SIGMAS * foretold.spread_pa, LIMIT_SHARE * foretold.pressure_pa)


def place(curve: LineCurve, calm: Calm, seen: Mean, limits: SequenceParams, travel_s: float) -> Pressure:
    """Say where the pressure lies.

    Args:
        curve: What is learned.
        calm: For how long things have been as they are.
        seen: Means of the last second.
        limits: Fixed limits.
        travel_s: [s] Of the rubber along the line.
    """
    fixed = _beyond_fixed(calm, seen, limits, travel_s)
    if fixed is not None:
        return fixed
    if seen.load_kg == 0.0 and not seen.auger:
        return _place_of_air(curve, calm, seen.pressure_pa)
    if not seen.foretold.sure or calm.air_s < CALM_S + travel_s:
        return Pressure.UNKNOWN
    far_pa = seen.far_pa
    if _above(curve, calm, seen):
        as_loaded_pa = expected(curve, seen.auger_kg).pressure_pa
        return Pressure.AS_LOADED if seen.standing and seen.pressure_pa < as_loaded_pa + far_pa else Pressure.ABOVE
    if calm.quick_pa < 0.0 and _without_rubber(curve, seen):
        return Pressure.BELOW_BASE if _is_below_air(curve, seen) else Pressure.AT_BASE
    return Pressure.BELOW if calm.quick_pa < -far_pa else Pressure.ON_CURVE


def _beyond_fixed(calm: Calm, seen: Mean, limits: SequenceParams, travel_s: float) -> Pressure | None:
    """Judge by the fixed limits, which need nothing learned; without air there is nothing to judge."""
    if calm.air_s == 0.0:
        return Pressure.UNKNOWN
    if limits.pressure_high_pa is not None and seen.pressure_pa > limits.pressure_high_pa:
        return Pressure.TOO_HIGH
    if limits.pressure_low_pa is None or not seen.auger or calm.air_s < CALM_S + travel_s:
        return None
    return Pressure.BELOW_BASE if seen.pressure_pa < limits.pressure_low_pa else None


def _above(curve: LineCurve, calm: Calm, seen: Mean) -> bool:
    long_pa = (1.0 + LONG_SHARE) * expected_long(curve, seen.load_kg)
    return calm.quick_pa > seen.far_pa or seen.foretold.pressure_pa + calm.quick_pa > long_pa


def _without_rubber(curve: LineCurve, seen: Mean) -> bool:
    """Tell whether the pressure is that of air alone, or less, although rubber ought to be under way."""
    if _is_below_air(curve, seen):
        return True
    base_pa = curve.base_pa
    rise_pa = seen.foretold.pressure_pa - base_pa
    told_apart = tells_rubber(curve) and rise_pa > RISE_LIMITS * seen.far_pa
    return told_apart and seen.pressure_pa < base_pa + NO_RUBBER_SHARE * rise_pa


def _is_below_air(curve: LineCurve, seen: Mean) -> bool:
    """Tell whether the pressure is less than air alone has in any weather: a part of the line is gone."""
    alone = expected(curve, 0.0)
    return alone.sure and seen.pressure_pa < alone.pressure_pa - max(BASE_RANGE * curve.base_pa, limit_pa(alone))


def _place_of_air(curve: LineCurve, calm: Calm, pressure_pa: float) -> Pressure:
    """Say where the pressure of air alone lies, once the blower runs steadily."""
    alone = expected(curve, 0.0)
    if curve.air_s == 0.0 or curve.fed_s < LEARNED_S or not is_steady(curve, calm, pressure_pa):
        return Pressure.UNKNOWN
    off_pa = alone.pressure_pa + calm.quick_pa - curve.reference_base_pa
    if abs(off_pa) <= max(BASE_RANGE * curve.reference_base_pa, limit_pa(alone)):
        return Pressure.ON_CURVE
    return Pressure.ABOVE if off_pa > 0.0 else Pressure.BELOW_BASE


def is_steady(curve: LineCurve, calm: Calm, pressure_pa: float) -> bool:
    """Tell whether air alone has blown for long enough, and no longer runs up or down."""
    alone = expected(curve, 0.0)
    far_pa = limit_pa(alone) if curve.spread_pa > 0.0 else LIMIT_SHARE * pressure_pa
    return calm.empty_s >= CALM_S and abs(pressure_pa - alone.pressure_pa - calm.quick_pa) <= STEADY_AIR_SHARE * far_pa


def may_learn(curve: LineCurve, calm: Calm, seen: Mean) -> bool:
    """Tell whether this second teaches anything: all calm, and nothing off that may be a plug or a hose."""
    if seen.load_kg == 0.0 and not seen.auger:
        if not is_steady(curve, calm, seen.pressure_pa):
            return False
        new = curve.air_s == 0.0 or curve.fed_s < LEARNED_S
        return new or _place_of_air(curve, calm, seen.pressure_pa) is Pressure.ON_CURVE
    if not seen.auger or min(calm.steady_s, calm.falling_s, calm.air_s) < CALM_S:
        return False
    return not seen.foretold.sure or abs(calm.quick_pa) <= FREEZE_SHARE * seen.far_pa


def time_to_limit(
    curve: LineCurve, calm: Calm, seen: Mean, high_pa: float | None
) -> tuple[float, float] | tuple[None, None]:
    """[s] Return the soonest and the latest time to the fixed limit by the present trend; None: there is no trend.

    The latest is that of a pressure that goes on rising as fast as now, the soonest that of one that rises with the
    square of time. Then the difference of the filters is the rate of LAG_S ago, and with `off` above the curve and that
    rate `v` it began t ago, where t^2 = 2 off (t - LAG_S) / v (own derivation).
    """
    if high_pa is None or calm.air_s < SLOW_S:
        return None, None
    trend_pa_s = (calm.quick_pa - calm.slow_pa) / (SLOW_S - QUICK_S)
    doubt_pa_s = curve.spread_pa * sqrt(0.5 / QUICK_S) / (SLOW_S - QUICK_S)
    room_pa, off_pa = high_pa - seen.pressure_pa, seen.pressure_pa - seen.foretold.pressure_pa
    if room_pa <= 0.0 or off_pa <= 0.0 or trend_pa_s <= TREND_SIGMAS * doubt_pa_s:
        return None, None
    latest_s = room_pa / trend_pa_s
    twice_s = 2.0 * off_pa / trend_pa_s
    began_s = 0.5 * (twice_s + sqrt(twice_s * (twice_s - 4.0 * LAG_S))) if twice_s > 4.0 * LAG_S else 2.0 * LAG_S
    soonest_s = began_s * (sqrt(1.0 + room_pa / off_pa) - 1.0)
    return (min(soonest_s, latest_s), latest_s) if latest_s <= LONGEST_TREND_S else (None, None)
