"""The weigh-hopper filter against published and derived figures. The source stands beside each check.

They check the arithmetic of the filter (gain, variance, steady state), not how well its model fits a real hopper.
"""

from dataclasses import replace
from math import sqrt

import pytest

from crumbmeter.estimation.params import WeighingParams
from crumbmeter.estimation.weighing import new_weighing, weigh

PARAMS = WeighingParams(
    hopper_mass=0, auger_speed=1, refilling=None, feed_factor_kg_rev=0.9, feed_factor_low_kg_rev=0.45,
    feed_factor_high_kg_rev=1.35, mass_noise_kg=5.0, factor_drift_per_s=0.001, settle_after_refill_s=3.0,
    max_refill_s=60.0, low_mass_kg=0.0, full_mass_kg=250.0,
)  # fmt: skip


def test_height_of_a_building() -> None:
    # kalmanfilter.net, example 5 (read in a stored copy): a constant of 50 m, guessed at 60 with variance 225, its
    # readings with variance 25. With the auger at rest the hopper's content is such a constant. The page rounds to two
    # places.
    readings = (48.54, 47.11, 55.01, 55.15, 49.89, 40.85, 46.72, 50.05, 51.27, 49.95)
    estimates = (49.69, 48.47, 50.57, 51.68, 51.33, 49.62, 49.21, 49.31, 49.53, 49.57)
    variances = (22.5, 11.84, 8.04, 6.08, 4.89, 4.09, 3.52, 3.08, 2.74, 2.47)
    state = replace(new_weighing(PARAMS), started=True, mass_kg=60.0, var_mm=225.0, noise_kg=5.0)
    for reading, estimate, variance in zip(readings, estimates, variances, strict=True):
        state, flow, events = weigh(state, PARAMS, reading, 0.0, None, 1.0)
        assert flow.believed
        assert events == ()
        assert state.mass_kg == pytest.approx(estimate, abs=0.01)
        assert state.var_mm == pytest.approx(variance, abs=0.01)


@pytest.mark.parametrize("speed_rev_s", [0.1, 0.35, 0.8])
def test_steady_state_of_the_flow(speed_rev_s: float) -> None:
    # Steady solution of the Riccati equation for mass and a flow that walks at random (derived; the project's check
    # values give it as agreeing with a numerical solver): with r = noise^2 dt and q the flow's walk per second,
    # wn = (q/r)^(1/4) and the flow's standard deviation is sqrt(sqrt(2) wn^3 r). Continuous; dt wn is 0.01 here.
    params, dt_s = replace(PARAMS, mass_noise_kg=0.05, mass_filter_s=0.0), 0.04
    state = new_weighing(params)
    state, *_ = weigh(state, params, 240.0, 0.0, None, dt_s)
    for _ in range(8000):
        expected = state.mass_kg - state.factor_kg_rev * speed_rev_s * dt_s
        # A weight just as expected: the variances go their own way, and the learned noise to its lower limit.
        state, flow, _ = weigh(state, params, expected, speed_rev_s, None, dt_s)
    r = state.noise_kg**2 * dt_s
    q = (params.factor_drift_per_s * state.factor_kg_rev * speed_rev_s) ** 2
    wn = (q / r) ** 0.25
    assert flow.uncertainty_kg_s == pytest.approx(sqrt(sqrt(2.0) * wn**3 * r), rel=0.05)
    # Its gain on the flow is wn^2 dt, on the mass sqrt(2) wn dt.
    assert state.var_mm / (state.var_mm + state.noise_kg**2) == pytest.approx(sqrt(2.0) * wn * dt_s, rel=0.05)


def by_tracking_index(index: float) -> tuple[float, float]:
    """Return the steady gains (alpha, beta) of a filter on position and speed.

    P. R. Kalata, "The tracking index", 1984 (from memory; the paper was not read): with an acceleration of standard
    deviation sw that stays for one period T, and readings with sv, they depend on sw T^2 / sv alone.
    """
    r = (4.0 + index - sqrt(8.0 * index + index * index)) / 4.0
    return 1.0 - r * r, 2.0 * (1.0 + r * r) - 4.0 * r


@pytest.mark.parametrize("index", [0.01, 0.1])
def test_gains_at_a_tracking_index(index: float) -> None:
    assert by_tracking_index(1.0) == pytest.approx((0.75, 0.50), abs=1e-12)
    assert by_tracking_index(0.1) == pytest.approx((0.36, 0.08), abs=1e-12)
    speed_rev_s, dt_s, noise_kg = 0.5, 0.2, 0.025
    walk_kg_s = index * noise_kg / dt_s  # of the flow, in one period
    params = replace(
        PARAMS, mass_noise_kg=2.0 * noise_kg, mass_filter_s=0.0,
        factor_drift_per_s=walk_kg_s / (sqrt(dt_s) * PARAMS.feed_factor_kg_rev * speed_rev_s),
    )  # fmt: skip
    state = new_weighing(params)
    state, *_ = weigh(state, params, 240.0, 0.0, None, dt_s)
    for _ in range(6000):
        expected = state.mass_kg - state.factor_kg_rev * speed_rev_s * dt_s
        state, *_ = weigh(state, params, expected, speed_rev_s, None, dt_s)
    assert state.noise_kg == noise_kg  # learned, down to its lower limit
    # After a weight the content's variance over the reading's is the gain itself. Here the flow steps at the end of a
    # period and not through it, which takes half of beta off alpha: so much is allowed, and it vanishes with the index.
    alpha, beta = by_tracking_index(index)
    assert state.var_mm / noise_kg**2 == pytest.approx(alpha, abs=0.55 * beta)
    assert -state.var_mf / noise_kg**2 * speed_rev_s * dt_s == pytest.approx(beta, rel=0.02 + index / 2.0)
