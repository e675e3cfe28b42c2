"""Mix through the drum's outlet: parcels in whole grams, what rounding leaves, which mix governs, the worst counts."""

from dataclasses import replace
from typing import Any

import pytest

from crumbmeter.control.outlet import (
    NOTHING,
    PARTS,
    Marks,
    Masses,
    OutletState,
    mix_changed,
    new_outlet,
    pass_through,
)  # fmt: skip
from crumbmeter.model.parcel import Parcel
from crumbmeter.model.quality import Quality
from crumbmeter.process.params import DoseBasis, DrumParams, MixParams

DRUM = DrumParams(turning=0, speed=None, nominal_speed_rev_s=0.15, outlet_residence_s=10.0, outlet_stages=2)
DIRECT = replace(DRUM, outlet_residence_s=1e-300)
"""A drum that holds nothing: what enters leaves in the same scan."""
SURFACE = MixParams("surface", "Surface", DoseBasis.TOTAL_MIX, 0.005, 0.05, None)
BASE = MixParams("base", "Base", DoseBasis.TOTAL_BINDER, 0.1, 0.04, None)
MARKS = Marks(
    now_s=10.0, mix=SURFACE, older=BASE, quality=Quality.GOOD, run_state="feeding", state_rank=1, controlled=True,
    simulated=False,
)  # fmt: skip
SCAN: Masses = (7.0, 2.0, 0.125, 0.4375, 0.0625, 0.0546875, 0.0009765625, 9.5)
"""Dry aggregate, recycle, its binder, virgin binder, rubber, rubber wanted, uncertainty, newest mix. Exact floats."""


def drive(
    state: OutletState, entering: Masses, scans: int, drum: DrumParams = DIRECT, parcel_kg: float = 95.0, **marks: Any
) -> tuple[OutletState, list[Parcel], list[float]]:
    """Pass the same masses through for some scans of a second."""
    parcels, bases = [], []
    for scan in range(scans):
        now = replace(MARKS, now_s=10.0 + scan, **marks)
        state, parcel, base_g = pass_through(state, drum, entering, 1.0, now, parcel_kg, 1.0)
        if parcel is not None:
            parcels.append(parcel)
            bases.append(base_g)
        else:
            assert base_g == 0.0
    return state, parcels, bases


def test_a_new_drum_is_empty() -> None:
    fresh = new_outlet(replace(DRUM, outlet_stages=3), "surface")
    assert fresh == OutletState(stages=((0.0, 0.0, 0.0),) * PARTS, older_mix="surface")
    assert NOTHING == (0.0,) * PARTS
    assert (fresh.forming, fresh.began_s, fresh.next_number, fresh.quality) == (NOTHING, 0.0, 1, Quality.GOOD)
    assert (fresh.worst_state, fresh.worst_rank, fresh.controlled) == ("", 0, True)


def test_a_parcel_is_full_when_mix_and_rubber_reach_its_size() -> None:
    # 9.5 kg a scan (the binder in the recycle, wanted and uncertainty are no mass of their own): ten scans are 95 kg.
    state, parcels, bases = drive(new_outlet(DIRECT, "surface"), SCAN, 10)
    assert len(parcels) == 1
    assert drive(new_outlet(DIRECT, "surface"), SCAN, 9)[1] == []
    made = parcels[0]
    assert made == Parcel(
        number=1, began_s=10.0, ended_s=19.0, mix_id="surface", dose_basis="total_mix", dose_target=0.005,
        target_rubber_g=546, rubber_g=625, rubber_uncertainty_g=9, dry_aggregate_g=70_000, recycle_g=20_000,
        recycle_binder_g=1250, virgin_binder_g=4375, quality=Quality.GOOD, worst_state="feeding", controlled=True,
        simulated=False,
    )  # fmt: skip
    assert bases == [94_375.0]
    assert state.forming == pytest.approx((0.0, 0.0, 0.0, 0.0, 0.0, 0.000875, 0.000765625, 0.0), abs=1e-12)
    assert (state.next_number, state.began_s, state.worst_state) == (2, 19.0, "")


def test_what_rounding_leaves_goes_into_the_next_parcel() -> None:
    thirds: Masses = (100.0 / 3.0, 0.0, 0.0, 0.0, 0.1 / 3.0, 0.1 / 3.0, 0.001 / 3.0, 100.0 / 3.0)
    state, parcels, _ = drive(new_outlet(DIRECT, "surface"), thirds, 3000, parcel_kg=33.0)
    assert len(parcels) == 3000
    assert sum(parcel.dry_aggregate_g for parcel in parcels) == pytest.approx(100e6, abs=1.5)
    assert sum(parcel.rubber_g for parcel in parcels) == pytest.approx(100e3, abs=1.5)
    assert sum(parcel.target_rubber_g for parcel in parcels) == pytest.approx(100e3, abs=1.5)
    assert sum(parcel.rubber_uncertainty_g for parcel in parcels) == pytest.approx(1000, abs=1.5)
    assert all(0.0 <= left < 0.001001 for left in state.forming)


def test_a_parcel_never_holds_less_than_nothing() -> None:
    _, parcels, _ = drive(new_outlet(DIRECT, "surface"), (100.0, 0.0, 0.0, 0.0, -0.5, 0.5, 0.0, 100.0), 1)
    assert parcels[0].rubber_g == 0


