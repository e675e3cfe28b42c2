from datetime import date, time
from typing import Any

import pytest

from crumbmeter.qc.booked import Booked
from crumbmeter.qc.calendar import Calendar, Day, Shift
from crumbmeter.qc.lots import By, Ended, Lot, LotRule, LotRuleError, lots
from crumbmeter.site.zones import TZDATA_VERSION, time_zone
from tests.booked_parcels import NOON_US, US_PER_S, in_a_row, run_of

CALENDAR = Calendar(time_zone("America/Denver"), TZDATA_VERSION, (time(6), time(18)), time(6))
HOUR_US = 3600 * US_PER_S
SIX_AM_US = NOON_US
"""2026-06-21 12:00 UTC is 06:00 in Denver: the production day begins."""


def cut(parcels: list[Booked], rule: LotRule) -> list[Lot]:
    return list(lots(in_a_row(parcels), rule))


def test_lots_by_tonnes_meet_their_size_within_one_parcel() -> None:
    """Lots of 1.1 t of parcels of 250 kg: 5 parcels each; the last lot is open."""
    found = cut(run_of(12), LotRule(By.TONNES, lot_g=1_100_000))
    assert [lot.made.parcels for lot in found] == [5, 5, 2]
    assert [lot.lot_id for lot in found] == ["1", "2", "3"]
    assert [lot.ended for lot in found] == [Ended.SIZE, Ended.SIZE, Ended.OPEN]
    assert [lot.complete for lot in found] == [True, True, False]


def test_sublots_count_from_the_lots_beginning_so_that_overshoot_does_not_add_up() -> None:
    """Sublots of 0.6 t in a lot of 2.4 t: boundaries behind 0.75, 1.25, 2.0 and 2.5 t."""
    (lot, rest) = cut(run_of(11), LotRule(By.TONNES, lot_g=2_400_000, sublot_g=600_000, prefix="Job-"))
    assert [sublot.made.parcels for sublot in lot.sublots] == [3, 2, 3, 2]
    assert [sublot.sublot_id for sublot in lot.sublots] == ["Job-1.1", "Job-1.2", "Job-1.3", "Job-1.4"]
    assert {sublot.lot_id for sublot in lot.sublots} == {"Job-1"}
    assert [sublot.ended for sublot in lot.sublots] == [Ended.SIZE] * 4
    assert [sublot.ended for sublot in rest.sublots] == [Ended.OPEN]
    assert [sublot.number for sublot in lot.sublots] == [1, 2, 3, 4]


def test_parcel_greater_than_a_sublot_ends_just_one() -> None:
    (lot,) = cut(run_of(3), LotRule(By.TONNES, lot_g=10_000_000, sublot_g=100_000))
    assert [sublot.made.parcels for sublot in lot.sublots] == [1, 1, 1]
    assert lot.ended is Ended.OPEN


def test_another_mix_ends_a_lot_by_mix_and_no_lot_by_tonnes() -> None:
    parcels = [*run_of(3), *run_of(2, mix_id="mix B"), *run_of(4)]
    found = cut(parcels, LotRule(By.MIX))
    assert [(lot.made.mix_ids, lot.made.parcels) for lot in found] == [
        (("mix A",), 3),
        (("mix B",), 2),
        (("mix A",), 4),
    ]
    assert [lot.ended for lot in found] == [Ended.MIX, Ended.MIX, Ended.OPEN]
    (whole,) = cut(parcels, LotRule(By.TONNES, lot_g=100_000_000))
    assert whole.made.mix_ids == ("mix A", "mix B")


def test_a_size_parts_a_mix_as_well() -> None:
    found = cut(run_of(5), LotRule(By.MIX, lot_g=500_000, first_number=7))
    assert [(lot.lot_id, lot.ended) for lot in found] == [("7", Ended.SIZE), ("8", Ended.SIZE), ("9", Ended.OPEN)]


