"""The live dose with its uncertainty: by tons of mix, anew for another mix, from nothing but booked parcels."""

from dataclasses import replace
from math import sqrt

import pytest

from crumbmeter.control.proving import ProvingState, prove, water_of
from crumbmeter.estimation.budget import Shift, Water, causes_of, dose_budget
from crumbmeter.estimation.params import UncertaintyParams, Within
from crumbmeter.model.parcel import Parcel
from crumbmeter.model.quality import Quality
from crumbmeter.model.view import DoseView
from crumbmeter.process.dose import Mix
from crumbmeter.process.params import DoseBasis
from tests.cores import Bench, make_params
from tests.unit.control.parcels import parcel

STATED = UncertaintyParams(
    hopper_scale=Within(0.005, stated=True),
    aggregate_scale=Within(0.01, stated=True),
    aggregate_moisture=Within(0.005, stated=True),
    recycle_scale=Within(0.01, stated=True),
    recycle_moisture=Within(0.01, stated=True),
    recycle_binder=Within(0.005, stated=True),
    binder_meter=Within(0.01, stated=True),
    travel_s=Within(5.0, stated=True),
)
PARAMS = replace(make_params(), uncertainty=replace(STATED, window_kg=1000.0))
WATER = tuple(stream.moisture for stream in PARAMS.streams)


def booked(*parcels: Parcel, state: ProvingState | None = None) -> ProvingState:
    state = state or ProvingState()
    for one in parcels:
        state = prove(state, one, PARAMS, WATER)
    return state


def shown(state: ProvingState) -> DoseView:
    assert state.shown is not None
    return state.shown


def test_the_window_s_dose_is_that_of_its_sums() -> None:
    # Five parcels of 250 kg: the newest four are the window of 1000 kg.
    state = booked(*(parcel(rubber_g=grams) for grams in (9999, 1200, 1300, 1250, 1250)))
    view = shown(state)
    assert len(state.parts) == 4
    assert view.mix_kg == 1000.0
    assert view.dose == pytest.approx(0.005)
    assert (view.basis, view.quality, view.assumed) == ("total_mix", Quality.GOOD, ())
    assert view.coverage == pytest.approx(2.0)


def test_its_uncertainty_is_that_of_the_budget() -> None:
    view = shown(booked(*(parcel() for _ in range(4))))
    one = parcel()
    masses = [
        4 * grams / 1000.0 for grams in (one.dry_aggregate_g, one.recycle_g, one.recycle_binder_g, one.virgin_binder_g)
    ]
    mix = Mix(*masses)
    causes = causes_of(PARAMS.uncertainty, 5.0, 0.02, mix, water_of(PARAMS, WATER), Shift())
    budget = dose_budget(DoseBasis.TOTAL_MIX, 5.0, mix, causes)
    assert budget is not None
    assert view.expanded == pytest.approx(budget.expanded)
    assert view.largest == budget.components[0].name


def test_a_change_of_rate_between_the_ends_makes_it_less_certain() -> None:
    steady = shown(booked(*(parcel() for _ in range(4))))
    faster = replace(parcel(), ended_s=2.0)
    stepped = shown(booked(parcel(), parcel(), faster, faster))
    # Derived: 0.3125 kg/s more at the end, wrong by 5 s / sqrt(3), of 5 kg of rubber.
    relative = 0.3125 * 5.0 / sqrt(3.0) / 5.0
    assert stepped.largest == "travel"
    assert stepped.expanded**2 - steady.expanded**2 == pytest.approx((2.0 * 0.995 * relative * 0.005) ** 2, rel=1e-3)


def test_another_mix_begins_anew() -> None:
    before = booked(*(parcel() for _ in range(4)))
    after = booked(replace(parcel(), mix_id="other", dose_basis="total_binder"), state=before)
    assert (after.mix_id, len(after.parts)) == ("other", 1)
    assert shown(after).basis == "total_binder"
    assert shown(after).dose == pytest.approx(1.25 / (parcel().virgin_binder_g + parcel().recycle_binder_g) * 1000.0)


def test_mix_without_rubber_has_no_dose() -> None:
    plain = parcel(rubber_g=0, target_g=0)
    assert booked(plain) == ProvingState()
    assert booked(parcel(), plain) == ProvingState()


def test_mix_that_should_have_rubber_and_has_none_counts() -> None:
    assert shown(booked(parcel(), parcel(rubber_g=0))).dose == pytest.approx(1.25 / 500.0)


def test_the_worst_quality_in_the_window_is_said() -> None:
    state = booked(replace(parcel(), quality=Quality.BAD), *(parcel() for _ in range(3)))
    assert shown(state).quality is Quality.BAD
    assert shown(booked(parcel(), state=state)).quality is Quality.GOOD


def test_sums_never_drift() -> None:
    state = booked(*(parcel(rubber_g=1000 + 7 * number % 500) for number in range(300)))
    assert state.sums == tuple(sum(part.grams[place] for part in state.parts) for place in range(len(state.sums)))
    assert state.sums[0] < 1_000_000 + 250_000


def test_the_least_water_of_a_kind_counts() -> None:
    streams = PARAMS.streams
    twice = replace(PARAMS, streams=(*streams, streams[0]))
    assert water_of(twice, (0.04, 0.03, 0.0, 0.02)) == Water(0.02, 0.03)
    assert water_of(replace(PARAMS, streams=streams[2:]), (0.0,)) == Water()


def test_a_scan_without_a_parcel_computes_nothing() -> None:
    bench = Bench(replace(make_params(), uncertainty=replace(STATED, window_kg=2000.0)))
    bench.enable_and_start()
    bench.run_obeying(240.0)
    before = None
    for result in bench.results:
        if not result.parcels:
            assert result.state.proving is before or before is None
        before = result.state.proving
    view = bench.results[-1].view.proven
    assert view is not None
    assert view == bench.state.proving.shown
    assert 2000.0 <= view.mix_kg < 2300.0
    assert view.dose == pytest.approx(bench.results[-1].view.dose_target, rel=0.05)
    assert 0.0 < view.expanded < 0.05 * view.dose
