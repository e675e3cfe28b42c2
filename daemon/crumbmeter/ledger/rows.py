"""The record's rows, one a second: figures in columns that a layout names. No columns of a site in any schema."""

from collections.abc import Iterator
from hashlib import sha256

from crumbmeter.journal.chain import canonical_json
from crumbmeter.journal.entry import Entry, Stored
from crumbmeter.journal.reader import Reader
from crumbmeter.ledger.stamped import LAYOUT, ROW, Stamped, UnknownBodyError, body_of, record
from crumbmeter.model.frozen import dataclass
from crumbmeter.model.quality import Quality

_QUALITIES = {str(int(quality)): quality for quality in Quality}
"""By the digit in a row. A report reads tens of thousands of rows with dozens of digits each."""


@dataclass(frozen=True, slots=True)
class Layout:
    """What the columns of a row mean."""

    columns: tuple[str, ...]
    """Stable names that end with their unit: signal ids and figures of the core."""

    @property
    def layout_id(self) -> str:
        """Return the id that rows carry: it follows from the columns."""
        return sha256(canonical_json(list(self.columns))).hexdigest()[:16]


@dataclass(frozen=True, slots=True)
class Row:
    """One second. A value is None exactly when its quality is Bad."""

    layout_id: str
    run_state: str
    values: tuple[float | None, ...]
    qualities: tuple[Quality, ...]


def layout_entry(layout: Layout, at: Stamped) -> Entry:
    """Make the entry of a layout; stored at every boot, before its first row."""
    return record(LAYOUT, {"layout_id": layout.layout_id, "columns": list(layout.columns)}, at)


def read_layout(stored: Stored) -> Layout:
    """Read a layout back."""
    return Layout(tuple(body_of(stored, LAYOUT)["columns"]))


def entry(row: Row, at: Stamped) -> Entry:
    """Make the entry of a row."""
    if len(row.values) != len(row.qualities):
        raise ValueError(f"{len(row.values)} values, {len(row.qualities)} qualities")
    body = {
        "layout": row.layout_id,
        "q": "".join(str(int(quality)) for quality in row.qualities),
        "run": row.run_state,
        "x": list(row.values),
    }
    return record(ROW, body, at)


def read(stored: Stored) -> Row:
    """Read a row back."""
    body = body_of(stored, ROW)
    return Row(body["layout"], body["run"], tuple(body["x"]), tuple([_QUALITIES[digit] for digit in body["q"]]))


@dataclass(frozen=True, slots=True)
class NamedRow:
    """A row with its columns, and where it stands."""

    layout: Layout
    row: Row
    stored: Stored

    def value(self, column: str) -> float | None:
        """Return the value of a column, or None where it is Bad or the layout has none."""
        names = self.layout.columns
        return self.row.values[names.index(column)] if column in names else None


def iterate(
    reader: Reader, *, after_seq: int | None = None, from_wall_us: int | None = None, before_wall_us: int | None = None
) -> Iterator[NamedRow]:
    """Iterate rows in order with their layouts, of a range of sequence and wall time [us]."""
    layouts = {one.layout_id: one for one in map(read_layout, reader.entries("record", (LAYOUT,)))}
    found = reader.entries(
        "record", (ROW,), after_seq=after_seq, from_wall_us=from_wall_us, before_wall_us=before_wall_us
    )
    for stored in found:
        row = read(stored)
        if row.layout_id not in layouts:
            layouts |= {one.layout_id: one for one in map(read_layout, reader.entries("record", (LAYOUT,)))}
        if row.layout_id not in layouts:
            raise UnknownBodyError(f"no layout {row.layout_id} for row {stored.seq}")
        yield NamedRow(layouts[row.layout_id], row, stored)
