"""A closed period out of the journal: sums of its parcels, what the hoppers held at its ends, and whether it is closed.

The parcels tell the mix at the drum's outlet. The rubber in them left the auger some minutes earlier: at the ends of a
period line and drum may hold rubber that is in no parcel. So a period is closed where the drum had been emptied. Where
it stands full, or runs steadily, what it holds is known within what it can hold; where the rate changes it is not.
"""

from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from statistics import median

from crumbmeter.control.params import Params
from crumbmeter.control.proving import water_of
from crumbmeter.estimation.budget import ONE_REFILL_S, weighing_uncertainty
from crumbmeter.estimation.plant_balance import STEADY, Recorded, steadiness
from crumbmeter.journal.entry import Stored
from crumbmeter.journal.reader import Reader
from crumbmeter.ledger import events, parcels, rows
from crumbmeter.ledger.parcels import RecordedParcel
from crumbmeter.ledger.stamped import BOOT, LAYOUT, ROW
from crumbmeter.model.quality import Quality

MOVING_KG_S = 0.5
"""[kg/s] Mix at the injection point above which the plant makes mix."""
EMPTIED_SHARE = 0.5
"""Of the outlet's residence: mix that leaves the drum so long after the last has entered empties it."""
END_PARCELS = 20
"""Parcels at an end by which it is judged steady or not."""
END_ROWS = 11
"""Rows of a second whose median is a hopper's level at an end."""
MOST_UNCERTAIN = 0.02
"""Share of the mix whose inputs may have been Bad in a period that is tested."""


class End(StrEnum):
    """How line and drum were at one end of the period."""

    EMPTY = "empty"
    FULL = "standing full"
    RUNNING = "running steadily"
    CHANGING = "running while the rate changed"
    UNKNOWN = "not in the record"


@dataclass(frozen=True, slots=True)
class Span:
    """Where a period begins and ends."""

    from_wall_us: int | None = None
    before_wall_us: int | None = None


@dataclass(frozen=True, slots=True)
class Period:
    """What the record says of it."""

    recorded: Recorded
    parcels: int
    mix_kg: float
    bad_kg: float
    """[kg] Mix in parcels with a Bad input."""
    simulated: bool
    first_wall_us: int
    last_wall_us: int
    opened: End
    closed: End
    restarts: int
    """Starts of the daemon between the first and the last parcel."""

    @property
    def why_not_closed(self) -> tuple[str, ...]:
        """Say what stands against testing this period; empty where nothing does."""
        against = [
            f"at its {name} the plant was {end.value}: what line and drum held is not known"
            for name, end in (("beginning", self.opened), ("end", self.closed))
            if end in (End.CHANGING, End.UNKNOWN)
        ]
        if self.restarts:
            against.append(
                f"the daemon was started {self.restarts} times in it: what was made meanwhile is in no parcel"
            )
        if self.bad_kg > MOST_UNCERTAIN * self.mix_kg:
            against.append(f"{self.bad_kg / self.mix_kg:.1%} of the mix was made with a Bad input")
        return tuple(against)


@dataclass(frozen=True, slots=True)
class _Row:
    """What the balance needs of a row of the record."""

    boot_id: str
    mono_us: int
    mix_kg_s: float
    hopper_kg: float | None
    supply_kg: float | None


@dataclass(frozen=True, slots=True)
class _AtEnd:
    """The rows at one end, the outermost first."""

    outermost: list[_Row]
    moving: _Row | None
    """The outermost in which the plant made mix."""
    rested: bool
    """Whether there is one at rest outside it."""


class _Sums:
    """Parcels of the period, added up as they are read."""

    def __init__(self) -> None:
        self.count = 0
        self.grams = [0] * 6
        """Aggregate, recycle, binder, rubber, mix, mix with a Bad input."""
        self.weighing: dict[float, float] = {}
        """[kg] Uncertainty of the rubber, added up over each stretch in which it is one error, by its beginning [s]."""
        self.took_s = 0.0
        self.simulated = False
        self.first: list[RecordedParcel] = []
        self.last: deque[RecordedParcel] = deque(maxlen=END_PARCELS)

    def add(self, one: RecordedParcel) -> None:
        """Take the next parcel."""
        parcel = one.parcel
        bad_g = parcel.mix_g if parcel.quality is Quality.BAD else 0
        masses = (
            parcel.dry_aggregate_g, parcel.recycle_g, parcel.virgin_binder_g, parcel.rubber_g, parcel.mix_g, bad_g
        )  # fmt: skip
        self.grams = [held + more for held, more in zip(self.grams, masses, strict=True)]
        stretch_s = one.stored.wall_us / 1e6 // ONE_REFILL_S * ONE_REFILL_S
        self.weighing[stretch_s] = self.weighing.get(stretch_s, 0.0) + parcel.rubber_uncertainty_g / 1000.0
        self.took_s += parcel.ended_s - parcel.began_s
        self.simulated = self.simulated or parcel.simulated
        self.count += 1
        if len(self.first) < END_PARCELS:
            self.first.append(one)
        self.last.append(one)


