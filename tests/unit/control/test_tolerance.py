"""Bands with their deadband, the window of mix, the window of time with its doubt, and the job's total."""

from dataclasses import replace

import pytest

from crumbmeter.control.params import ToleranceParams
from crumbmeter.control.tolerance import (
    BUCKETS,
    ToleranceState,
    WindowPart,
    add_feed,
    add_parcels,
    band_level,
    feed_error,
    judge_total,
    window_error,
)
from tests.cores import make_params
from tests.unit.control.parcels import parcel

BANDS = ToleranceParams(
    window_kg=1000.0, window_s=60.0, warn=0.05, alarm=0.1, deadband=0.01, total=0.02, total_from_kg=100.0
)
PART_S = 60.0 / BUCKETS


@pytest.mark.parametrize(
    ("error", "before", "after"),
    [
        (0.05, 0, 0), (0.0501, 0, 1), (-0.0501, 0, 1), (0.1, 0, 1), (0.1001, 0, 2), (-0.1001, 0, 2),
        # Coming back: a level holds until the error is inside its band by the deadband.
        (0.0401, 1, 1), (0.0399, 1, 0), (-0.0401, 1, 1), (0.0901, 2, 2), (0.0899, 2, 1), (-0.0901, 2, 2),
        (0.0401, 2, 1), (0.0399, 2, 0), (0.0901, 1, 1), (0.0401, 0, 0), (0.0, 2, 0),
    ],
)  # fmt: skip
def test_bands(error: float, before: int, after: int) -> None:
    assert band_level(error, before, BANDS) == after


@pytest.mark.parametrize(("before", "edge"), [(1, 0.03125), (2, 0.09375)])
def test_the_edge_of_the_deadband_counts_as_inside(before: int, edge: float) -> None:
    bands = replace(BANDS, warn=0.0625, alarm=0.125, deadband=0.03125)  # exact in binary
    assert band_level(edge, before, bands) == before - 1


def window(*rubber_g: int, target_g: int = 1250, state: ToleranceState | None = None) -> ToleranceState:
    state = state or ToleranceState()
    for rubber in rubber_g:
        state = add_parcels(state, ((parcel(rubber_g=rubber, target_g=target_g), 248_750.0),), BANDS)
    return state


def test_a_window_is_judged_once_it_is_full() -> None:
    # Parcels of 250 kg each: four make the 1000 kg. Ten per cent too little is no alarm yet after three.
    three = window(1100, 1100, 1100)
    assert three.dose_level == 0
    assert len(three.parts) == 3
    four = window(1100, state=three)
    assert four.dose_level == 2
    assert window_error(four.parts) == pytest.approx(-0.12)


def test_the_window_slides() -> None:
    state = window(1100, 1100, 1100, 1100, 1250, 1250, 1250, 1250)
    # Never less than the window: a part goes only while the rest still fills it.
    assert [part.rubber_g for part in state.parts] == [1250, 1250, 1250, 1250]
    assert state.dose_level == 0
    assert sum(part.mix_g for part in state.parts) >= 1_000_000
    assert state.parts[0] == WindowPart(250_000, 1250, 1250, 248_750.0)


def test_the_window_keeps_what_it_needs_to_be_full() -> None:
    state = add_parcels(window(1250, 1250, 1250), ((parcel(mix_g=600_000, rubber_g=3000, target_g=3000), 1.0),), BANDS)
    # 250 + 250 + 600 are the least that make 1000 kg.
    assert [part.mix_g for part in state.parts] == [250_000, 250_000, 600_000]


def test_the_oldest_part_goes_first_whatever_its_size() -> None:
    small, large = (
        parcel(mix_g=100_000, rubber_g=500, target_g=500),
        parcel(mix_g=1_200_000, rubber_g=6000, target_g=6000),
    )
    state = add_parcels(ToleranceState(), ((small, 1.0), (large, 1.0)), BANDS)
    assert [part.mix_g for part in state.parts] == [1_200_000]
    state = add_parcels(ToleranceState(), ((large, 1.0), (small, 1.0)), BANDS)
    assert [part.mix_g for part in state.parts] == [1_200_000, 100_000]


