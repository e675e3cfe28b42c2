"""Mass flow out of the weigh hopper: a Kalman filter on content and feed factor, with auger speed as known input.

The flow is factor times speed. The factor moves slowly while the speed steps, so with the factor as the state a change
of speed costs nothing (computation.md, section 1, compares the structures). While the hopper refills, the weight says
nothing about the flow: the factor is carried by what earlier fills taught of its dependence on the level, and of the
air in fresh rubber (aeration.py).

Model, per scan of length dt: m' = m - f w dt; f' = f r(m')/r(m) (1 - a x')/(1 - a x), r being the level map, a the
share of air and x the freshness; measured z = m + v.
"""

from math import sqrt

from crumbmeter.estimation.aeration import BETWEEN_FILLS, Aeration, corrected, decayed, freshen, risen
from crumbmeter.estimation.levelmap import LevelMap
from crumbmeter.estimation.params import WeighingParams
from crumbmeter.model.events import Event, event
from crumbmeter.model.frozen import dataclass, replace

GATE = 9.0
"""Squared innovation over its variance beyond which a weight is not believed (three sigma)."""
STEP_AFTER_S = 3.0
"""[s] Weights refused for so long mean a true change: a step (something lies on the scale) or another flow."""
GROWTH_SIGMAS = 4.0
"""A surprise that has grown by so many standard deviations since the first refusal is another flow, not a step."""
RISING_SHARE = 1.5
"""Without a contact of the gate: a weight that grows faster than this share of the flow is a refill."""
LONGEST_LOOK_BACK_S = 60.0
NEW_FLOW_DOUBT = 0.5
"""Relative doubt put on the feed factor when the flow has changed by itself (a bridge, packed rubber)."""
RELEASE_S = 40.0
"""[s] Time over which a correction of the content is booked as fed or not fed."""
LEARN_S = 60.0
"""[s] Time constant of the level map."""
FACTOR_FILTER_S = 900.0
"""[s] Time constant of the mean factor that the map is relative to."""
MOST_FACTOR = 1.5
"""Times the highest believable factor: where the estimate ends whatever the scale says."""
MIN_NOISE_SHARE, MAX_NOISE_SHARE = 0.5, 6.0
"""The noise is learned on line within these multiples of the configured one."""


@dataclass(frozen=True, slots=True)
class WeighingState:
    """What the estimator knows."""

    started: bool
    """Whether a weight has ever come."""
    mass_kg: float
    """[kg] Content; 0 before the first weight."""
    factor_kg_rev: float
    mean_factor_kg_rev: float
    var_mm: float
    var_mf: float
    var_ff: float
    noise_kg: float
    """[kg] Standard deviation of the weight, learned."""
    refused_s: float
    """[s] For how long weights have been refused."""
    first_surprise_kg: float
    """[kg] Weight less expectation at the first of these refusals."""
    refilling: bool
    refill_s: float
    """[s] How long the present or last refill has lasted."""
    settle_left_s: float
    """[s] Until the weight is believed again after a refill."""
    unbooked_kg: float
    """[kg] Correction of the content that is still to be booked as fed (positive) or not fed."""
    level: LevelMap
    air: Aeration


def believable_factor(state: WeighingState, params: WeighingParams) -> float:
    """[kg/rev] Return the factor that a setpoint may be divided by: a bridge must be alarmed, not chased.

    Outside the believable band it is the mean factor at this level.
    """
    low, high = params.feed_factor_low_kg_rev, params.feed_factor_high_kg_rev
    if low <= state.factor_kg_rev <= high:
        return state.factor_kg_rev
    return min(high, max(low, state.mean_factor_kg_rev * _ratio(state, params, state.mass_kg) * state.air.ratio))


@dataclass(frozen=True, slots=True)
class Flow:
    """What left the auger in one scan."""

    rate_kg_s: float
    uncertainty_kg_s: float
    """[kg/s] Standard uncertainty of the rate, k=1."""
    fed_kg: float
    """[kg] In this scan, with the part of earlier corrections that is booked now."""
    fed_uncertainty_kg: float
    believed: bool
    """Whether the weight took part (false while refilling, settling, or with the weight Bad)."""


