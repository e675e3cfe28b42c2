"""Which rows of the record become records of a production log: never further apart than the interval asks.

Time between records is process time, which no change of a clock touches: after a clock was set forward, back or to
summer time the log has neither a gap nor a lump. Of each stretch of production the first and the last row are taken,
and between them the latest row that still keeps the interval. A pause shorter than the interval does not part a
stretch; in a longer one there is nothing to log.
"""

from collections.abc import Iterable, Iterator

from crumbmeter.model.frozen import dataclass
from crumbmeter.report.log_row import LogRow

MADE_KG_S = 0.5
"""[kg/s] Mix or rubber from which on there is production. Ours: less is a belt's drift."""
FED_KG_S = 0.001
US_PER_S = 1_000_000


@dataclass(frozen=True, slots=True)
class _Open:
    """A stretch of production that has not ended."""

    taken: LogRow
    """The newest that was taken."""
    newest: LogRow
    """The newest that was seen."""
    made: LogRow
    """The newest in which there was production."""


def taken_of(rows: Iterable[LogRow], interval_s: float, *, idle_too: bool = False) -> Iterator[LogRow]:
    """Yield the rows that are records of the log, in their order.

    Args:
        rows: All rows, in the order of the record.
        interval_s: [s] Longest time between two records of a stretch.
        idle_too: Whether times without production are logged like others.
    """
    interval_us = round(interval_s * US_PER_S)
    stretch: _Open | None = None
    for row in rows:
        if stretch is not None and _parted(stretch, row, interval_us, idle_too=idle_too):
            yield from _last_of(stretch)
            stretch = None
        makes = idle_too or makes_mix(row)
        if stretch is None:
            if makes:
                yield row
                stretch = _Open(row, row, row)
            continue
        taken = stretch.taken
        if row.mono_us - taken.mono_us > interval_us and stretch.newest is not taken:
            taken = stretch.newest
            yield taken
        if row.mono_us - taken.mono_us == interval_us:
            taken = row
            yield taken
        stretch = _Open(taken, row, row if makes else stretch.made)
    if stretch is not None:
        yield from _last_of(stretch)


def makes_mix(row: LogRow) -> bool:
    """Tell whether there was production; where that is not known it is taken that there was."""
    mix_kg_s, fed_kg_s = row.value("mix_rate_kg_s"), row.value("fed_kg_s")
    return mix_kg_s is None or mix_kg_s >= MADE_KG_S or (fed_kg_s or 0.0) >= FED_KG_S


def _parted(stretch: _Open, row: LogRow, interval_us: int, *, idle_too: bool) -> bool:
    if row.boot_id != stretch.newest.boot_id or row.mono_us - stretch.newest.mono_us > interval_us:
        return True  # the record itself has a gap
    return not idle_too and not makes_mix(row) and row.mono_us - stretch.made.mono_us > interval_us


def _last_of(stretch: _Open) -> Iterator[LogRow]:
    if stretch.made.mono_us > stretch.taken.mono_us:
        yield stretch.made