def test_one_parcel_larger_than_the_window_is_kept_and_judged() -> None:
    state = add_parcels(
        ToleranceState(), ((parcel(mix_g=3_000_000, rubber_g=16_000, target_g=15_000), 1.0),), BANDS
    )  # fmt: skip
    assert len(state.parts) == 1
    assert state.dose_level == 1


def test_several_parcels_at_once_are_as_one_after_the_other() -> None:
    four = [(parcel(rubber_g=1100), 248_750.0)] * 4
    assert add_parcels(ToleranceState(), four, BANDS) == window(1100, 1100, 1100, 1100)


def test_mix_without_rubber_begins_the_window_anew() -> None:
    bad = window(1100, 1100, 1100, 1100)
    plain = window(0, target_g=0, state=bad)
    assert (plain.parts, plain.dose_level) == ((), 0)
    # Rubber that nobody wanted stays in view, and so does wanted rubber that did not come.
    assert len(window(5, target_g=0, state=bad).parts) == 4
    assert window(0, target_g=0, state=window(1250)).parts == ()
    # A single gram, wanted or there, is not nothing; and what follows plain mix in the same scan counts.
    assert len(window(0, target_g=1).parts) == len(window(1, target_g=0).parts) == 1
    both = ((parcel(rubber_g=0, target_g=0), 1.0), (parcel(), 248_750.0))
    assert add_parcels(bad, both, BANDS).parts == window(1250).parts
    missing = window(0, 0, 0, 0)
    assert missing.dose_level == 2
    assert window_error(missing.parts) == -1.0


def test_rubber_alone_has_no_error() -> None:
    four = window(5, 5, 5, 5, target_g=0)
    assert window_error(four.parts) is None
    assert four.dose_level == 0
    assert window_error(()) is None
    assert window_error([WindowPart(1, 1, 1, 0.0)]) == 0.0


def test_parcels_leave_the_other_windows_alone() -> None:
    before = ToleranceState((), 0, ((1.0, 2.0),), 0.4, 1, total_out=True)
    after = window(1250, state=before)
    assert (after.buckets, after.bucket_s, after.feed_level, after.total_out) == (((1.0, 2.0),), 0.4, 1, True)


def feed(
    seconds: float, asked_kg_s: float, fed_kg_s: float, state: ToleranceState | None = None, doubt_kg: float = 0.0
) -> ToleranceState:
    state = state or ToleranceState()
    for _ in range(round(seconds)):
        state = add_feed(state, asked_kg_s, fed_kg_s, doubt_kg, BANDS, 1.0)
    return state


def test_the_feed_is_judged_when_its_window_is_full() -> None:
    early = feed((BUCKETS - 1) * PART_S - 1, 0.3, 0.2)
    assert (len(early.buckets), early.feed_level) == (BUCKETS - 1, 0)
    full = feed(1, 0.3, 0.2, early)
    assert (len(full.buckets), full.feed_level) == (BUCKETS, 2)
    assert feed_error(full.buckets) == pytest.approx(-1.0 / 3.0)


def test_a_part_of_the_window_sums_what_fell_into_it() -> None:
    state = feed(7, 0.3, 0.2)
    assert [round(value, 6) for part in state.buckets for value in part] == [1.5, 1.0, 0.6, 0.4]
    assert state.bucket_s == 2.0


def test_the_time_window_forgets() -> None:
    bad = feed(70, 0.3, 0.2)
    assert bad.feed_level == 2
    well = feed(60 + PART_S, 0.3, 0.3, bad)
    assert len(well.buckets) == BUCKETS
    assert well.feed_level == 0
    assert feed_error(well.buckets) == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize(("doubt_kg", "level"), [(0.0, 2), (1.0, 2), (1.7, 1), (2.6, 0), (50.0, 0)])
