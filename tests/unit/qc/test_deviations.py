"""Deviations by hand: where they begin and end, on which side, how much, and what is none."""

import pytest

from crumbmeter.model.quality import Quality
from crumbmeter.qc.booked import Booked
from crumbmeter.qc.deviations import Deviation, DeviationRule, Kind, find_deviations
from tests.qc_parcels import booked

RULE = DeviationRule(within=0.10, window_g=5_000_000)


def run(*shares: float, target_g: int = 1250, first: int = 1, quality: Quality = Quality.GOOD) -> list[Booked]:
    """Parcels of 250 kg of mix without rubber, with so much of the target in each."""
    return [
        booked(first + place, rubber_g=round(share * (target_g or 1250)), target_g=target_g, quality=quality)
        for place, share in enumerate(shares)
    ]


def found(parcels: list[Booked]) -> list[Deviation]:
    return list(find_deviations(parcels, RULE))


def test_mix_within_tolerance_has_none() -> None:
    assert found(run(*[1.09] * 100)) == []
    assert found(run(*[0.0, 1.0] * 1, *[1.0] * 60)) == []  # one parcel of a window of twenty is 5 %


def test_rubber_short_is_cut_to_the_parcels_that_were_short() -> None:
    (one,) = found(run(*[1.0] * 40, *[0.0] * 6, *[1.0] * 60))
    assert (one.kind, one.first_number, one.last_number, one.parcels) == (Kind.SHORT, 41, 46, 6)
    assert (one.target_rubber_g, one.rubber_g, one.off_g, one.off) == (7500, 0, -7500, -1.0)
    assert one.worst == pytest.approx(-6 / 21)  # without rubber it takes 21 parcels to reach five tonnes
    assert one.deviation_id == "D41-short"
    assert (one.began_us, one.ended_us) == (40 * 10_000_000, 46 * 10_000_000)


def test_rubber_over_behind_rubber_short_are_two_and_share_no_parcel() -> None:
    short, over = found(run(*[1.0] * 30, *[0.2] * 5, *[1.8] * 5, *[1.0] * 40))
    assert (short.kind, over.kind) == (Kind.SHORT, Kind.OVER)
    assert short.last_number < over.first_number


def test_two_gaps_within_one_window_are_one_deviation() -> None:
    (one,) = found(run(*[1.0] * 30, *[0.0] * 4, *[1.0] * 6, *[0.0] * 4, *[1.0] * 40))
    assert (one.first_number, one.last_number) == (31, 44)


def test_a_short_run_is_judged_as_a_whole() -> None:
    (one,) = found(run(*[0.5] * 4))
    assert (one.kind, one.parcels) == (Kind.SHORT, 4)
    assert one.worst == pytest.approx(-0.5)


def test_an_error_of_exactly_the_tolerance_is_inside() -> None:
    assert found(run(*[0.9] * 40)) == []
    assert [one.kind for one in found(run(*[0.8992] * 40))] == [Kind.SHORT]


def test_rubber_in_mix_without_a_dose() -> None:
    (one,) = found(run(*[1.0] * 30) + run(0.4, 0.2, 0.02, *[0.0] * 20, target_g=0, first=31))
    assert (one.kind, one.first_number, one.last_number, one.off) == (Kind.NOT_ASKED, 31, 32, None)


def test_a_few_grams_behind_a_run_are_none() -> None:
    assert found(run(0.15, *[0.0] * 20, target_g=0)) == []


def test_bad_inputs_prove_nothing() -> None:
    (one,) = found(run(*[1.0] * 30) + run(*[1.0] * 3, first=31, quality=Quality.BAD) + run(*[1.0] * 30, first=34))
    assert (one.kind, one.first_number, one.last_number, one.bad_g) == (Kind.NOT_PROVEN, 31, 33, one.mix_g)


def test_missing_parcels_are_named() -> None:
    (one,) = found(run(*[1.0] * 30) + run(*[1.0] * 30, first=35))
    assert (one.kind, one.first_number, one.last_number, one.parcels) == (Kind.NOT_RECORDED, 31, 34, 4)
