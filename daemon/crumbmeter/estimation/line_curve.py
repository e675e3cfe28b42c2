"""Pressure of the conveying line as the line itself has taught it: air alone, and so much more for rubber under way.

    pressure = base + slope * rubber under way

Recursive least squares with directional forgetting (Kulhavy 1987, form from memory): a reading makes older ones of the
same loading count for less, and leaves alone what it says nothing of. At one steady loading, which tells base and slope
apart by nothing, their doubt therefore does not run away. A slow reference is kept beside the curve, and the curve may
not walk far from it: a plug that builds up over hours must not be learned away. SI throughout. Pure.
"""

from math import sqrt

from crumbmeter.model.frozen import dataclass, replace

LEAST_VARIANCE = 1e-9
"""In units of the noise's variance: what rounding may not take away."""
FORGET_S = 600.0
"""[s] Readings of a loading count for less with this time constant, as long as that loading is seen."""
REFERENCE_S = 6.0 * 3600.0
"""[s] Time constant of the slow reference, in time of learning."""
SPREAD_S = 120.0
"""[s] Time constant of the learned standard deviation."""
FIRST_SPREAD = 0.02
"""Standard deviation at the start, as a share of the first pressure."""
LEAST_SPREAD, MOST_SPREAD = 0.001, 0.05
"""The learned standard deviation stays within these shares of the pressure expected."""
WANDER_S, MOST_WANDER = 600.0, 0.02
"""[s] Time constant of the learned wander, and its largest share of the pressure expected: a creeping plug looks like
wander, and must not widen what it is judged by beyond this."""
UNKNOWN_BASE, UNKNOWN_SLOPE = 1e4, 1e4
"""Variances of base and of slope [1/kg2] at the start, in units of the noise's variance."""
BASE_WALK, SLOPE_WALK = 0.10, 0.5
"""Shares of the reference by which the curve may lie away from it."""
OPENED = 1.0
"""Variance of the base after a pause: as much as one reading's."""
LEARNED_S = 60.0
"""[s] A curve that has learned for so long with rubber under way is one to judge by."""
SURE = 1.0
"""...where its own variance is at most so much times the noise's variance."""


@dataclass(frozen=True, slots=True)
class LineCurve:
    """What is known of the line's pressure. Variances are in units of the noise's variance."""

    base_pa: float = 0.0
    """[Pa] With air alone."""
    slope_pa_kg: float = 0.0
    """[Pa/kg] For each kilogram under way."""
    var_bb: float = UNKNOWN_BASE
    var_bs: float = 0.0
    var_ss: float = UNKNOWN_SLOPE
    spread_pa: float = 0.0
    """[Pa] Standard deviation of a reading, learned from one to the next: a creeping plug does not widen it. 0: nothing
    was ever read."""
    wander_pa: float = 0.0
    """[Pa] Root mean square of what readings lie off the curve, slow wander included; bounded."""
    off_pa: float = 0.0
    """[Pa] What the last reading lay above the curve."""
    air_s: float = 0.0
    """[s] Learned with air alone."""
    fed_s: float = 0.0
    """[s] Learned with rubber under way."""
    reference_base_pa: float = 0.0
    reference_slope_pa_kg: float = 0.0


@dataclass(frozen=True, slots=True)
class Expected:
    """What the curve foretells at one loading."""

    pressure_pa: float
    spread_pa: float
    """[Pa] Standard deviation of a reading about it, the curve's own doubt included."""
    sure: bool
    """Whether the curve is known well enough at this loading to judge a reading by it."""


def expected(curve: LineCurve, load_kg: float) -> Expected:
    """Foretell the pressure with `load_kg` [kg] under way, with its standard deviation (interval: k times that)."""
    own = curve.var_bb + load_kg * (2.0 * curve.var_bs + load_kg * curve.var_ss)
    enough = curve.fed_s >= LEARNED_S or (load_kg == 0.0 and curve.air_s > 0.0)
    return Expected(
        curve.base_pa + curve.slope_pa_kg * load_kg,
        max(curve.spread_pa, curve.wander_pa) * sqrt(1.0 + max(0.0, own)),
        enough and own <= SURE,
    )


def expected_long(curve: LineCurve, load_kg: float) -> float:
    """[Pa] Foretell the pressure by the slow reference."""
    return curve.reference_base_pa + curve.reference_slope_pa_kg * load_kg


def tells_rubber(curve: LineCurve) -> bool:
    """Tell whether the slope is known to a fifth of itself: then pressure says whether rubber is under way."""
    return curve.spread_pa * sqrt(max(0.0, curve.var_ss)) < 0.2 * curve.slope_pa_kg


def opened(curve: LineCurve) -> LineCurve:
    """Let the next readings of air alone move the base: since the last ones there may have been a night."""
    return replace(curve, var_bb=min(UNKNOWN_BASE, curve.var_bb + OPENED))


