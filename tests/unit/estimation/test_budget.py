"""The dose's uncertainty: analytic sensitivities against differences and against drawn samples, in every basis."""

import random
from dataclasses import replace
from math import inf, sqrt

import pytest

from crumbmeter.estimation.budget import (
    ONE_ERROR_S,
    ONE_REFILL_S,
    Cause,
    Shift,
    Water,
    causes_of,
    dose_budget,
    steady_weighing,
    weighing_uncertainty,
)
from crumbmeter.estimation.gum import ASSUMED_DEGREES
from crumbmeter.estimation.params import UncertaintyParams, WeighingParams, Within
from crumbmeter.estimation.weighing import new_weighing, weigh
from crumbmeter.process.dose import Mix, dose_of
from crumbmeter.process.params import DoseBasis

MIX = Mix(dry_aggregate=15_000.0, recycle=4_000.0, recycle_binder=200.0, virgin_binder=900.0)
RUBBER = 100.0
PARAMS = UncertaintyParams(
    hopper_scale=Within(0.005, stated=True),
    aggregate_scale=Within(0.01, stated=True),
    travel_s=Within(5.0, stated=True),
)
WATER = Water(0.04, 0.03)
SHIFT = Shift(0.30, 0.36)


@pytest.mark.parametrize("basis", DoseBasis)
def test_sensitivities_are_the_slopes_of_the_dose(basis: DoseBasis) -> None:
    for cause in causes_of(PARAMS, RUBBER, 0.6, MIX, WATER, SHIFT):
        budget = dose_budget(basis, RUBBER, MIX, (cause,))
        assert budget is not None
        shifted = [
            dose_of(basis, RUBBER + sign * 0.01 * cause.rubber, _moved(MIX, cause.mix, sign * 0.01)) for sign in (1, -1)
        ]
        assert shifted[0] is not None
        assert shifted[1] is not None
        slope = (shifted[0] - shifted[1]) / 0.02
        assert budget.components[0].contribution == pytest.approx(slope, rel=1e-4, abs=1e-12), cause.name


def _moved(mix: Mix, by: Mix, share: float) -> Mix:
    return Mix(
        mix.dry_aggregate + share * by.dry_aggregate,
        mix.recycle + share * by.recycle,
        mix.recycle_binder + share * by.recycle_binder,
        mix.virgin_binder + share * by.virgin_binder,
    )


@pytest.mark.parametrize("basis", DoseBasis)
def test_agrees_with_drawn_samples(basis: DoseBasis) -> None:
    """Draw the inputs themselves (JCGM 101), through the arithmetic that makes a dose of what scales indicate."""
    draws, count = random.Random(4711), 20_000
    wide = UncertaintyParams(aggregate_moisture=Within(0.01), recycle_binder=Within(0.01))
    budget = dose_budget(basis, RUBBER, MIX, causes_of(wide, RUBBER, 0.8, MIX, WATER, SHIFT))
    assert budget is not None
    wet, wet_recycle = MIX.dry_aggregate * 1.04, MIX.recycle * 1.03

    def within(width: Within) -> float:
        return draws.uniform(-width.half_width, width.half_width)

    doses = []
    for _ in range(count):
        rubber = RUBBER * (1.0 + within(wide.hopper_scale)) + draws.gauss(0.0, 0.8)
        rubber += SHIFT.kg_per_s * within(wide.travel_s)
        dry = wet * (1.0 + within(wide.aggregate_scale)) / (1.04 + within(wide.aggregate_moisture))
        recycle = wet_recycle * (1.0 + within(wide.recycle_scale)) / (1.03 + within(wide.recycle_moisture))
        binder = recycle * (0.05 + within(wide.recycle_binder))
        virgin = MIX.virgin_binder * (1.0 + within(wide.binder_meter))
        doses.append(dose_of(basis, rubber, Mix(dry, recycle, binder, virgin)) or 0.0)
    mean = sum(doses) / count
    deviation = sqrt(sum((dose - mean) ** 2 for dose in doses) / (count - 1))
    # A standard deviation of 20 000 draws is itself good to 0.5 %; what is left is the law's first order.
    assert budget.standard == pytest.approx(deviation, rel=0.02)
    assert budget.value == pytest.approx(mean, rel=2e-3)
    inside = sum(abs(dose - budget.value) <= budget.expanded for dose in doses) / count
    assert inside > 0.94


def test_the_hopper_s_span_goes_straight_into_the_dose() -> None:
    # Derived: one scale weighs all rubber, so its span is a relative error of the whole, whatever the tons.
    only = (causes_of(PARAMS, RUBBER, 0.0, MIX, WATER, Shift())[1],)
    budget = dose_budget(DoseBasis.ADDED_TO_MIX, RUBBER, MIX, only)
    assert budget is not None
    assert budget.standard / budget.value == pytest.approx(0.005 / sqrt(3.0))


def test_a_wrong_travel_costs_nothing_where_the_rate_is_the_same_at_both_ends() -> None:
    steady = causes_of(PARAMS, RUBBER, 0.0, MIX, WATER, Shift(0.3, 0.3))[-1]
    assert (steady.name, steady.rubber) == ("travel", 0.0)
    # computation.md, section 6: r |dQ| e over the window's rubber; here 0.06 kg/s x 5 s / sqrt(3) of 100 kg.
    stepped = causes_of(PARAMS, RUBBER, 0.0, MIX, WATER, SHIFT)[-1]
    assert stepped.rubber == pytest.approx(0.06 * 5.0 / sqrt(3.0))


