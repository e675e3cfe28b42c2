"""Shifts and days cover time without gap or overlap, in any zone and over every change of a clock."""

from datetime import date, datetime, time
from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from crumbmeter.qc.calendar import Calendar
from crumbmeter.site.zones import TZDATA_VERSION, time_zone

ZONES = [
    "America/Denver", "America/St_Johns", "Europe/Berlin", "Europe/Dublin", "Australia/Lord_Howe", "Asia/Kathmandu",
    "Pacific/Apia", "Africa/Casablanca", "America/Sao_Paulo", "Etc/UTC",
]  # fmt: skip
"""Offsets of whole hours and of parts, changes by half an hour and at midnight, and a date that was skipped."""
clock_times = st.times(max_value=time(23, 59)).map(lambda at: at.replace(second=0, microsecond=0))
instants_us = st.integers(min_value=946_684_800, max_value=2_051_222_400).map(lambda at_s: at_s * 1_000_000)
"""2000 to 2034."""


@st.composite
def calendars(draw: st.DrawFn) -> Calendar:
    begins = draw(st.lists(clock_times, min_size=1, max_size=4, unique=True))
    return Calendar(time_zone(draw(st.sampled_from(ZONES))), TZDATA_VERSION, tuple(begins), draw(clock_times))


@given(calendar=calendars(), at_us=instants_us)
def test_instant_is_in_its_shift_and_its_day(calendar: Calendar, at_us: int) -> None:
    shift, day = calendar.shift_at(at_us), calendar.day_at(at_us)
    assert shift.begin_us <= at_us < shift.end_us
    assert day.begin_us <= at_us < day.end_us
    assert shift in calendar.shifts_of(shift.day)
    assert day == calendar.day_of(day.date)


@given(calendar=calendars(), at_us=instants_us, days=st.integers(min_value=1, max_value=5))
def test_shifts_and_days_follow_each_other(calendar: Calendar, at_us: int, days: int) -> None:
    before_us = at_us + days * 86_400_000_000
    shifts, found = list(calendar.shifts_between(at_us, before_us)), list(calendar.days_between(at_us, before_us))
    assert all(one.end_us == following.begin_us for one, following in pairwise(shifts))
    assert all(one.end_us == following.begin_us for one, following in pairwise(found))
    if calendar.shifts_fill_days:
        assert {day.begin_us for day in found[1:]} <= {shift.begin_us for shift in shifts}


@given(
    calendar=calendars(), at=clock_times, day=st.dates(min_value=date(2000, 1, 1), max_value=date(2034, 12, 31))
)  # fmt: skip
def test_begin_is_the_first_instant_at_which_the_clock_has_come_so_far(calendar: Calendar, at: time, day: date) -> None:
    wanted = datetime.combine(day, at)
    instant_us = calendar.instant_us(day, at)
    assert calendar.local(instant_us).replace(tzinfo=None) >= wanted
    assert calendar.local(instant_us - 1).replace(tzinfo=None) < wanted


@given(calendar=calendars(), at_us=instants_us)
def test_local_text_names_its_instant(calendar: Calendar, at_us: int) -> None:
    assert datetime.fromisoformat(calendar.text(at_us)).timestamp() * 1e6 == at_us
