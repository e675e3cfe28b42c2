"""Lots and sublots out of parcels: where one ends, and what was made in it.

A parcel is in exactly one sublot and a sublot in exactly one lot. A boundary falls at a parcel's end, so a size is met
within one parcel (about 250 kg) and every total stays exact in grams. The order is that of the record; times only tell
the day, and a day that has ended does not begin again because a clock was set back.
"""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from enum import StrEnum

from crumbmeter.process.params import DoseBasis
from crumbmeter.qc.adding import Adding
from crumbmeter.qc.booked import Booked
from crumbmeter.qc.calendar import Calendar, Day, Shift
from crumbmeter.qc.made import Made, joined

WINDOW_G = 5_000_000
"""[g] Mix of one window of dose: 5 t, the size over which control judges it too."""


class By(StrEnum):
    """What ends a lot."""

    TONNES = "tonnes"
    DAY = "day"
    """The site's production day."""
    SHIFT = "shift"
    MIX = "mix"
    """Another mix."""


class Ended(StrEnum):
    """Why a lot or sublot ended."""

    SIZE = "size reached"
    DAY = "end of the production day"
    SHIFT = "end of the shift"
    MIX = "another mix"
    OPEN = "not ended"
    """The parcels ended first: it may go on."""


class LotRuleError(ValueError):
    """A rule that makes no lots. The message says what is missing."""


@dataclass(frozen=True, slots=True)
class LotRule:
    """How a site cuts its lots: data of the site or of its specification."""

    by: By
    lot_g: int | None = None
    """[g] Mix of a lot. Needed by tonnes; otherwise a longer day, shift or mix is parted at it. None: no limit."""
    sublot_g: int | None = None
    """[g] Mix of a sublot, counted from the lot's beginning so that overshoot does not add up. None: one per lot."""
    calendar: Calendar | None = None
    """Needed by day and by shift."""
    window_g: int = WINDOW_G
    basis: DoseBasis | None = None
    """In which doses are told; None: in that of the mixes."""
    simulated_site: bool = False
    """Whether the whole site is simulated, so that its simulated parcels are judged."""
    prefix: str = ""
    """Before the ids of its lots."""
    first_number: int = 1
    """Number of the first lot, by tonnes and by mix."""

    def __post_init__(self) -> None:
        if self.by is By.TONNES and self.lot_g is None:
            raise LotRuleError("lots by tonnes need the size of a lot: give lot_g")
        if self.by in (By.DAY, By.SHIFT) and self.calendar is None:
            raise LotRuleError(f"lots by {self.by} need the site's calendar: its time zone, shifts and production day")
        for name, size_g in (("lot_g", self.lot_g), ("sublot_g", self.sublot_g), ("window_g", self.window_g)):
            if size_g is not None and size_g <= 0:
                raise LotRuleError(f"{name} is {size_g} g: a size is above 0")
        if self.lot_g is not None and self.sublot_g is not None and self.sublot_g > self.lot_g:
            raise LotRuleError(f"a sublot of {self.sublot_g} g is greater than its lot of {self.lot_g} g")


@dataclass(frozen=True, slots=True)
class Sublot:
    """One sublot."""

    sublot_id: str
    lot_id: str
    number: int
    """Counts from 1 in its lot."""
    ended: Ended
    made: Made


@dataclass(frozen=True, slots=True)
class Lot:
    """One lot; what was made in it is what was made in its sublots."""

    lot_id: str
    by: By
    ended: Ended
    period: Day | Shift | None
    """By day and by shift: which one."""
    sublots: tuple[Sublot, ...]
    made: Made

    @property
    def complete(self) -> bool:
        """Tell whether it has ended."""
        return self.ended is not Ended.OPEN


LeftOut = Callable[[Booked], bool]
"""Tells whether quality control left a parcel out (waste): it stays in the totals and is not judged."""


def lots(parcels: Iterable[Booked], rule: LotRule, left_out: LeftOut | None = None) -> Iterator[Lot]:
    """Iterate the lots of a record, each when it has ended; the last one may be open.

    Lots by tonnes count from the first parcel that is given: begin where the job begins, or pass `first_number`.

    Args:
        parcels: In the order of the record.
        rule: How lots are cut.
        left_out: What is left out of the judgement; None: nothing.

    Raises:
        UnknownBasisError: a parcel's basis is none, and the rule names none.
    """
    cutting = _Cutting(rule, left_out)
    for one in parcels:
        ended = cutting.ends_before(one)
        if ended is not None:
            yield cutting.close(ended)
        if cutting.add(one):
            yield cutting.close(Ended.SIZE)
    if cutting.holds:
        yield cutting.close(Ended.OPEN)