def new_weighing(params: WeighingParams) -> WeighingState:
    """Start from the catch tests' factor, trusted to three per cent."""
    factor = params.feed_factor_kg_rev
    return WeighingState(
        started=False,
        mass_kg=0.0,
        factor_kg_rev=factor,
        mean_factor_kg_rev=factor,
        var_mm=0.0,
        var_mf=0.0,
        var_ff=(0.03 * factor) ** 2,
        noise_kg=params.mass_noise_kg,
        refused_s=0.0,
        first_surprise_kg=0.0,
        refilling=False,
        refill_s=0.0,
        settle_left_s=0.0,
        unbooked_kg=0.0,
        level=LevelMap(),
        air=Aeration(),
    )


def weigh(
    state: WeighingState,
    params: WeighingParams,
    weight_kg: float | None,
    speed_rev_s: float,
    refilling: bool | None,
    dt_s: float,
    *,
    rebased: bool = False,
) -> tuple[WeighingState, Flow, tuple[Event, ...]]:
    """Move the estimate on by one scan.

    Args:
        state: Estimate before.
        params: Hopper and auger.
        weight_kg: [kg] Net weight, or None where it is Bad or not new.
        speed_rev_s: [rev/s] Auger speed over this scan.
        refilling: Contact of the refill gate; None where there is none or it is Bad.
        dt_s: [s] Length of the scan.
        rebased: Zero or tare of the scale have changed: the weight begins anew, and no flow is seen in the step.
    """
    if not state.started and weight_kg is not None:
        state = replace(state, started=True, mass_kg=weight_kg, var_mm=state.noise_kg**2)
    if not state.started:
        rate = state.factor_kg_rev * speed_rev_s
        return state, Flow(rate, 0.1 * rate, rate * dt_s, 0.1 * rate * dt_s, believed=False), ()
    way_rev = speed_rev_s * dt_s
    fed_kg = state.factor_kg_rev * way_rev
    predicted = _predicted(state, params, way_rev, dt_s)
    if rebased and weight_kg is not None:
        after, events, believed = _rebase(predicted, weight_kg)
    else:
        after, events, believed = _take_weight(predicted, params, weight_kg, refilling, way_rev, dt_s)
    rate = state.factor_kg_rev * speed_rev_s
    uncertainty = speed_rev_s * sqrt(max(0.0, after.var_ff))
    booked_kg = after.unbooked_kg * min(1.0, dt_s / RELEASE_S)
    after = replace(after, unbooked_kg=after.unbooked_kg - booked_kg)
    return after, Flow(rate, uncertainty, fed_kg + booked_kg, uncertainty * dt_s, believed=believed), events


def _predicted(state: WeighingState, params: WeighingParams, way_rev: float, dt_s: float) -> WeighingState:
    """Foresee content, factor and air after a scan in which the auger made `way_rev` revolutions."""
    fed_kg = state.factor_kg_rev * way_rev
    ratio_change = _ratio(state, params, state.mass_kg - fed_kg) / _ratio(state, params, state.mass_kg)
    air, factor, grown = freshen(state.air, decayed(state.air.fresh, dt_s), state.factor_kg_rev * ratio_change)
    # Covariance of F P F' + Q with F = [[1, -way, 0], [0, 1, slope], [0, 0, 1]] over content, factor and air.
    drift = params.factor_drift_per_s * state.factor_kg_rev
    var_ff = state.var_ff + grown + (drift * drift * dt_s if way_rev > 0.0 else 0.0)
    var_ma = air.var_ma - way_rev * state.air.var_fa
    slope = (air.var_fa - state.air.var_fa) / air.var_aa if air.var_aa > 0.0 else 0.0
    var_mf = state.var_mf - way_rev * state.var_ff + slope * var_ma
    var_mm = state.var_mm - 2.0 * way_rev * state.var_mf + way_rev * way_rev * state.var_ff
    return replace(
        state,
        mass_kg=state.mass_kg - fed_kg,
        factor_kg_rev=factor,
        var_mm=var_mm,
        var_mf=var_mf,
        var_ff=var_ff,
        air=replace(air, var_ma=var_ma),
    )


