"""What the plant's rows say at an instant: the hoppers' contents, and where the silos' diverter points."""

from collections.abc import Iterator
from statistics import median
from typing import Final

from crumbmeter.journal.reader import Reader
from crumbmeter.ledger.rows import read_layout
from crumbmeter.ledger.stamped import LAYOUT, ROW, UnknownBodyError
from crumbmeter.model.frozen import body_reader, dataclass

NEAR_US: Final = 600_000_000
"""[us] A row further away than this tells nothing about an instant."""
MEDIAN_ROWS: Final = 11
"""Rows of a second whose median is a content: a weight moves a little while the auger turns."""


@dataclass(frozen=True, slots=True)
class _Body:
    """The part of a row's body that is needed here."""

    v: int
    layout: str
    x: list[float | None]


_read_body = body_reader(_Body)


def content_g(reader: Reader, signal_id: str, at_us: int) -> int | None:
    """[g] Return what a scale showed about an instant; None where no row near it knows.

    Args:
        reader: The plant's record.
        signal_id: Of the scale.
        at_us: [us] UTC since 1970.
    """
    behind = _values(reader, signal_id, at_us, at_us + NEAR_US)
    found = _some(behind) or _some(_values(reader, signal_id, at_us - NEAR_US, at_us, newest_first=True))
    return round(median(found) * 1000.0) if found else None


def _some(values: Iterator[tuple[int, float | None]]) -> list[float]:
    found: list[float] = []
    for _, value in values:
        if value is not None:
            found.append(value)
        if len(found) == MEDIAN_ROWS:
            break
    return found


def diverter_changes(reader: Reader, signal_id: str, from_us: int, before_us: int) -> Iterator[tuple[int, int | None]]:
    """Yield each change of the diverter: when [us], and its code; None while it is not known.

    Args:
        reader: The plant's record.
        signal_id: Of the diverter.
        from_us: [us] Its position of up to ten minutes before this comes first.
        before_us: [us] UTC since 1970.
    """
    last: int | None = None
    first = True
    for at_us, value in _values(reader, signal_id, from_us - NEAR_US, before_us):
        code = None if value is None else round(value)
        if first or code != last:
            yield at_us, code
        first, last = False, code


def _values(
    reader: Reader, signal_id: str, from_us: int, before_us: int, *, newest_first: bool = False
) -> Iterator[tuple[int, float | None]]:
    """Yield wall time [us] and value of a column, row by row."""
    layouts = {one.layout_id: one.columns for one in map(read_layout, reader.entries("record", (LAYOUT,)))}
    places = {layout_id: columns.index(signal_id) for layout_id, columns in layouts.items() if signal_id in columns}
    found = reader.entries("record", (ROW,), from_wall_us=from_us, before_wall_us=before_us, newest_first=newest_first)
    for stored in found:
        try:
            body = _read_body(stored.body)
        except ValueError as problem:
            raise UnknownBodyError(f"{ROW} record {stored.seq}: {problem}") from problem
        place = places.get(body.layout)
        if place is not None:
            yield stored.wall_us, body.x[place]