def learned(curve: LineCurve, load_kg: float, pressure_pa: float, dt_s: float) -> LineCurve:
    """Take one reading into the curve.

    Args:
        curve: Before.
        load_kg: [kg] Rubber under way; 0 is air alone.
        pressure_pa: [Pa] Mean over `dt_s`.
        dt_s: [s] Time that the reading stands for. Positive.
    """
    if curve.spread_pa == 0.0:
        curve = _begun(curve, pressure_pa)
    to_base = curve.var_bb + load_kg * curve.var_bs
    to_slope = curve.var_bs + load_kg * curve.var_ss
    own = max(LEAST_VARIANCE, to_base + load_kg * to_slope)
    residual_pa = pressure_pa - curve.base_pa - curve.slope_pa_kg * load_kg
    step_pa = residual_pa / (1.0 + own)
    kept = 1.0 - min(0.5, dt_s / FORGET_S)
    # Kulhavy's e / (1 + e own) with e = kept - (1 - kept) / own, written so that it is finite for any own > 0.
    taken = (kept * own - (1.0 - kept)) / (own * kept * (1.0 + own))
    var_bb = min(UNKNOWN_BASE, max(LEAST_VARIANCE, curve.var_bb - taken * to_base * to_base))
    var_ss = min(UNKNOWN_SLOPE, max(LEAST_VARIANCE, curve.var_ss - taken * to_slope * to_slope))
    most = sqrt(var_bb * var_ss)
    var_bs = max(-most, min(most, curve.var_bs - taken * to_base * to_slope))
    base_pa, slope_pa_kg = _not_negative(
        curve.base_pa + to_base * step_pa, curve.slope_pa_kg + to_slope * step_pa, var_bb, var_bs, var_ss
    )
    expected_pa = base_pa + slope_pa_kg * load_kg
    base_pa, slope_pa_kg, reference_pa, reference_pa_kg = _beside_reference(curve, base_pa, slope_pa_kg, dt_s)
    return LineCurve(
        base_pa,
        slope_pa_kg,
        var_bb,
        var_bs,
        var_ss,
        _spread(curve.spread_pa, residual_pa - curve.off_pa, expected_pa, dt_s),
        _wander(curve.wander_pa, residual_pa / sqrt(1.0 + own), expected_pa, dt_s),
        residual_pa,
        curve.air_s if load_kg > 0.0 else curve.air_s + dt_s,
        curve.fed_s + dt_s if load_kg > 0.0 else curve.fed_s,
        reference_pa,
        reference_pa_kg,
    )


def _not_negative(
    base_pa: float, slope_pa_kg: float, var_bb: float, var_bs: float, var_ss: float
) -> tuple[float, float]:
    """Bring a figure that came out below nought to it, and the other to what is likeliest with it there.

    The two are correlated, at one steady loading wholly: to cut one off alone would move the pressure foretold away
    from the one read, by more with each reading (least squares under a bound: projection in the variance's metric).
    """
    if slope_pa_kg < 0.0:
        base_pa, slope_pa_kg = base_pa - slope_pa_kg * var_bs / var_ss, 0.0
    if base_pa < 0.0:
        base_pa, slope_pa_kg = 0.0, max(0.0, slope_pa_kg - base_pa * var_bs / var_bb)
    return base_pa, slope_pa_kg


def _begun(curve: LineCurve, pressure_pa: float) -> LineCurve:
    return replace(curve, base_pa=max(0.0, pressure_pa), spread_pa=max(1.0, FIRST_SPREAD * pressure_pa))


def _spread(spread_pa: float, step_pa: float, expected_pa: float, dt_s: float) -> float:
    """Two readings apart by noise alone differ by 2 spread^2 in the mean of the square (von Neumann; from memory)."""
    squared = spread_pa * spread_pa
    squared += (0.5 * step_pa * step_pa - squared) * min(1.0, dt_s / SPREAD_S)
    return min(max(1.0, MOST_SPREAD * expected_pa), max(1.0, LEAST_SPREAD * expected_pa, sqrt(max(0.0, squared))))


def _wander(wander_pa: float, off_pa: float, expected_pa: float, dt_s: float) -> float:
    squared = wander_pa * wander_pa
    squared += (off_pa * off_pa - squared) * min(1.0, dt_s / WANDER_S)
    return min(MOST_WANDER * expected_pa, sqrt(max(0.0, squared)))


def _beside_reference(
    curve: LineCurve, base_pa: float, slope_pa_kg: float, dt_s: float
) -> tuple[float, float, float, float]:
    """Let the reference follow, at first as a mean, then slowly, and keep the curve beside it.

    Returns:
        [Pa], [Pa/kg] Base and slope of the curve, then of the reference.
    """
    if curve.fed_s <= LEARNED_S:
        return base_pa, slope_pa_kg, base_pa, slope_pa_kg
    share = dt_s / min(REFERENCE_S, curve.fed_s)
    long_pa = curve.reference_base_pa + (base_pa - curve.reference_base_pa) * share
    long_pa_kg = curve.reference_slope_pa_kg + (slope_pa_kg - curve.reference_slope_pa_kg) * share
    return (
        min((1.0 + BASE_WALK) * long_pa, max((1.0 - BASE_WALK) * long_pa, base_pa)),
        min((1.0 + SLOPE_WALK) * long_pa_kg, max((1.0 - SLOPE_WALK) * long_pa_kg, slope_pa_kg)),
        long_pa,
        long_pa_kg,
    )
