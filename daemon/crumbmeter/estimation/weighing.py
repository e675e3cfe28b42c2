"""Mass flow out of the weigh hopper: a Kalman filter on content and feed factor, with auger speed as known input.

The flow is factor times speed. The factor moves slowly while the speed steps, so with the factor as the state a change
of speed costs nothing (computation.md, section 1, compares the structures). While the hopper refills, the weight says
nothing about the flow: the factor is carried by what earlier fills taught of its dependence on the level, and of the
air in fresh rubber (aeration.py).

Model, per scan of length dt: m' = m - f w dt + l dt; f' = f r(m')/r(m) (1 - a x')/(1 - a x), r being the level map, a
the share of air, x the freshness and l a known leak of the gate (fills.py); measured z = m + e + v. The scale averages,
so that it shows e more than there is while the content falls: e' = e k + T f w (1 - k), k = exp(-dt/T). Left out, each
start and stop of the auger looks like a wrong factor: 0.2 kg of a feed that has only just begun.
"""

from math import exp, hypot, sqrt

from crumbmeter.estimation.aeration import BETWEEN_FILLS, corrected, decayed, freshen, risen
from crumbmeter.estimation.params import WeighingParams
from crumbmeter.estimation.weighing_state import (
    LEARNED,
    Flow,
    WeighingState,
    believable_factor,
    level_ratio,
    new_weighing,
)
from crumbmeter.model.events import Event, event
from crumbmeter.model.frozen import replace

__all__ = ["Flow", "WeighingState", "believable_factor", "new_weighing", "weigh"]

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
AT_REST_S = 10.0
"""[s] After so long without a turn the content is known; what changes then is no feed."""
CREEP_KG = 0.02
"""[kg/s^0.5] Random walk of the content at rest: a leaking gate, wind, a zero that drifts."""
LEARN_S = 60.0
"""[s] Time constant of the level map."""
FACTOR_FILTER_S = 900.0
"""[s] Time constant of the mean factor that the map is relative to; at first it is the mean of all that was learned."""
FIRST_MEAN_S = 30.0
"""[s] The map learns nothing on the mean of a shorter time."""
MOST_FACTOR = 1.5
"""Times the highest believable factor: where the estimate ends whatever the scale says."""
LEAK_DOUBT = 0.3
"""Relative doubt of the factor's correction when a leak becomes known: the speed was not always the present one."""
MIN_NOISE_SHARE, MAX_NOISE_SHARE = 0.5, 6.0
"""The noise is learned on line within these multiples of the configured one."""