class _Cutting:
    """The lot in the making."""

    def __init__(self, rule: LotRule, left_out: LeftOut | None) -> None:
        self._rule, self._left_out = rule, left_out
        self._number = rule.first_number - 1
        self._part = 1
        self._period: Day | Shift | None = None
        self._next: Day | Shift | None = None
        self._period_ends_us = 0
        self._mix_id: str | None = None
        self._begin_lot()

    def _begin_lot(self) -> None:
        self._parts: list[tuple[Ended, Made]] = []
        self._mix_g = 0
        self._sublot_at_g = self._rule.sublot_g
        self._adding = self._new()

    def _new(self) -> Adding:
        return Adding(self._rule.window_g, self._rule.basis, simulated_site=self._rule.simulated_site)

    @property
    def holds(self) -> bool:
        """Tell whether anything is in it."""
        return self._mix_g > 0 or self._adding.parcels > 0

    def ends_before(self, one: Booked) -> Ended | None:
        """Tell whether, and why, the lot ended before this parcel; take note of the period that it begins."""
        by = self._rule.by
        if by is By.TONNES:
            return None
        if by is By.MIX:
            changed, self._mix_id = one.parcel.mix_id != self._mix_id, one.parcel.mix_id
            return Ended.MIX if changed and self.holds else None
        if one.ended_us < self._period_ends_us:
            return None
        self._next = period = self._period_at(one.ended_us)
        self._period_ends_us = period.end_us
        if self.holds:
            return Ended.DAY if by is By.DAY else Ended.SHIFT
        self._enter()
        return None

    def _period_at(self, instant_us: int) -> Day | Shift:
        calendar = self._rule.calendar
        if calendar is None:
            raise LotRuleError(f"lots by {self._rule.by} need the site's calendar")
        return calendar.day_at(instant_us) if self._rule.by is By.DAY else calendar.shift_at(instant_us)

    def _enter(self) -> None:
        self._period, self._part = self._next, 1

    def add(self, one: Booked) -> bool:
        """Take a parcel; tell whether the lot has reached its size with it."""
        out = self._left_out is not None and self._left_out(one)
        self._mix_g += self._adding.add(one, left_out=out)
        if self._rule.lot_g is not None and self._mix_g >= self._rule.lot_g:
            return True
        if self._sublot_at_g is not None and self._mix_g >= self._sublot_at_g:
            self._end_sublot(Ended.SIZE)
        return False

    def _end_sublot(self, ended: Ended) -> None:
        self._parts.append((ended, self._adding.made()))
        self._adding = self._new()
        size_g = self._rule.sublot_g
        while size_g is not None and self._sublot_at_g is not None and self._sublot_at_g <= self._mix_g:
            self._sublot_at_g += size_g

    def close(self, ended: Ended) -> Lot:
        """End the lot and begin another."""
        if self._adding.parcels:
            self._end_sublot(ended)
        self._number += 1
        lot_id = self._lot_id()
        sublots = tuple(
            Sublot(f"{lot_id}.{number}", lot_id, number, why, made) for number, (why, made) in enumerate(self._parts, 1)
        )
        lot = Lot(
            lot_id, self._rule.by, ended, self._period, sublots, joined([sublot.made for sublot in sublots])
        )  # fmt: skip
        self._begin_lot()
        self._part += 1
        if ended in (Ended.DAY, Ended.SHIFT):
            self._enter()
        return lot

    def _lot_id(self) -> str:
        """Name the lot: by its day or shift, with its part where the size parted it; else by number."""
        match self._period:
            case Shift(day=day, number=number):
                name = f"{day.isoformat()}-s{number}"
            case Day(date=date):
                name = date.isoformat()
            case None:
                return f"{self._rule.prefix}{self._number}"
        return f"{self._rule.prefix}{name}" + (f"-p{self._part}" if self._part > 1 else "")
