"""Shifts and days of a zone (field lessons, REQ-30)."""

from datetime import UTC, date, datetime, time

import pytest

from crumbmeter.qc.calendar import Calendar, CalendarError
from crumbmeter.site.zones import TZDATA_VERSION, time_zone

THREE_SHIFTS = Calendar(time_zone("America/Denver"), TZDATA_VERSION, (time(22), time(6), time(14)), time(6))
"""Night shift from 22:00 to 06:00: it crosses midnight, and the clock is changed in it."""


def us(text: str) -> int:
    return round(datetime.fromisoformat(text).timestamp() * 1e6)


@pytest.mark.parametrize(
    ("day", "number", "begin", "end", "hours"),
    [
        (date(2026, 3, 7), 3, "2026-03-07T22:00:00-07:00", "2026-03-08T06:00:00-06:00", 7.0),
        (date(2026, 3, 8), 1, "2026-03-08T06:00:00-06:00", "2026-03-08T14:00:00-06:00", 8.0),
        (date(2026, 7, 1), 3, "2026-07-01T22:00:00-06:00", "2026-07-02T06:00:00-06:00", 8.0),
        (date(2026, 10, 31), 3, "2026-10-31T22:00:00-06:00", "2026-11-01T06:00:00-07:00", 9.0),
    ],
)
def test_shift_has_its_true_length(day: date, number: int, begin: str, end: str, hours: float) -> None:
    shift = THREE_SHIFTS.shifts_of(day)[number - 1]
    assert (THREE_SHIFTS.text(shift.begin_us), THREE_SHIFTS.text(shift.end_us)) == (begin, end)
    assert shift.length_s == hours * 3600.0
    assert (shift.begin_us, shift.end_us) == (us(begin), us(end))
    assert shift.name == f"{day.isoformat()} shift {number}"


@pytest.mark.parametrize(("day", "hours"), [(date(2026, 3, 7), 23), (date(2026, 7, 1), 24), (date(2026, 10, 31), 25)])
def test_production_day_is_its_shifts(day: date, hours: int) -> None:
    found, shifts = THREE_SHIFTS.day_of(day), THREE_SHIFTS.shifts_of(day)
    assert found.length_s == hours * 3600
    assert (found.begin_us, found.end_us) == (shifts[0].begin_us, shifts[-1].end_us)
    assert sum(shift.length_s for shift in shifts) == found.length_s
    assert THREE_SHIFTS.shifts_fill_days


def test_time_that_the_clock_jumps_over_begins_at_the_jump() -> None:
    """02:30 does not exist on 2026-03-08 in Denver: 01:59:59 -07:00 is followed by 03:00:00 -06:00."""
    jump_us = THREE_SHIFTS.instant_us(date(2026, 3, 8), time(2, 30))
    assert jump_us == us("2026-03-08T09:00:00+00:00")
    assert THREE_SHIFTS.text(jump_us) == "2026-03-08T03:00:00-06:00"
    assert THREE_SHIFTS.text(jump_us - 1) == "2026-03-08T01:59:59-07:00"


def test_of_a_time_that_comes_twice_the_first_counts() -> None:
    assert THREE_SHIFTS.text(THREE_SHIFTS.instant_us(date(2026, 11, 1), time(1, 30))) == "2026-11-01T01:30:00-06:00"


def test_shifts_that_both_begin_in_the_gap() -> None:
    """The first of them has no length: it is in the plan, and no instant is in it."""
    calendar = Calendar(time_zone("America/Denver"), TZDATA_VERSION, (time(2, 15), time(2, 45), time(12)), time(2, 15))
    lengths = [shift.length_s / 3600.0 for shift in calendar.shifts_of(date(2026, 3, 8))]
    assert lengths == [0.0, 9.0, 14.25]
    jump_us = calendar.instant_us(date(2026, 3, 8), time(2, 15))
    assert calendar.shift_at(jump_us).number == 2
    assert calendar.shift_at(jump_us - 1).day == date(2026, 3, 7)