def _ratio(state: WeighingState, params: WeighingParams, mass_kg: float) -> float:
    return state.level.ratio((mass_kg - params.low_mass_kg) / (params.full_mass_kg - params.low_mass_kg))


def _take_weight(
    state: WeighingState,
    params: WeighingParams,
    weight_kg: float | None,
    refilling: bool | None,
    way_rev: float,
    dt_s: float,
) -> tuple[WeighingState, tuple[Event, ...], bool]:
    if weight_kg is None:
        return _waited(state, dt_s), (), False
    surprise = weight_kg - state.mass_kg
    if refilling or (state.refilling and refilling is None and surprise > 0.0):
        return _during_refill(state, params, weight_kg, dt_s)
    if state.refilling:
        begun = _taken_anew(state, weight_kg, refilling=False, settle_left_s=params.settle_after_refill_s)
        detail = event("refill_ended", duration_s=round(state.refill_s, 1), mass_kg=round(weight_kg, 2))
        return begun, (detail,), False
    if state.settle_left_s > 0.0:
        return _taken_anew(state, weight_kg, refilling=False, settle_left_s=state.settle_left_s - dt_s), (), False
    variance = state.var_mm + state.noise_kg**2
    if surprise * surprise > GATE * variance:
        return _refuse(state, params, weight_kg, surprise, refilling, way_rev, dt_s)
    return _believe(state, params, surprise, variance, way_rev, dt_s), (), True


def _waited(state: WeighingState, dt_s: float) -> WeighingState:
    """Let time pass for what is timed, in a scan without a new weight: a scale may be read less often than it scans."""
    return replace(
        state,
        refill_s=state.refill_s + dt_s if state.refilling else state.refill_s,
        settle_left_s=max(0.0, state.settle_left_s - dt_s),
        refused_s=state.refused_s + dt_s if state.refused_s > 0.0 else 0.0,
    )


def _rebase(state: WeighingState, weight_kg: float) -> tuple[WeighingState, tuple[Event, ...], bool]:
    """Begin anew from a weight with another zero or tare. What the factor has learned stays."""
    detail = event("weight_rebaselined", step_kg=round(weight_kg - state.mass_kg, 3))
    begun = _taken_anew(state, weight_kg, refilling=state.refilling, settle_left_s=state.settle_left_s)
    return begun, (detail,), False


def _during_refill(
    state: WeighingState, params: WeighingParams, weight_kg: float, dt_s: float
) -> tuple[WeighingState, tuple[Event, ...], bool]:
    """Carry the factor along the level map while the weight rises."""
    air = state.air if state.refilling else replace(state.air, var_aa=state.air.var_aa + BETWEEN_FILLS**2)
    level_change = _ratio(state, params, weight_kg) / _ratio(state, params, state.mass_kg)
    air, factor, grown = freshen(air, risen(air.fresh, dt_s), state.factor_kg_rev * level_change)
    state = replace(state, var_ff=state.var_ff + grown, air=air)
    if not state.refilling and state.mass_kg < params.low_mass_kg:
        # It had run empty: what the auger carried last says nothing of what it will carry now.
        state = _doubt_factor(state, 0.0)
        factor = state.mean_factor_kg_rev * _ratio(state, params, weight_kg) * state.air.ratio
    events = () if state.refilling else (event("refill_began", mass_kg=round(weight_kg, 2)),)
    refill_s = state.refill_s + dt_s if state.refilling else dt_s
    after = _taken_anew(state, weight_kg, refilling=True, settle_left_s=params.settle_after_refill_s)
    return replace(after, factor_kg_rev=factor, refill_s=refill_s), events, False


def _taken_anew(state: WeighingState, weight_kg: float, *, refilling: bool, settle_left_s: float) -> WeighingState:
    return replace(
        state, mass_kg=weight_kg, var_mm=state.noise_kg**2, var_mf=0.0, refused_s=0.0, refilling=refilling,
        settle_left_s=max(0.0, settle_left_s), air=replace(state.air, var_ma=0.0),
    )  # fmt: skip


