"""Shifts and production days of a site's time zone, resolved to instants once (REQ-30).

Everything is kept in UTC; local time is for people. One rule serves both days on which the clock is changed: a shift
or a day begins at the first instant at which the local clock shows its time or a later one. So a time that the clock
jumps over begins at the jump, and of a time that comes twice the first counts. A shift's length is what lies between
the instants: 7 h or 9 h where the clock says 8.

The zone's data come from outside with the name of their edition; a report names it, and comes out the same years later.
"""

from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from typing import Literal
from zoneinfo import ZoneInfo

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_US = timedelta(microseconds=1)
US_PER_S = 1_000_000
ONE_DAY = timedelta(days=1)


class CalendarError(ValueError):
    """A site's shifts or its production day cannot be made of these times."""


@dataclass(frozen=True, slots=True)
class Day:
    """One production day."""

    date: date
    """Local date at which it begins."""
    begin_us: int
    """[us] UTC since 1970 of its first instant."""
    end_us: int
    """[us] First instant of the next one."""

    @property
    def length_s(self) -> float:
        """[s] Return its true length."""
        return (self.end_us - self.begin_us) / US_PER_S


@dataclass(frozen=True, slots=True)
class Shift:
    """One shift, of the production day in which it begins."""

    day: date
    """Production day."""
    number: int
    """Counts from 1 in the order of the day."""
    begins: time
    """Local time at which it begins by the site's plan."""
    begin_us: int
    end_us: int

    @property
    def length_s(self) -> float:
        """[s] Return its true length."""
        return (self.end_us - self.begin_us) / US_PER_S

    @property
    def name(self) -> str:
        """Return its name in reports, such as `2026-11-01 shift 2`."""
        return f"{self.day.isoformat()} shift {self.number}"


@dataclass(frozen=True, slots=True)
class Calendar:
    """When shifts and production days begin at a site."""

    zone: ZoneInfo
    zone_edition: str
    """Edition of the time zone data, such as 2026a."""
    shift_begins: tuple[time, ...]
    """Local times, in any order; each shift lasts until the next one begins."""
    day_begins: time
    """Local time at which a production day begins."""
    _order: tuple[time, ...] = field(init=False, repr=False, compare=False)
    """The shifts' times in the order of the production day."""

    def __post_init__(self) -> None:
        if not self.shift_begins:
            raise CalendarError("no shift begins: give at least one local time, such as 06:00")
        if len(set(self.shift_begins)) < len(self.shift_begins):
            raise CalendarError(f"two shifts begin at the same time: {_listed(self.shift_begins)}")
        if any(at.tzinfo is not None for at in (*self.shift_begins, self.day_begins)):
            raise CalendarError("times of shifts and of the day are local: give them without an offset")
        order = sorted(self.shift_begins, key=lambda at: (at < self.day_begins, at))
        object.__setattr__(self, "_order", tuple(order))

    @property
    def shifts_fill_days(self) -> bool:
        """Tell whether the shifts of a production day are just that day: no shift runs over the day's beginning."""
        return self.day_begins in self.shift_begins

    def instant_us(self, day: date, at: time) -> int:
        """[us] Return the first instant at which the local clock shows this date and time, or a later one."""
        first = datetime.combine(day, at, self.zone).replace(fold=0)
        earlier_us, later_us = _us(first.replace(fold=1)), _us(first)
        # In a gap the offset before it gives the later instant (PEP 495): the jump lies between the two.
        return self._jump_us(earlier_us, later_us) if earlier_us < later_us else later_us

    def _jump_us(self, before_us: int, after_us: int) -> int:
        offset = self.local(after_us).utcoffset()
        while after_us - before_us > 1:
            middle_us = (before_us + after_us) // 2
            if self.local(middle_us).utcoffset() == offset:
                after_us = middle_us
            else:
                before_us = middle_us
        return after_us

    def local(self, instant_us: int) -> datetime:
        """Return local date and time, exact to the microsecond.

        Args:
            instant_us: [us] UTC since 1970.
        """
        return (_EPOCH + instant_us * _US).astimezone(self.zone)

    def text(
        self, instant_us: int, digits: Literal["minutes", "seconds", "milliseconds", "microseconds"] = "seconds"
    ) -> str:
        """Return local time after ISO 8601 with its offset, cut (not rounded) to so many digits.

        Args:
            instant_us: [us] UTC since 1970.
            digits: The smallest part that is written.
        """
        return self.local(instant_us).isoformat(timespec=digits)

    def day_at(self, instant_us: int) -> Day:
        """Return the production day that an instant [us] is in."""
        day = self.local(instant_us).date()
        while self.instant_us(day, self.day_begins) > instant_us:
            day -= ONE_DAY
        while (end_us := self.instant_us(day + ONE_DAY, self.day_begins)) <= instant_us:
            day += ONE_DAY
        return Day(day, self.instant_us(day, self.day_begins), end_us)

    def day_of(self, day: date) -> Day:
        """Return the production day that begins on a local date; of no length where the zone skipped that date."""
        return Day(day, self.instant_us(day, self.day_begins), self.instant_us(day + ONE_DAY, self.day_begins))

    def shifts_of(self, day: date) -> tuple[Shift, ...]:
        """Return the shifts that begin in a production day. One that the clock jumped over has no length."""
        begins = [(self._calendar_date(day, at), at) for at in self._order]
        begins.append((self._calendar_date(day + ONE_DAY, self._order[0]), self._order[0]))
        instants = [self.instant_us(on, at) for on, at in begins]
        return tuple(
            Shift(day, place + 1, at, instants[place], instants[place + 1]) for place, at in enumerate(self._order)
        )

    def _calendar_date(self, day: date, at: time) -> date:
        """Return the local date of a shift of a production day: the next one for times before the day's beginning."""
        return day + ONE_DAY if at < self.day_begins else day

    def shift_at(self, instant_us: int) -> Shift:
        """Return the shift that an instant [us] is in; there is always just one."""
        day = self.local(instant_us).date()
        for back in (1, 0, -1, -2):
            shifts = self.shifts_of(day + back * ONE_DAY)
            place = bisect_right([shift.begin_us for shift in shifts], instant_us) - 1
            if place >= 0 and instant_us < shifts[place].end_us:
                return shifts[place]
        raise CalendarError(
            f"{self.text(instant_us)} is in no shift: the zone {self.zone.key} jumps by more than a day"
        )

    def shifts_between(self, from_us: int, before_us: int) -> Iterator[Shift]:
        """Iterate the shifts that have any part in a span [us], leaving out those of no length."""
        at_us = from_us
        while at_us < before_us:
            shift = self.shift_at(at_us)
            yield shift
            at_us = shift.end_us

    def days_between(self, from_us: int, before_us: int) -> Iterator[Day]:
        """Iterate the production days that have any part in a span [us]."""
        at_us = from_us
        while at_us < before_us:
            day = self.day_at(at_us)
            yield day
            at_us = day.end_us


def _us(moment: datetime) -> int:
    return (moment - _EPOCH) // _US


def _listed(times: tuple[time, ...]) -> str:
    return ", ".join(at.isoformat("minutes") for at in times)