@pytest.mark.parametrize(
    ("instant", "day", "number"),
    [
        ("2026-03-08T05:59:59-06:00", date(2026, 3, 7), 3),
        ("2026-03-08T06:00:00-06:00", date(2026, 3, 8), 1),
        ("2026-11-01T01:30:00-07:00", date(2026, 10, 31), 3),
        ("2026-11-01T00:00:00-06:00", date(2026, 10, 31), 3),
    ],
)
def test_instant_is_in_one_shift_and_one_day(instant: str, day: date, number: int) -> None:
    shift = THREE_SHIFTS.shift_at(us(instant))
    assert (shift.day, shift.number) == (day, number)
    assert THREE_SHIFTS.day_at(us(instant)).date == day


def test_night_shift_over_a_day_that_begins_at_midnight() -> None:
    calendar = Calendar(time_zone("America/Denver"), TZDATA_VERSION, (time(6), time(18)), time(0))
    assert not calendar.shifts_fill_days
    shift = calendar.shift_at(us("2026-07-02T03:00:00-06:00"))
    assert (shift.day, shift.number, shift.begins) == (date(2026, 7, 1), 2, time(18))
    assert calendar.day_at(us("2026-07-02T03:00:00-06:00")).date == date(2026, 7, 2)


def test_spans_are_covered_without_gap_or_overlap() -> None:
    from_us, before_us = us("2026-10-30T12:00:00-06:00"), us("2026-11-03T12:00:00-07:00")
    for found in (
        list(THREE_SHIFTS.shifts_between(from_us, before_us)), list(THREE_SHIFTS.days_between(from_us, before_us))
    ):  # fmt: skip
        assert found[0].begin_us <= from_us < found[0].end_us
        assert found[-1].begin_us < before_us <= found[-1].end_us
        assert [one.end_us for one in found[:-1]] == [one.begin_us for one in found[1:]]


def test_date_that_a_zone_skipped_has_no_length() -> None:
    """Samoa went over the date line at the end of 2011-12-29: there was no 30th."""
    calendar = Calendar(time_zone("Pacific/Apia"), TZDATA_VERSION, (time(6), time(18)), time(0))
    assert calendar.day_of(date(2011, 12, 30)).length_s == 0.0
    days = calendar.days_between(us("2011-12-29T12:00:00-10:00"), us("2011-12-31T12:00:00+14:00"))
    assert [day.date for day in days] == [date(2011, 12, 29), date(2011, 12, 31)]
    assert calendar.shift_at(us("2011-12-31T03:00:00+14:00")).length_s == 6 * 3600.0


def test_local_text_is_exact_and_cut() -> None:
    moment_us = us("2026-07-01T12:00:00+00:00") + 999_999
    assert THREE_SHIFTS.text(moment_us) == "2026-07-01T06:00:00-06:00"
    assert THREE_SHIFTS.text(moment_us, "milliseconds") == "2026-07-01T06:00:00.999-06:00"
    assert THREE_SHIFTS.text(moment_us, "microseconds") == "2026-07-01T06:00:00.999999-06:00"
    assert THREE_SHIFTS.local(moment_us).astimezone(UTC).microsecond == 999_999


def test_edition_of_the_zone_is_kept() -> None:
    assert THREE_SHIFTS.zone_edition == TZDATA_VERSION


@pytest.mark.parametrize(
    ("shifts", "day", "said"),
    [
        ((), time(0), "no shift begins"),
        ((time(6), time(6)), time(0), "same time: 06:00, 06:00"),
        ((time(6, tzinfo=UTC),), time(0), "without an offset"),
        ((time(6),), time(0, tzinfo=UTC), "without an offset"),
    ],
)
def test_times_that_make_no_calendar_are_refused(shifts: tuple[time, ...], day: time, said: str) -> None:
    with pytest.raises(CalendarError, match=said):
        Calendar(time_zone("America/Denver"), TZDATA_VERSION, shifts, day)


def test_one_shift_lasts_all_day() -> None:
    calendar = Calendar(time_zone("Etc/UTC"), TZDATA_VERSION, (time(5),), time(5))
    assert [shift.length_s for shift in calendar.shifts_of(date(2026, 3, 8))] == [86_400.0]
