"""Sums are exact in grams between parcels, sublots, lots, shifts and days, whatever the parcels are like.

The parcels run over one of the two days on which the clock is changed, with gaps, mix changes, simulated and left-out
parcels among them.
"""

from datetime import datetime, time

from hypothesis import given
from hypothesis import strategies as st

from crumbmeter.model.quality import Quality
from crumbmeter.qc.booked import Booked
from crumbmeter.qc.calendar import Calendar
from crumbmeter.qc.lots import By, Lot, LotRule, lots
from crumbmeter.qc.made import Masses
from crumbmeter.site.zones import TZDATA_VERSION, time_zone
from tests.booked_parcels import US_PER_S, booked

CALENDARS = [
    Calendar(time_zone("America/Denver"), TZDATA_VERSION, (time(6), time(14), time(22)), time(6)),
    Calendar(time_zone("America/Denver"), TZDATA_VERSION, (time(2, 30), time(12)), time(2, 30)),
    Calendar(time_zone("Europe/Berlin"), TZDATA_VERSION, (time(1, 30), time(2, 30)), time(1, 30)),
]
CLOCK_CHANGES = [
    "2026-03-08T04:00:00+00:00", "2026-11-01T03:00:00+00:00", "2026-03-28T22:00:00+00:00", "2026-10-24T20:00:00+00:00"
]  # fmt: skip
"""Some hours before the clock is changed in Denver and in Berlin."""
grams = st.integers(min_value=0, max_value=400_000)


@st.composite
def shifts_of_parcels(draw: st.DrawFn) -> list[Booked]:
    """Draw up to sixty parcels over some twenty hours about a change of the clock."""
    at_us = round(datetime.fromisoformat(draw(st.sampled_from(CLOCK_CHANGES))).timestamp()) * US_PER_S
    made = []
    for number in range(1, draw(st.integers(min_value=1, max_value=60)) + 1):
        at_us += draw(st.sampled_from([0, 0, 60, 3600, 4 * 3600])) * US_PER_S
        lasts_us = draw(st.integers(min_value=1, max_value=1800 * US_PER_S))
        one = booked(
            number, began_us=at_us, lasts_us=lasts_us,
            mix_id=draw(st.sampled_from(["A", "B"])), rubber_g=draw(grams), target_rubber_g=draw(grams),
            dry_aggregate_g=draw(grams), recycle_g=draw(grams), virgin_binder_g=draw(grams),
            quality=draw(st.sampled_from(list(Quality))), simulated=draw(st.booleans()), controlled=draw(st.booleans()),
        )  # fmt: skip
        made.append(one)
        at_us += lasts_us
    return made


def summed(parcels: list[Booked]) -> Masses:
    """Add parcels up field by field."""
    each = [one.parcel for one in parcels]
    return Masses(
        dry_aggregate_g=sum(parcel.dry_aggregate_g for parcel in each),
        recycle_g=sum(parcel.recycle_g for parcel in each),
        recycle_binder_g=sum(parcel.recycle_binder_g for parcel in each),
        virgin_binder_g=sum(parcel.virgin_binder_g for parcel in each),
        rubber_g=sum(parcel.rubber_g for parcel in each),
        target_rubber_g=sum(parcel.target_rubber_g for parcel in each),
    )


def total_of(found: list[Lot]) -> Masses:
    return sum((lot.made.masses for lot in found), Masses())


def left_out(one: Booked) -> bool:
    return one.parcel.number % 7 == 0


def check_parts(found: list[Lot], parcels: list[Booked]) -> None:
    """Each lot is its sublots, each sublot its parcels; none is missing and none is in two."""
    sublots = [sublot for lot in found for sublot in lot.sublots]
    numbers = [number for one in sublots for number in range(one.made.first_parcel, one.made.last_parcel + 1)]
    assert numbers == [one.parcel.number for one in parcels]
    assert len({one.sublot_id for one in sublots}) == len(sublots)
    assert len({lot.lot_id for lot in found}) == len(found)
    for sublot in sublots:
        own = parcels[sublot.made.first_parcel - 1 : sublot.made.last_parcel]
        assert sublot.made.masses == summed(own)
        assert sublot.made.simulated_g == sum(one.parcel.mix_g for one in own if one.parcel.simulated)
        assert sublot.made.judged == summed(
            [
                one
                for one in own
                if not one.parcel.simulated
                and not left_out(one)
                and (one.parcel.rubber_g > 0 or one.parcel.target_rubber_g > 0)
            ]
        )
    for lot in found:
        assert lot.made.masses == sum((sublot.made.masses for sublot in lot.sublots), Masses())
        assert lot.made.judged == sum((sublot.made.judged for sublot in lot.sublots), Masses())
        assert lot.made.parcels == sum(sublot.made.parcels for sublot in lot.sublots)


@given(
    parcels=shifts_of_parcels(), by=st.sampled_from(list(By)), calendar=st.sampled_from(CALENDARS),
    lot_g=st.integers(min_value=1_000_000, max_value=20_000_000), share=st.integers(min_value=1, max_value=5),
)  # fmt: skip
def test_parts_are_the_whole(parcels: list[Booked], by: By, calendar: Calendar, lot_g: int, share: int) -> None:
    rule = LotRule(by, lot_g=lot_g, sublot_g=lot_g // share, calendar=calendar, window_g=1_000_000)
    found = list(lots(parcels, rule, left_out))
    assert total_of(found) == summed(parcels)
    check_parts(found, parcels)
    for lot in found:
        in_windows_g = sum(window.rubber_g for window in lot.made.windows)
        assert in_windows_g <= lot.made.judged.rubber_g
        assert all(window.mix_g >= rule.window_g for window in lot.made.windows)


@given(parcels=shifts_of_parcels(), calendar=st.sampled_from(CALENDARS))
def test_shifts_and_days_are_the_total_over_both_changes_of_the_clock(
    parcels: list[Booked], calendar: Calendar
) -> None:
    by_shift = list(lots(parcels, LotRule(By.SHIFT, calendar=calendar)))
    by_day = list(lots(parcels, LotRule(By.DAY, calendar=calendar)))
    assert total_of(by_shift) == total_of(by_day) == summed(parcels)
    for lot in by_shift + by_day:
        assert lot.period is not None
        assert lot.period.begin_us <= lot.made.ended_us < lot.period.end_us
        inside = [one for one in parcels if lot.period.begin_us <= one.ended_us < lot.period.end_us]
        assert lot.made.masses == summed(inside)
    for day in by_day:
        own = [lot for lot in by_shift if lot.lot_id.startswith(day.lot_id)]
        assert total_of(own) == day.made.masses