def test_lots_by_day_end_with_the_production_day() -> None:
    before = run_of(2, began_us=SIX_AM_US - HOUR_US)
    after = run_of(3, began_us=SIX_AM_US)
    later = run_of(1, began_us=SIX_AM_US + 50 * HOUR_US)
    found = cut([*before, *after, *later], LotRule(By.DAY, calendar=CALENDAR))
    assert [(lot.lot_id, lot.made.parcels, lot.ended) for lot in found] == [
        ("2026-06-20", 2, Ended.DAY), ("2026-06-21", 3, Ended.DAY), ("2026-06-23", 1, Ended.OPEN),
    ]  # fmt: skip
    periods = [lot.period for lot in found]
    assert [period.date for period in periods if isinstance(period, Day)] == [
        date(2026, 6, 20), date(2026, 6, 21), date(2026, 6, 23),
    ]  # fmt: skip


def test_parcel_belongs_to_the_day_in_which_its_last_mass_passed() -> None:
    (lot,) = cut(run_of(1, began_us=SIX_AM_US - US_PER_S), LotRule(By.DAY, calendar=CALENDAR))
    assert lot.lot_id == "2026-06-21"


def test_long_day_is_parted_by_size_and_named_so() -> None:
    parcels = [*run_of(5, began_us=SIX_AM_US), *run_of(1, began_us=SIX_AM_US + 24 * HOUR_US)]
    found = cut(parcels, LotRule(By.DAY, lot_g=500_000, calendar=CALENDAR))
    assert [lot.lot_id for lot in found] == ["2026-06-21", "2026-06-21-p2", "2026-06-21-p3", "2026-06-22"]


def test_day_that_ends_just_with_a_full_lot_leaves_no_empty_one() -> None:
    parcels = [*run_of(2, began_us=SIX_AM_US), *run_of(1, began_us=SIX_AM_US + 24 * HOUR_US)]
    found = cut(parcels, LotRule(By.DAY, lot_g=500_000, calendar=CALENDAR))
    assert [(lot.lot_id, lot.made.parcels) for lot in found] == [("2026-06-21", 2), ("2026-06-22", 1)]


def test_day_does_not_begin_again_because_a_clock_was_set_back() -> None:
    parcels = [*run_of(2, began_us=SIX_AM_US), *run_of(2, began_us=SIX_AM_US - HOUR_US)]
    (lot,) = cut(parcels, LotRule(By.DAY, calendar=CALENDAR))
    assert (lot.lot_id, lot.made.parcels) == ("2026-06-21", 4)


def test_lots_by_shift() -> None:
    parcels = [*run_of(2, began_us=SIX_AM_US), *run_of(3, began_us=SIX_AM_US + 12 * HOUR_US)]
    found = cut(parcels, LotRule(By.SHIFT, calendar=CALENDAR))
    assert [(lot.lot_id, lot.made.parcels) for lot in found] == [("2026-06-21-s1", 2), ("2026-06-21-s2", 3)]
    assert isinstance(found[0].period, Shift)
    assert found[0].ended is Ended.SHIFT


def test_what_is_left_out_stays_in_the_lot() -> None:
    (lot,) = lots(run_of(4), LotRule(By.TONNES, lot_g=1_000_000), lambda one: one.parcel.number == 2)
    assert (lot.made.mix_g, lot.made.dosed_g, lot.made.left_out.mix_g) == (1_000_000, 750_000, 250_000)


def test_no_parcels_make_no_lots() -> None:
    assert cut([], LotRule(By.TONNES, lot_g=1)) == []


@pytest.mark.parametrize(
    ("by", "rule", "said"),
    [
        (By.TONNES, {}, "need the size of a lot"),
        (By.DAY, {}, "need the site's calendar"),
        (By.SHIFT, {}, "need the site's calendar"),
        (By.TONNES, {"lot_g": 0}, "lot_g is 0 g"),
        (By.MIX, {"sublot_g": -1}, "sublot_g is -1 g"),
        (By.MIX, {"window_g": 0}, "window_g is 0 g"),
        (By.TONNES, {"lot_g": 10, "sublot_g": 11}, "greater than its lot"),
    ],
)
def test_rule_that_makes_no_lots_is_refused(by: By, rule: dict[str, Any], said: str) -> None:
    with pytest.raises(LotRuleError, match=said):
        LotRule(by, **rule)
