"""Laws of the learned line for any readings: finite, bounded, a variance matrix still; never far from its reference."""

import math
from random import Random

from hypothesis import given
from hypothesis import strategies as st

from crumbmeter.estimation.line_curve import (
    BASE_WALK,
    LEARNED_S,
    UNKNOWN_BASE,
    UNKNOWN_SLOPE,
    LineCurve,
    expected,
    expected_long,
    learned,
    opened,
    tells_rubber,
)

readings = st.lists(
    st.tuples(
        st.one_of(st.just(0.0), st.floats(0.0, 50.0)),
        st.floats(-1e5, 1e6),
        st.floats(1e-3, 30.0),
        st.integers(1, 60),
        st.booleans(),
    ),
    max_size=30,
)


@given(readings)
def test_whatever_is_read_the_curve_stays_a_curve(taught: list[tuple[float, float, float, int, bool]]) -> None:
    curve = LineCurve()
    for load_kg, pressure_pa, dt_s, times, after_pause in taught:
        curve = opened(curve) if after_pause else curve
        for _ in range(times):
            curve = learned(curve, load_kg, pressure_pa, dt_s)
        for value in (
            curve.base_pa,
            curve.slope_pa_kg,
            curve.spread_pa,
            curve.wander_pa,
            expected_long(curve, load_kg),
        ):
            assert math.isfinite(value)
            assert value >= 0.0
        assert 0.0 < curve.var_bb <= UNKNOWN_BASE
        assert 0.0 < curve.var_ss <= UNKNOWN_SLOPE
        assert curve.var_bs**2 <= curve.var_bb * curve.var_ss * (1.0 + 1e-9)
        foretold = expected(curve, load_kg)
        assert foretold.spread_pa >= max(curve.spread_pa, curve.wander_pa)
        assert isinstance(tells_rubber(curve), bool)
        if curve.fed_s > LEARNED_S + dt_s:
            near = BASE_WALK * curve.reference_base_pa * (1.0 + 1e-9) + 1e-6
            assert abs(curve.base_pa - curve.reference_base_pa) <= near


@given(
    st.floats(500.0, 30_000.0),
    st.floats(0.0, 5_000.0),
    st.floats(0.0, 0.02),
    st.randoms(use_true_random=False),
    st.floats(0.0, 0.05),
    st.floats(0.2, 6.0),
    st.integers(1, 240),
)
def test_what_a_first_feed_foretells_stays_near_what_it_read(
    base_pa: float, slope_pa_kg: float, noise: float, chance: Random, rise: float, first_kg: float, times: int
) -> None:
    """Any line that rubber loads, at any loading, steady or rising, from the very first reading on."""
    curve, read_pa, load_kg = LineCurve(), [], first_kg
    for _ in range(times):
        off = max(-3.0, min(3.0, chance.gauss(0.0, 1.0)))
        read_pa.append((base_pa + slope_pa_kg * load_kg) * (1.0 + noise * off))
        curve = learned(curve, load_kg, read_pa[-1], 1.0)
        assert 0.5 * min(read_pa) <= expected(curve, load_kg).pressure_pa <= 1.5 * max(read_pa)
        load_kg = min(8.0, load_kg * (1.0 + rise))
