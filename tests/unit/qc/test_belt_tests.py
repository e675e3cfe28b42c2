"""Belt tests: whole revolutions, what weights stand for, the span's factor, and what cannot be corrected."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from crumbmeter.qc.belt_tests import (
    adjustment,
    correction,
    revolutions,
    simulated_trial,
    weights_load_kg_m,
    whole_revolutions_s,
    zero_trial,
)
from crumbmeter.qc.calibrations import Trial


def test_a_test_ends_with_the_seam_where_it_began() -> None:
    assert whole_revolutions_s(600.0, 1.5, 45.0) == 600.0  # twenty turns of 30 s
    assert whole_revolutions_s(601.0, 1.5, 45.0) == 630.0
    assert whole_revolutions_s(1.0, 1.5, 45.0) == 30.0
    assert revolutions(630.0, 1.5, 45.0) == pytest.approx(21.0)


def test_a_zero_that_loses_is_as_far_off_as_one_that_gains() -> None:
    assert zero_trial(100.0, 600.0, 36.0).error_percent == pytest.approx(0.06)
    assert zero_trial(100.0, 600.0, -36.0).error_percent == pytest.approx(-0.06)


def test_weights_stand_for_a_load_over_their_span() -> None:
    load = weights_load_kg_m(60.0, 2.4)
    assert load == pytest.approx(25.0)
    trial = simulated_trial(load, 3 * 45.0, 3400.0)
    assert (trial.base_kg, trial.error_kg) == pytest.approx((3375.0, 25.0))


def test_a_scale_that_shows_too_much_gets_a_smaller_span() -> None:
    found = correction([Trial(10_000.0, 100.0), Trial(10_000.0, 300.0)])
    assert found.factor == pytest.approx(20_000.0 / 20_400.0)
    assert found.error_percent == pytest.approx(2.0)
    assert found.spread_percent == pytest.approx(2.0)
    assert correction([Trial(10_000.0, 100.0)]).spread_percent is None


@pytest.mark.parametrize("trials", [[], [Trial(100.0, -100.0)], [Trial(100.0, -150.0)]])
def test_a_scale_that_shows_nothing_is_not_corrected(trials: list[Trial]) -> None:
    with pytest.raises(ValueError, match="nothing was indicated"):
        correction(trials)


def test_bands_of_adjustment_end_at_their_limits() -> None:
    assert [adjustment(error) for error in (0.25, -0.26, 0.6, 0.61, 0.75, -0.76)] == [
        "leave it", "adjust it and notify", "adjust it and notify", "a service person adjusts it",
        "a service person adjusts it", "an official test",
    ]  # fmt: skip


loads = st.floats(100.0, 1e5)
trials_ = st.lists(st.builds(Trial, loads, st.floats(-90.0, 90.0)), min_size=1, max_size=8)


@given(trials_, st.floats(0.01, 100.0))
def test_the_factor_knows_no_unit_and_no_order(trials: list[Trial], scale: float) -> None:
    scaled = [Trial(scale * one.base_kg, scale * one.error_kg) for one in reversed(trials)]
    assert correction(scaled).factor == pytest.approx(correction(trials).factor)
    assert correction(scaled).error_percent == pytest.approx(correction(trials).error_percent, abs=1e-9)


@given(trials_)
def test_with_the_new_span_nothing_is_left_of_the_error(trials: list[Trial]) -> None:
    factor = correction(trials).factor
    after = [Trial(one.base_kg, (one.base_kg + one.error_kg) * factor - one.base_kg) for one in trials]
    assert correction(after).error_percent == pytest.approx(0.0, abs=1e-9)