def test_numbers_and_times_go_on() -> None:
    _, parcels, _ = drive(new_outlet(DIRECT, "surface"), SCAN, 35)
    assert [parcel.number for parcel in parcels] == [1, 2, 3]
    assert [(parcel.began_s, parcel.ended_s) for parcel in parcels] == [(10.0, 19.0), (20.0, 29.0), (30.0, 39.0)]


def test_mass_waits_in_the_drum_and_in_the_forming_parcel() -> None:
    state, parcels, _ = drive(new_outlet(DRUM, "surface"), SCAN, 60, DRUM)
    inside = [sum(state.stages[part]) + state.forming[part] for part in range(PARTS)]
    booked = [sum(parcel.dry_aggregate_g for parcel in parcels), sum(parcel.rubber_g for parcel in parcels)]
    assert inside[0] + booked[0] / 1000.0 == pytest.approx(7.0 * 60, rel=1e-9)
    assert inside[4] + booked[1] / 1000.0 == pytest.approx(0.0625 * 60, rel=1e-9)
    # Two stages of five seconds hold about ten seconds' worth.
    assert sum(state.stages[0]) == pytest.approx(70.0, rel=0.01)


def test_a_drum_that_stands_lets_nothing_out() -> None:
    filled, _, _ = drive(new_outlet(DRUM, "surface"), SCAN, 30, DRUM)
    state = filled
    for _ in range(100):
        state, parcel, _ = pass_through(state, DRUM, NOTHING, 0.0, MARKS, 95.0, 1.0)
        assert parcel is None
    assert state.stages == filled.stages
    assert state.forming == filled.forming


@pytest.mark.parametrize(
    ("newest_kg", "governs"), [(95.0, "surface"), (47.6, "surface"), (47.5, "surface"), (47.4, "base"), (0.0, "base")]
)
def test_the_mix_with_most_of_it_governs_a_parcel(newest_kg: float, governs: str) -> None:
    entering: Masses = (70.0, 20.0, 1.0, 4.5, 0.5, 0.475, 0.01, newest_kg)
    _, parcels, bases = drive(new_outlet(DIRECT, "base"), entering, 1, parcel_kg=94.0)
    mix = SURFACE if governs == "surface" else BASE
    assert (parcels[0].mix_id, parcels[0].dose_basis, parcels[0].dose_target) == (governs, mix.dose_basis, mix.dose)
    assert bases == pytest.approx([94_500.0 if governs == "surface" else 5_500.0])


def test_after_a_change_of_mix_the_drum_still_holds_the_older_one() -> None:
    before, _, _ = drive(new_outlet(DRUM, "base"), SCAN, 45, DRUM, mix=BASE, older=BASE)
    changed = mix_changed(before, "base")
    assert changed.older_mix == "base"
    assert changed.stages[:7] == before.stages[:7]
    assert (*changed.stages[7], changed.forming[7]) == (0.0,) * 3
    assert replace(changed, stages=(), forming=NOTHING) == replace(before, stages=(), forming=NOTHING)
    assert changed.forming[:7] == before.forming[:7]
    _, parcels, _ = drive(changed, SCAN, 60, DRUM)
    ids = [parcel.mix_id for parcel in parcels]
    assert ids[0] == "base"
    assert ids[-1] == "surface"
    assert ids == sorted(ids)


def test_a_parcel_carries_the_worst_that_went_into_it() -> None:
    state = new_outlet(DIRECT, "surface")
    for quality, run_state, rank, controlled in (
        (Quality.GOOD, "feeding", 1, True),
        (Quality.BAD, "stopped", 10, False),
        (Quality.UNCERTAIN, "ready", 3, True),
    ):
        state, _, _ = drive(
            state, SCAN, 1, quality=quality, run_state=run_state, state_rank=rank, controlled=controlled
        )
        assert state.worst_rank == (1 if run_state == "feeding" else 10)
    _, parcels, _ = drive(state, SCAN, 7)
    assert (parcels[0].quality, parcels[0].worst_state, parcels[0].controlled) == (Quality.BAD, "stopped", False)


def test_the_next_parcel_begins_with_a_clean_slate() -> None:
    state, parcels, _ = drive(
        new_outlet(DIRECT, "surface"), SCAN, 10, quality=Quality.BAD, run_state="stopped",
        state_rank=10, controlled=False,
    )  # fmt: skip
    assert parcels[0].worst_state == "stopped"
    state, parcels, _ = drive(state, SCAN, 10)
    assert (parcels[0].quality, parcels[0].worst_state, parcels[0].controlled) == (Quality.GOOD, "feeding", True)


def test_of_two_states_equally_bad_the_first_stands() -> None:
    state, _, _ = drive(new_outlet(DIRECT, "surface"), SCAN, 1, run_state="ready", state_rank=3)
    state, _, _ = drive(state, SCAN, 1, run_state="other", state_rank=3)
    assert state.worst_state == "ready"


def test_a_simulated_parcel_says_so() -> None:
    _, parcels, _ = drive(new_outlet(DIRECT, "surface"), SCAN, 11, simulated=True)
    assert parcels[0].simulated