def test_an_error_must_exceed_its_doubt(doubt_kg: float, level: int) -> None:
    # The twelfth part of the window has just begun: 56 s at 0.3 asked, 0.24 fed: 3.36 of 16.8 kg are missing, 20 %.
    assert feed(56, 0.3, 0.24, doubt_kg=doubt_kg).feed_level == level


def test_little_asked_for_is_judged_all_the_same() -> None:
    trickle = feed(90, 0.005, 0.004)
    assert trickle.feed_level == 2
    assert feed_error(trickle.buckets) == pytest.approx(-0.2)


def test_the_edges_of_the_total_are_inside() -> None:
    half = replace(BANDS, total=0.5)
    assert not judge_total(ToleranceState(), 150_000, 100_000, half).total_out
    back = replace(BANDS, total=0.625)  # eight tenths of it are a half, exact in binary
    assert not judge_total(ToleranceState(total_out=True), 150_000, 100_000, back).total_out


@pytest.mark.parametrize("fed", [0.24, 0.36])
def test_too_much_is_as_wrong_as_too_little(fed: float) -> None:
    assert feed(90, 0.3, fed).feed_level == 2
    assert feed(90, 0.3, 0.3).feed_level == 0


def test_nothing_asked_for_is_no_error() -> None:
    assert feed(90, 0.0, 0.1).feed_level == 0
    assert feed_error(feed(90, 0.0, 0.1).buckets) is None
    assert feed_error([(2.0, 3.0)]) == 0.5
    off = feed(90, 0.3, 0.2)
    assert off.feed_level == 2
    assert feed(90, 0.0, 0.0, off).feed_level == 0


def test_the_feed_leaves_the_other_windows_alone() -> None:
    before = ToleranceState((WindowPart(1, 2, 3, 4.0),), 2, (), 0.0, 0, total_out=True)
    after = add_feed(before, 0.1, 0.1, 0.0, BANDS, 1.0)
    assert (after.parts, after.dose_level, after.total_out) == (before.parts, 2, True)


@pytest.mark.parametrize(
    ("rubber_g", "target_g", "before", "after"),
    [
        (102_100, 100_000, False, True), (97_900, 100_000, False, True), (101_900, 100_000, False, False),
        # Once out it must come back to eight tenths of the band.
        (101_700, 100_000, True, True), (98_300, 100_000, True, True), (101_500, 100_000, True, False),
        (101_700, 100_000, False, False),
        # Below the least quantity nothing is judged, and what was out is no longer.
        (50_000, 99_999, False, False), (50_000, 99_999, True, False),
    ],
)  # fmt: skip
def test_total(rubber_g: int, target_g: int, before: bool, after: bool) -> None:
    state = ToleranceState((WindowPart(1, 2, 3, 4.0),), 1, ((1.0, 2.0),), 0.4, 2, total_out=before)
    judged = judge_total(state, rubber_g, target_g, BANDS)
    assert judged == replace(state, total_out=after)


def test_a_window_across_a_change_of_mix_is_not_judged() -> None:
    # Half of its mix was never meant to carry rubber; what the line still held looks like far too much of the rest.
    params = make_params().tolerance
    dosed = parcel(mix_g=250_000, target_g=1250, rubber_g=1250)
    fading = parcel(mix_g=250_000, target_g=300, rubber_g=700)
    state = ToleranceState()
    for made in [dosed] * 10 + [fading] * 10:
        state = add_parcels(state, ((made, 249_000.0),), params)
        assert state.dose_level == 0
    missing = parcel(mix_g=250_000, target_g=1250, rubber_g=600)
    for _ in range(20):
        state = add_parcels(state, ((missing, 249_000.0),), params)
    assert state.dose_level == 2


@pytest.mark.parametrize(("last_target_g", "judged"), [(250, True), (249, False)])
def test_a_window_is_judged_from_eight_tenths_of_it_on(last_target_g: int, judged: bool) -> None:
    state = window(0, 0, 0)
    assert window(0, target_g=last_target_g, state=state).dose_level == (2 if judged else 0)