def test_what_is_assumed_is_said_and_widens_the_coverage() -> None:
    causes = causes_of(PARAMS, RUBBER, 0.6, MIX, WATER, SHIFT)
    assert {cause.degrees for cause in causes if not cause.stated} == {ASSUMED_DEGREES}
    assert {cause.degrees for cause in causes if cause.stated} == {inf}
    budget = dose_budget(DoseBasis.TOTAL_MIX, RUBBER, MIX, causes)
    assert budget is not None
    assert set(budget.assumed) == {"aggregate moisture", "recycle scale", "recycle moisture", "binder meter"}
    assert budget.coverage == pytest.approx(2.0)  # what is stated weighs most
    nothing_stated = causes_of(UncertaintyParams(), RUBBER, 0.6, MIX, WATER, SHIFT)
    assumed = dose_budget(DoseBasis.TOTAL_MIX, RUBBER, MIX, nothing_stated)
    assert assumed is not None
    assert assumed.coverage > 2.1
    stated = dose_budget(DoseBasis.TOTAL_MIX, RUBBER, MIX, [replace(cause, degrees=inf) for cause in nothing_stated])
    assert stated is not None
    assert stated.coverage == pytest.approx(2.0)


def test_without_a_base_there_is_no_dose() -> None:
    assert dose_budget(DoseBasis.VIRGIN_BINDER, 1.0, Mix(dry_aggregate=5.0), (Cause("weighing", 0.1),)) is None


def test_steady_weighing_is_what_the_filter_comes_to() -> None:
    params = WeighingParams(
        hopper_mass=0, auger_speed=1, refilling=None, feed_factor_kg_rev=0.9, feed_factor_low_kg_rev=0.45,
        feed_factor_high_kg_rev=1.35, mass_noise_kg=0.09, factor_drift_per_s=0.002, settle_after_refill_s=3.0,
        max_refill_s=60.0, low_mass_kg=0.0, full_mass_kg=250.0,
    )  # fmt: skip
    state, period_s = new_weighing(params), 0.1
    state, *_ = weigh(state, params, 240.0, 0.0, None, period_s)
    for _ in range(6000):
        expected = state.mass_kg - state.factor_kg_rev * 0.35 * period_s
        state, flow, _ = weigh(state, params, expected, 0.35, None, period_s)
    foreseen = steady_weighing(state.factor_kg_rev * 0.35, params.factor_drift_per_s, state.noise_kg, period_s)
    assert flow.uncertainty_kg_s == pytest.approx(foreseen, rel=0.05)


def test_errors_of_the_estimator_add_up_for_a_minute_and_then_begin_anew() -> None:
    parcels = [(float(second), 0.1) for second in range(0, 3600, 10)]
    assert weighing_uncertainty(parcels) == pytest.approx(sqrt(60.0) * 6 * 0.1)
    assert weighing_uncertainty(parcels, ONE_REFILL_S) == pytest.approx(sqrt(6.0) * 60 * 0.1)
    assert weighing_uncertainty(parcels[:6]) == pytest.approx(0.6)
    assert weighing_uncertainty([]) == 0.0


def test_the_filter_s_error_over_a_window_is_no_larger_than_that() -> None:
    """The filter against a factor that walks and a weight that is noisy, as its model says: windows of five minutes."""
    draws, period_s, speed, windows = random.Random(20), 0.2, 0.35, 60
    params = WeighingParams(
        hopper_mass=0, auger_speed=1, refilling=None, feed_factor_kg_rev=0.9, feed_factor_low_kg_rev=0.3,
        feed_factor_high_kg_rev=2.0, mass_noise_kg=0.09, factor_drift_per_s=0.002, settle_after_refill_s=3.0,
        max_refill_s=60.0, low_mass_kg=-1e6, full_mass_kg=1e6,
    )  # fmt: skip
    state, factor, mass = new_weighing(params), 0.9, 240.0
    errors, stated, scans = [], [], round(300.0 / period_s)
    for _ in range(windows):
        fed = said = 0.0
        parts: list[tuple[float, float]] = []
        for scan in range(scans):
            factor += 0.9 * 0.002 * sqrt(period_s) * draws.gauss(0.0, 1.0) - 0.0002 * (factor - 0.9)
            fed += factor * speed * period_s
            mass -= factor * speed * period_s
            state, flow, _ = weigh(state, params, mass + draws.gauss(0.0, 0.09), speed, None, period_s)
            said += flow.fed_kg
            parts.append((scan * period_s, flow.fed_uncertainty_kg))
        errors.append(said - fed)
        stated.append(weighing_uncertainty(parts))
    error = sqrt(sum(one * one for one in errors[1:]) / (windows - 1))
    claimed = sqrt(sum(one * one for one in stated[1:]) / (windows - 1))
    assert error < claimed
    assert claimed < sum(part for _, part in parts)  # far less than one error through the whole window
    assert ONE_ERROR_S < 300.0
