"""A report's content, apart from any form: the same for paper, terminal, page and file.

Who builds a document puts figures with their units in it and says nothing about looks. Who shows it adds no content.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from hashlib import sha256
from typing import Any, Final

from crumbmeter.journal.chain import canonical_json
from crumbmeter.report.figures import Value, iso, rounded, shown, unit_words

SIMULATE: Final = "SIMULATE"
"""Mark on whatever rests on simulated inputs (Ohio DOT CMS 402.07.A prints this word on the ticket)."""
INDICATOR: Final = "INDICATOR ONLY"
"""Mark on statistics of the feeder's own figures: they follow each other and decide no pay."""
CONTENT_VERSION: Final = 1


class Align(StrEnum):
    """To which side a column leans."""

    LEFT = "left"
    RIGHT = "right"


@dataclass(frozen=True, slots=True)
class Fact:
    """One line of a title block or of a summary."""

    label: str
    value: Value
    unit: str = ""
    decimals: int | None = None

    @property
    def text(self) -> str:
        """Return value and unit; empty where it is missing."""
        text = shown(self.value, self.decimals)
        return f"{text} {unit_words(self.unit)}" if text and self.unit else text


@dataclass(frozen=True, slots=True)
class Facts:
    """Lines of a label and a value."""

    facts: tuple[Fact, ...]
    title: str = ""


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table."""

    name: str
    unit: str = ""
    """Code of the unit, such as `kg` or `short_ton/h`; empty: it has none."""
    decimals: int | None = None
    """Digits after the point; None: text, times and whole numbers."""
    align: Align = Align.LEFT
    time: bool = False
    """Whether its values are times."""
    below: bool = False
    """Whether a terminal writes its texts below their row, whole: other texts are cut where the line is full."""

    @property
    def heading(self) -> str:
        """Return name and unit as files write them: `mix [kg]`."""
        return f"{self.name} [{self.unit}]" if self.unit else self.name


def number(name: str, unit: str = "", decimals: int | None = 0) -> Column:
    """Make a column of numbers; without decimals each has as many as its value."""
    return Column(name, unit, decimals, Align.RIGHT)


def time(name: str) -> Column:
    """Make a column of times."""
    return Column(name, time=True)


@dataclass(frozen=True, slots=True)
class Table:
    """Rows under columns. A missing value is None."""

    title: str
    columns: tuple[Column, ...]
    rows: Sequence[Sequence[Value]]
    note: str = ""
    total: Sequence[Value] | None = None
    """A last line, set apart."""

    def __post_init__(self) -> None:
        for row in (*self.rows, *((self.total,) if self.total is not None else ())):
            if len(row) != len(self.columns):
                raise ValueError(f"{self.title}: {len(row)} values for {len(self.columns)} columns: {row!r}")

    def texts(self) -> list[list[str]]:
        """Return every row as it is shown."""
        places = [column.decimals for column in self.columns]
        return [[shown(value, at) for value, at in zip(row, places, strict=True)] for row in self.rows]


class Drawn(StrEnum):
    """How a series is drawn."""

    LINE = "line"
    STEP = "step"
    """Each value holds until the next."""
    POINTS = "points"


@dataclass(frozen=True, slots=True)
class Series:
    """Points in order of x. A y that is missing breaks the line."""

    name: str
    x: Sequence[float] | Sequence[datetime]
    y: Sequence[float | None]
    drawn: Drawn = Drawn.LINE
    marked: tuple[int, ...] = ()
    """Places of points that are shown as out of limits."""


@dataclass(frozen=True, slots=True)
class Limit:
    """A line across the chart."""

    name: str
    y: float
    centre: bool = False
    """Whether it is what is aimed at, and no limit."""


@dataclass(frozen=True, slots=True)
class Moment:
    """A line up the chart."""

    name: str
    x: float


@dataclass(frozen=True, slots=True)
class Chart:
    """One diagram."""

    title: str
    x_label: str
    y_label: str
    """With its unit in brackets."""
    series: tuple[Series, ...]
    limits: tuple[Limit, ...] = ()
    note: str = ""
    moments: tuple[Moment, ...] = ()
    """Only where x is a number."""


@dataclass(frozen=True, slots=True)
class Text:
    """A paragraph, or with a title a section of it."""

    words: str
    title: str = ""


@dataclass(frozen=True, slots=True)
class Signature:
    """Where people sign; or who has signed, as the quality record holds it."""

    roles: tuple[str, ...]
    """One line for a name, a signature and a date each."""
    recorded: tuple[tuple[str, str], ...] = ()
    """Who signed, and when and what that was."""


Block = Facts | Table | Chart | Text | Signature


@dataclass(frozen=True, slots=True)
class Document:
    """One report."""

    kind: str
    """Its class in one word or two: `daily`, `lot`, `deviation`, `calibration`, `rubber account`."""
    title: str
    site_title: str
    period_text: str
    identity: tuple[tuple[str, str], ...]
    """What it rests on: settings, program, edition of the time zones, range and head of the record. By label."""
    blocks: tuple[Block, ...]
    marks: tuple[str, ...] = ()
    """Words that stand on every page, such as SIMULATE."""
    metric: bool = True
    """Whether its paper is A4; else US letter."""
    wide: bool = False
    """Whether its pages lie on their side."""
    dense: bool = False
    """Whether its pages are set closer, for a report that has to fit so many."""

    @property
    def tables(self) -> tuple[Table, ...]:
        """Return its tables in order."""
        return tuple(block for block in self.blocks if isinstance(block, Table))


def content_bytes(document: Document) -> bytes:
    """Return the content as JSON of one form only: sorted keys, no spaces, UTF-8. Its SHA-256 is the checksum."""
    return canonical_json(content(document))


def checksum(document: Document) -> str:
    """Return the checksum of the content, in hexadecimal."""
    return sha256(content_bytes(document)).hexdigest()


def content(document: Document) -> dict[str, Any]:
    """Return all that a document says, as values of JSON. Numbers are rounded as they are shown."""
    return {
        "v": CONTENT_VERSION,
        "kind": document.kind,
        "title": document.title,
        "site": document.site_title,
        "period": document.period_text,
        "marks": list(document.marks),
        "identity": [{"label": label, "text": text} for label, text in document.identity],
        "blocks": [_block(block) for block in document.blocks],
    }


def _block(block: Block) -> Mapping[str, Any]:
    match block:
        case Facts():
            facts = [
                {"label": one.label, "value": plain(one.value, one.decimals), "unit": one.unit} for one in block.facts
            ]
            return {"block": "facts", "title": block.title, "facts": facts}
        case Table():
            return {"block": "table", **table_content(block)}
        case Chart():
            moments = [{"name": one.name, "x": plain(one.x)} for one in block.moments]
            return {
                "block": "chart", "title": block.title, "x": block.x_label, "y": block.y_label, "note": block.note,
                "series": [_series(one) for one in block.series],
                "limits": [{"name": one.name, "y": plain(one.y), "centre": one.centre} for one in block.limits],
                **({"moments": moments} if moments else {}),
            }  # fmt: skip
        case Text():
            return {"block": "text", "title": block.title, "words": block.words}
        case Signature():
            signed = [{"who": who, "what": what} for who, what in block.recorded]
            return {"block": "signature", "roles": list(block.roles), "recorded": signed}


def table_content(table: Table) -> dict[str, Any]:
    """Return a table as values of JSON."""
    places = [column.decimals for column in table.columns]

    def row(values: Sequence[Value]) -> list[Any]:
        return [plain(value, at) for value, at in zip(values, places, strict=True)]

    return {
        "title": table.title,
        "columns": [{"name": one.name, "unit": one.unit} for one in table.columns],
        "rows": [row(values) for values in table.rows],
        "total": None if table.total is None else row(table.total),
        "note": table.note,
    }


def _series(one: Series) -> dict[str, Any]:
    return {
        "name": one.name,
        "drawn": one.drawn.value,
        "x": [plain(value) for value in one.x],
        "y": [plain(value) for value in one.y],
        "marked": list(one.marked),
    }


def plain(value: Value, decimals: int | None = None) -> float | int | str | None:
    """Return a value as JSON holds it: numbers rounded as they are shown, times as text with their offset."""
    match value:
        case None | str() | bool():
            return value
        case datetime():
            return iso(value)
        case int():
            return value
        case _:
            return float(shown(value) if decimals is None else rounded(value, decimals))