def weigh(
    state: WeighingState,
    params: WeighingParams,
    weight_kg: float | None,
    speed_rev_s: float,
    refilling: bool | None,
    dt_s: float,
    *,
    rebased: bool = False,
    leak: tuple[float, float] = (0.0, 0.0),
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
        leak: [kg/s] What trickles in while the gate is shut, and its standard uncertainty.
    """
    if leak != (state.leak_kg_s, state.leak_uncertainty_kg_s):
        state = _with_leak(state, *leak, speed_rev_s)
    if not state.started and weight_kg is not None:
        state = replace(state, started=True, mass_kg=weight_kg, var_mm=state.noise_kg**2)
    if not state.started:
        rate = state.factor_kg_rev * speed_rev_s
        doubt = params.feed_factor_doubt * rate
        return state, Flow(rate, doubt, rate * dt_s, doubt * dt_s, believed=False), ()
    way_rev = speed_rev_s * dt_s
    fed_kg = state.factor_kg_rev * way_rev
    if way_rev > 0.0 or state.stood_s < AT_REST_S + dt_s:
        state = replace(state, stood_s=0.0 if way_rev > 0.0 else state.stood_s + dt_s)
    predicted = _predicted(state, params, way_rev, dt_s)
    if rebased and weight_kg is not None:
        after, events, believed = _rebase(predicted, weight_kg)
    else:
        after, events, believed = _take_weight(predicted, params, weight_kg, refilling, way_rev, dt_s)
    rate = state.factor_kg_rev * speed_rev_s
    uncertainty = hypot(speed_rev_s * sqrt(max(0.0, after.var_ff)), after.leak_uncertainty_kg_s if way_rev else 0.0)
    booked_kg = after.unbooked_kg * min(1.0, dt_s / RELEASE_S)
    fed_kg += booked_kg
    after = replace(
        after, unbooked_kg=after.unbooked_kg - booked_kg, fed_kg=after.fed_kg + fed_kg,
        turned_rev=after.turned_rev + way_rev,
    )  # fmt: skip
    return after, Flow(rate, uncertainty, fed_kg, uncertainty * dt_s, believed=believed), events


def surprise_of(
    state: WeighingState, params: WeighingParams, weight_kg: float, speed_rev_s: float, dt_s: float
) -> tuple[float, float]:
    """Return by how much a weight [kg] differs from what was expected of it, and the variance [kg^2] of that.

    For whoever judges a recorded run by it; `weigh` does the same on its way.
    """
    predicted = _predicted(state, params, speed_rev_s * dt_s, dt_s)
    return weight_kg - predicted.lag_kg - predicted.mass_kg, predicted.var_mm + predicted.noise_kg**2


def _with_leak(state: WeighingState, leak_kg_s: float, uncertainty_kg_s: float, speed_rev_s: float) -> WeighingState:
    """Reckon with another leak: what the weight has told of the factor until now was less by leak over speed."""
    known = replace(state, leak_kg_s=leak_kg_s, leak_uncertainty_kg_s=uncertainty_kg_s)
    more_kg_s = leak_kg_s - state.leak_kg_s
    if speed_rev_s * state.factor_kg_rev <= abs(more_kg_s):  # it stands, or nearly
        return replace(known, var_ff=known.var_ff + (0.1 * known.factor_kg_rev) ** 2) if more_kg_s else known
    factor = state.factor_kg_rev + more_kg_s / speed_rev_s
    mean = state.mean_factor_kg_rev * factor / state.factor_kg_rev
    doubt = more_kg_s / speed_rev_s * LEAK_DOUBT
    return replace(known, factor_kg_rev=factor, mean_factor_kg_rev=mean, var_ff=known.var_ff + doubt * doubt)


def _predicted(state: WeighingState, params: WeighingParams, way_rev: float, dt_s: float) -> WeighingState:
    """Foresee content, factor and air after a scan in which the auger made `way_rev` revolutions."""
    fed_kg = state.factor_kg_rev * way_rev
    ratio_change = level_ratio(state, params, state.mass_kg - fed_kg) / level_ratio(state, params, state.mass_kg)
    air, factor, grown = freshen(
        state.air, decayed(state.air.fresh, dt_s, params.fresh_air_decay_s), state.factor_kg_rev * ratio_change
    )
    # Covariance of F P F' + Q with F = [[1, -way, 0], [0, 1, slope], [0, 0, 1]] over content, factor and air.
    kept = exp(-dt_s / params.mass_filter_s) if params.mass_filter_s > 0.0 else 0.0
    lagged_s = params.mass_filter_s * (1.0 - kept) / dt_s if dt_s > 0.0 else 0.0
    drift = params.factor_drift_per_s * state.factor_kg_rev
    var_ff = state.var_ff + grown + (drift * drift * dt_s if way_rev > 0.0 else 0.0)
    var_ma = air.var_ma - way_rev * state.air.var_fa
    slope = (air.var_fa - state.air.var_fa) / air.var_aa if air.var_aa > 0.0 else 0.0
    var_mf = state.var_mf - way_rev * state.var_ff + slope * var_ma
    var_mm = state.var_mm - 2.0 * way_rev * state.var_mf + way_rev * way_rev * state.var_ff
    if state.stood_s > AT_REST_S:
        var_mm += CREEP_KG * CREEP_KG * dt_s
    return replace(
        state,
        mass_kg=state.mass_kg - fed_kg + state.leak_kg_s * dt_s,
        factor_kg_rev=factor,
        var_mm=var_mm,
        var_mf=var_mf,
        var_ff=var_ff,
        air=replace(air, var_ma=var_ma),
        lag_kg=state.lag_kg * kept + fed_kg * lagged_s,
    )


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
    weight_kg -= state.lag_kg  # what the scale will show when it has come to rest
    surprise = weight_kg - state.mass_kg
    if refilling or (state.refilling and refilling is None and surprise > 0.0):
        return _during_refill(state, params, weight_kg, dt_s)
    if state.refilling:
        begun = _taken_anew(state, weight_kg, refilling=False, settle_left_s=params.settle_after_refill_s)
        detail = event(
            "refill_ended", duration_s=round(state.refill_s, 1), mass_kg=round(weight_kg, 2),
            fresh_air_percent=round(100.0 * state.air.share, 1),
        )  # fmt: skip
        return begun, (detail,), False
    if state.settle_left_s > 0.0:
        return _taken_anew(state, weight_kg, refilling=False, settle_left_s=state.settle_left_s - dt_s), (), False
    variance = state.var_mm + state.noise_kg**2
    if surprise * surprise > GATE * variance:
        return _refuse(state, params, weight_kg, surprise, refilling, way_rev, dt_s)
    after, events = _told(_believe(state, params, surprise, variance, way_rev, dt_s), params, way_rev)
    return after, events, True


def _told(after: WeighingState, params: WeighingParams, way_rev: float) -> tuple[WeighingState, tuple[Event, ...]]:
    """Say once when the weight has told the factor."""
    if after.learned or way_rev <= 0.0 or after.var_ff > (LEARNED * after.factor_kg_rev) ** 2:
        return after, ()
    detail = event(
        "feed_factor_learned", factor_kg_rev=round(after.factor_kg_rev, 4),
        uncertainty_kg_rev=round(sqrt(after.var_ff), 4), entered_kg_rev=params.feed_factor_kg_rev,
    )  # fmt: skip
    return replace(after, learned=True), (detail,)


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
    level_change = level_ratio(state, params, weight_kg) / level_ratio(state, params, state.mass_kg)
    air, factor, grown = freshen(air, risen(air.fresh, dt_s), state.factor_kg_rev * level_change)
    state = replace(state, var_ff=state.var_ff + grown, air=air)
    if not state.refilling and state.mass_kg < params.low_mass_kg:
        # It had run empty: what the auger carried last says nothing of what it will carry now.
        state = _doubt_factor(state, 0.0)
        factor = state.mean_factor_kg_rev * level_ratio(state, params, weight_kg) * state.air.ratio
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
    grown_kg = surprise - first_kg
    certain_kg = GROWTH_SIGMAS * state.noise_kg
    carried_kg = state.factor_kg_rev * way_rev / dt_s * refused_s
    fills = refilling is None and grown_kg > 0.0
    most_kg = max(state.factor_kg_rev, state.mean_factor_kg_rev) * way_rev / dt_s * refused_s
    if abs(grown_kg) > most_kg + certain_kg and not fills:
        # More than any flow could change it: somebody leans on the hopper, or a bag lands. Wait until that is over.
        return replace(state, refused_s=dt_s, first_surprise_kg=surprise), (), False
    if refused_s < STEP_AFTER_S:
        return replace(state, refused_s=refused_s, first_surprise_kg=first_kg), (), False
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
    unfed_kg = correction if state.stood_s <= AT_REST_S else 0.0
    factor = state.factor_kg_rev + gain_f * surprise
    factor = min(MOST_FACTOR * params.feed_factor_high_kg_rev, max(0.0, factor))
    noise = state.noise_kg
    if way_rev > 0.0:
        # E[surprise^2] = var_mm + noise^2, so this estimate of noise^2 has no bias.
        seen = surprise * surprise - state.var_mm
        squared = noise * noise + (seen - noise * noise) * min(1.0, dt_s / 120.0)
        low, high = MIN_NOISE_SHARE * params.mass_noise_kg, MAX_NOISE_SHARE * params.mass_noise_kg
        noise = min(high, max(low, sqrt(max(0.0, squared))))
    mean, level, taught_s = state.mean_factor_kg_rev, state.level, state.taught_s
    if way_rev > 0.0 and params.feed_factor_low_kg_rev <= factor <= params.feed_factor_high_kg_rev:
        share = (state.mass_kg - params.low_mass_kg) / (params.full_mass_kg - params.low_mass_kg)
        settled = factor / state.air.ratio
        # Until the factor is learned its mean goes with it: a map that grows on a wrong mean has a step in it.
        taught_s = taught_s + dt_s if state.learned else 0.0
        gain = dt_s / min(FACTOR_FILTER_S, taught_s) if taught_s > dt_s else 1.0
        mean += (settled / state.level.ratio(share) - mean) * gain
        if taught_s > FIRST_MEAN_S and state.air.certain:  # after a fill the level and the air change together
            level = level.learned(share, settled / mean, dt_s / LEARN_S)
    return replace(
        state, mass_kg=state.mass_kg + correction, factor_kg_rev=factor, mean_factor_kg_rev=mean,
        var_mm=state.var_mm * (1.0 - gain_m), var_mf=state.var_mf * (1.0 - gain_m),
        var_ff=state.var_ff - gain_f * state.var_mf, noise_kg=noise, refused_s=0.0,
        unbooked_kg=state.unbooked_kg - unfed_kg, level=level, taught_s=taught_s,
        air=corrected(state.air, surprise, variance, gain_m, gain_f),
    )  # fmt: skip