def _refuse(
    state: WeighingState,
    params: WeighingParams,
    weight_kg: float,
    surprise: float,
    refilling: bool | None,
    way_rev: float,
    dt_s: float,
) -> tuple[WeighingState, tuple[Event, ...], bool]:
    """Leave a weight out; when it goes on, tell a step on the scale from a flow that has changed."""
    first_kg = surprise if state.refused_s == 0.0 else state.first_surprise_kg
    refused_s = state.refused_s + dt_s
    if refused_s < STEP_AFTER_S:
        return replace(state, refused_s=refused_s, first_surprise_kg=first_kg), (), False
    grown_kg = surprise - first_kg
    certain_kg = GROWTH_SIGMAS * state.noise_kg
    carried_kg = state.factor_kg_rev * way_rev / dt_s * refused_s
    if refilling is None and grown_kg > RISING_SHARE * carried_kg + certain_kg:
        return _during_refill(state, params, weight_kg, dt_s)
    if way_rev > 0.0 and abs(grown_kg) > certain_kg:
        # The surprise grows: the auger carries more or less than expected. The weight is right, the factor is not.
        since_s = min(LONGEST_LOOK_BACK_S, max(refused_s, refused_s * surprise / grown_kg))
        doubted = _doubt_factor(state, way_rev * since_s / dt_s)
        return _believe(doubted, params, surprise, doubted.var_mm + doubted.noise_kg**2, way_rev, dt_s), (), True
    detail = event("weight_step", step_kg=round(surprise, 3))
    return _taken_anew(state, weight_kg, refilling=False, settle_left_s=0.0), (detail,), False


def _doubt_factor(state: WeighingState, way_rev: float) -> WeighingState:
    """Widen the factor's variance, with what that means for the content after `way_rev` revolutions."""
    variance = (NEW_FLOW_DOUBT * state.mean_factor_kg_rev) ** 2
    return replace(
        state,
        var_ff=variance,
        var_mf=-way_rev * variance,
        var_mm=state.noise_kg**2 + way_rev * way_rev * variance,
        refused_s=0.0,
        air=replace(state.air, var_fa=0.0, var_ma=0.0),
    )


def _believe(
    state: WeighingState, params: WeighingParams, surprise: float, variance: float, way_rev: float, dt_s: float
) -> WeighingState:
    gain_m = state.var_mm / variance
    gain_f = state.var_mf / variance
    correction = gain_m * surprise
    factor = state.factor_kg_rev + gain_f * surprise
    factor = min(MOST_FACTOR * params.feed_factor_high_kg_rev, max(0.0, factor))
    noise = state.noise_kg
    if way_rev > 0.0:
        # E[surprise^2] = var_mm + noise^2, so this estimate of noise^2 has no bias.
        seen = surprise * surprise - state.var_mm
        squared = noise * noise + (seen - noise * noise) * min(1.0, dt_s / 120.0)
        low, high = MIN_NOISE_SHARE * params.mass_noise_kg, MAX_NOISE_SHARE * params.mass_noise_kg
        noise = min(high, max(low, sqrt(max(0.0, squared))))
    mean, level = state.mean_factor_kg_rev, state.level
    if way_rev > 0.0 and params.feed_factor_low_kg_rev <= factor <= params.feed_factor_high_kg_rev:
        share = (state.mass_kg - params.low_mass_kg) / (params.full_mass_kg - params.low_mass_kg)
        settled = factor / state.air.ratio
        mean += (settled / state.level.ratio(share) - mean) * min(1.0, dt_s / FACTOR_FILTER_S)
        if state.air.certain:  # after a fill the level and the air change together
            level = level.learned(share, settled / mean, dt_s / LEARN_S)
    return replace(
        state, mass_kg=state.mass_kg + correction, factor_kg_rev=factor, mean_factor_kg_rev=mean,
        var_mm=state.var_mm * (1.0 - gain_m), var_mf=state.var_mf * (1.0 - gain_m),
        var_ff=state.var_ff - gain_f * state.var_mf, noise_kg=noise, refused_s=0.0,
        unbooked_kg=state.unbooked_kg - correction, level=level,
        air=corrected(state.air, surprise, variance, gain_m, gain_f),
    )  # fmt: skip
