"""Moistures that come late: corrections of their own for the parcels between, and nothing rewritten."""

from collections.abc import Mapping
from typing import Any

import pytest

from crumbmeter.model.frozen import replace
from crumbmeter.model.parcel import Parcel
from crumbmeter.model.quality import Quality
from crumbmeter.process.params import DoseBasis
from crumbmeter.qc.booked import Booked
from crumbmeter.qc.moisture import Material, MoistureEntry, MoistureRefusedError, corrections, read, what
from crumbmeter.qc.said import Said, Subject

SECOND_US = 1_000_000


def booked(number: int, basis: str = DoseBasis.TOTAL_MIX.value) -> Booked:
    parcel = Parcel(
        number, 10.0 * number, 10.0 * number + 10.0, "surface", basis, 0.005, 1250, 1248, 12, 200_000, 30_000, 1_500,
        12_000, Quality.GOOD, "feeding", True, False,
    )  # fmt: skip
    return Booked(parcel, 100 + number, 10 * number * SECOND_US, (10 * number + 10) * SECOND_US, True)


PARCELS = [booked(number) for number in range(1, 11)]
"""Parcel n begins at 10 n seconds."""


def moisture(
    fraction: float, effective_s: int, said_s: int, seq: int = 1, material: Material = Material.AGGREGATE
) -> MoistureEntry:
    return MoistureEntry(
        "stream", material, fraction, effective_s * SECOND_US, said_s * SECOND_US, "lab (invented)", seq
    )


def entry(content: Mapping[str, Any]) -> Said:
    return Said(Subject.MOISTURE, "stream", content, "lab (invented)", 5 * SECOND_US, seq=1, said_us=9 * SECOND_US)


def test_an_entry_goes_there_and_back() -> None:
    one = moisture(0.045, 5, 9)
    back = read(entry(what(one)))
    assert back.fraction == pytest.approx(0.045)
    assert replace(back, fraction=0.045) == one


def test_a_share_of_wet_mass_is_turned_into_one_of_dry_mass() -> None:
    # 4 parts of water in 100 of wet material are 4 in 96 of dry.
    assert read(entry({"moisture_percent": 4.0, "basis": "wet"})).fraction == pytest.approx(4.0 / 96.0)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ({"moisture_percent": 4.0}, "basis is None"),
        ({"moisture_percent": "4", "basis": "dry"}, "moisture_percent is '4'"),
        ({"moisture_percent": -1.0, "basis": "dry"}, "not believed"),
        ({"moisture_percent": 60.0, "basis": "dry"}, "not believed"),
        ({"moisture_percent": 100.0, "basis": "wet"}, "not believed"),
        ({"moisture_percent": 4.0, "basis": "dry", "material": "binder"}, "must be aggregate or recycle"),
        ({"moisture": 4.0}, "unknown key 'moisture'"),
    ],
)
def test_a_wrong_entry_is_refused_in_words(content: Mapping[str, Any], words: str) -> None:
    with pytest.raises(MoistureRefusedError, match=words):
        read(entry(content))


def test_an_entry_about_something_else_is_refused() -> None:
    with pytest.raises(MoistureRefusedError, match="not a moisture"):
        read(Said(Subject.SAMPLE, "S", {}, "x", 0))


def test_the_parcels_between_effective_and_entered_are_corrected_and_no_others() -> None:
    rows = corrections(PARCELS, [moisture(0.06, 35, 75)], {"stream": 0.04})
    assert [row.parcel for row in rows] == [4, 5, 6, 7]
    assert {row.parcel_seq for row in rows} == {104, 105, 106, 107}
    row = rows[0]
    # Wet mass stays: 200 kg dry at 4 % were 208 kg wet, which at 6 % are 196.226 kg dry.
    assert row.dry_aggregate_change_g == round(208_000 / 1.06) - 200_000 == -3774
    assert row.recycle_change_g == row.recycle_binder_change_g == 0
    assert row.dose_booked == pytest.approx(1248 / (242_000 + 1248))
    assert row.dose_corrected == pytest.approx(1248 / (242_000 - 3774 + 1248))


def test_one_entered_in_time_corrects_nothing() -> None:
    assert corrections(PARCELS, [moisture(0.06, 35, 35)], {"stream": 0.04}) == ()


def test_one_that_says_the_same_corrects_nothing() -> None:
    assert corrections(PARCELS, [moisture(0.04, 35, 75)], {"stream": 0.04}) == ()


def test_what_was_known_then_is_what_was_used() -> None:
    known, late = moisture(0.05, 20, 20, seq=1), moisture(0.06, 35, 75, seq=2)
    rows = corrections(PARCELS, [known, late], {"stream": 0.04})
    assert [(row.parcel, row.used_fraction, row.right_fraction) for row in rows] == [
        (number, 0.05, 0.06) for number in (4, 5, 6, 7)
    ]


def test_a_later_test_ends_an_earlier_ones_reach() -> None:
    late, in_time = moisture(0.06, 35, 95, seq=2), moisture(0.05, 60, 60, seq=1)
    rows = corrections(PARCELS, [late, in_time], {"stream": 0.04})
    assert [row.parcel for row in rows] == [4, 5]


def test_recycle_takes_its_binder_with_it() -> None:
    rows = corrections(PARCELS, [moisture(0.05, 5, 15, material=Material.RECYCLE)], {"stream": 0.03})
    (row,) = rows
    assert row.dry_aggregate_change_g == 0
    assert row.recycle_change_g == round(30_000 * (1.03 / 1.05 - 1.0))
    assert row.recycle_binder_change_g == round(1_500 * (1.03 / 1.05 - 1.0))


def test_a_stream_that_is_part_of_the_aggregate_moves_its_part() -> None:
    (row,) = corrections(PARCELS, [moisture(0.06, 5, 15)], {"stream": 0.04}, lambda _, __: 0.25)
    assert row.dry_aggregate_change_g == round(-200_000 * 0.25 * (1.0 - 1.04 / 1.06))


def test_a_basis_of_another_version_has_no_dose() -> None:
    (row,) = corrections([booked(1, "share_of_mix")], [moisture(0.06, 5, 15)], {})
    assert row.dose_booked is None
    assert row.dose_corrected is None