def read_period(reader: Reader, params: Params, span: Span) -> Period | None:
    """Read a period; None where no parcel is in it."""
    sums = _Sums()
    for one in parcels.iterate(reader, from_wall_us=span.from_wall_us, before_wall_us=span.before_wall_us):
        sums.add(one)
    if not sums.count:
        return None
    first, last = sums.first[0].stored, sums.last[-1].stored
    begun = _at_end(_rows(reader, params, span, newest_first=False))
    ended = _at_end(_rows(reader, params, span, newest_first=True))
    opened = _end(begun, first, params, sums.first)
    closed = _end(ended, last, params, sums.last)
    starts = reader.entries("record", (BOOT,), after_seq=first.seq, through_seq=last.seq)
    return Period(
        recorded=replace(
            _recorded(params, sums, begun, ended, emptied=opened is End.EMPTY and closed is End.EMPTY),
            dumped_kg=_dumped_kg(reader, span),
        ),
        parcels=sums.count,
        mix_kg=sums.grams[4] / 1000.0,
        bad_kg=sums.grams[5] / 1000.0,
        simulated=sums.simulated,
        first_wall_us=first.wall_us,
        last_wall_us=last.wall_us,
        opened=opened,
        closed=closed,
        restarts=sum(1 for _ in starts),
    )


def _dumped_kg(reader: Reader, span: Span) -> float:
    """[kg] Add up the rubber that went to the ground out of the drum."""
    found = events.iterate(reader, from_wall_us=span.from_wall_us, before_wall_us=span.before_wall_us)
    return sum(float(one.event.get("rubber_kg") or 0.0) for one in found if one.event.name == "drum_dumped")


def _rows(reader: Reader, params: Params, span: Span, *, newest_first: bool) -> Iterator[_Row]:
    layouts = {one.layout_id: one.columns for one in map(rows.read_layout, reader.entries("record", (LAYOUT,)))}
    hopper = params.signals[params.weighing.hopper_mass].signal_id
    supply = params.contacts.supply_mass
    found = reader.entries(
        "record", (ROW,), from_wall_us=span.from_wall_us, before_wall_us=span.before_wall_us, newest_first=newest_first
    )
    for stored in found:
        row = rows.read(stored)
        columns = layouts.get(row.layout_id)
        if columns is None:
            continue  # retention has taken its layout: what its figures mean is not known any more
        named = dict(zip(columns, row.values, strict=True))
        yield _Row(
            stored.boot_id,
            stored.mono_us,
            named.get("mix_rate_kg_s") or 0.0,
            named.get(hopper),
            None if supply is None else named.get(params.signals[supply].signal_id),
        )


def _at_end(found: Iterator[_Row]) -> _AtEnd:
    """Read the rows of an end up to the first in which the plant makes mix: a night may lie before it."""
    outermost: list[_Row] = []
    rested = False
    for row in found:
        moving = row.mix_kg_s > MOVING_KG_S
        if len(outermost) < END_ROWS and not (moving and outermost):
            outermost.append(row)
        if moving:
            return _AtEnd(outermost, row, rested)
        rested = True
    return _AtEnd(outermost, None, rested)


def _end(at: _AtEnd, parcel: Stored, params: Params, near: Sequence[RecordedParcel]) -> End:
    """Say how the plant was at an end, by its outermost rows and parcels."""
    moving = at.moving
    if moving is None:
        return End.UNKNOWN  # mix was booked, and no row shows it passing
    if not at.rested:
        rates = [one.parcel.mix_g / max(1e-3, one.parcel.ended_s - one.parcel.began_s) for one in near]
        ratio = steadiness(rates)
        return End.RUNNING if ratio is not None and ratio >= STEADY else End.CHANGING
    apart_us = abs(parcel.mono_us - moving.mono_us)
    whole = moving.boot_id == parcel.boot_id and apart_us >= EMPTIED_SHARE * params.drum.outlet_residence_s * 1e6
    return End.EMPTY if whole else End.FULL


def _recorded(params: Params, sums: _Sums, begun: _AtEnd, ended: _AtEnd, *, emptied: bool) -> Recorded:
    aggregate, recycle, binder, rubber = (gram / 1000.0 for gram in sums.grams[:4])
    away_s = params.line.travel_s + params.drum.outlet_residence_s
    return Recorded(
        aggregate_kg=aggregate,
        recycle_kg=recycle,
        binder_kg=binder,
        rubber_kg=rubber,
        weighing_kg=weighing_uncertainty(sums.weighing.items(), ONE_REFILL_S),
        water=water_of(params, tuple(stream.moisture for stream in params.streams)),
        hopper_change_kg=_change(
            [row.hopper_kg for row in begun.outermost], [row.hopper_kg for row in ended.outermost]
        ),
        supply_change_kg=_change(
            [row.supply_kg for row in begun.outermost], [row.supply_kg for row in ended.outermost]
        ),
        on_the_way_kg=0.0 if emptied or sums.took_s <= 0.0 else rubber / sums.took_s * away_s,
    )


def _change(opening: Sequence[float | None], closing: Sequence[float | None]) -> float | None:
    """Return the closing level less the opening one: medians, for the first weights after a start may still settle."""
    first = [value for value in opening if value is not None]
    last = [value for value in closing if value is not None]
    return median(last) - median(first) if first and last else None
