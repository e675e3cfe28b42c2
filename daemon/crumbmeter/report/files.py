"""A table or a document as a file that other programs read: CSV, TSV, JSON, Parquet.

Text is UTF-8. A header names every column with its unit in brackets. A time is written twice: with the site's offset
(ISO 8601) and in UTC. What is missing is empty, never 0. Only rows are written: a table's last line is their sum.
"""

import csv
import io
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import datetime
from typing import Final

from crumbmeter.report.document import Column, Document, Table, checksum, content_bytes, plain
from crumbmeter.report.figures import Value, iso, iso_utc, shown
from crumbmeter.report.parquet import Field, Kind
from crumbmeter.report.parquet import parquet as write_parquet

MARK: Final = "mark"
"""Heading of the column that carries a document's marks, such as SIMULATE, on every row."""
UTC_SUFFIX: Final = " UTC"


def csv_bytes(table: Table, marks: Sequence[str] = ()) -> bytes:
    """Write a table as CSV after RFC 4180: commas, CRLF, quotes where they are needed.

    Args:
        table: What to write.
        marks: Of its document; with any, a last column says them on every row, unless the table marks its rows itself.
    """
    return _delimited(table, marks, ",")


def tsv_bytes(table: Table, marks: Sequence[str] = ()) -> bytes:
    """Write a table as tab-separated values; all else as for CSV.

    Args:
        table: What to write.
        marks: Of its document; with any, a last column says them on every row, unless the table marks its rows itself.
    """
    return _delimited(table, marks, "\t")


def json_bytes(document: Document) -> bytes:
    """Write a whole document as JSON: the very bytes whose SHA-256 is its checksum."""
    return content_bytes(document)


def parquet_bytes(table: Table, document: Document) -> bytes:
    """Write a table as Parquet, with what its document rests on among the file's notes.

    Args:
        table: One of the document's tables.
        document: The document.
    """
    fields = [field for at, column in enumerate(table.columns) for field in _fields(column, _column(table, at))]
    if document.marks and not _marks_itself(table):
        fields.append(Field(MARK, "", Kind.TEXT, [" ".join(document.marks)] * len(table.rows)))
    notes = dict(document.identity)
    notes |= {
        "site": document.site_title, "report": document.kind, "period": document.period_text, "table": table.title,
        "note": table.note, "marks": " ".join(document.marks),
        "checksum of the content": f"sha256:{checksum(document)}",
    }  # fmt: skip
    return write_parquet(fields, notes)


def _delimited(table: Table, marks: Sequence[str], separator: str) -> bytes:
    out = io.StringIO(newline="")
    writer = csv.writer(out, delimiter=separator, lineterminator="\r\n")
    mark = [] if _marks_itself(table) or not marks else [" ".join(marks)]
    writer.writerow([name for column in table.columns for name in _names(column)] + [MARK] * len(mark))
    for row in table.rows:
        cells = [text for column, value in zip(table.columns, row, strict=True) for text in _texts(column, value)]
        writer.writerow(cells + mark)
    return out.getvalue().encode()


def _marks_itself(table: Table) -> bool:
    """Tell whether a table says of each row whether it is simulated."""
    return any(column.name == MARK for column in table.columns)


def _names(column: Column) -> tuple[str, ...]:
    return (column.name, column.name + UTC_SUFFIX) if column.time else (column.heading,)


def _texts(column: Column, value: Value) -> tuple[str, ...]:
    if column.time:
        return (iso(value), iso_utc(value)) if isinstance(value, datetime) else (shown(value), "")
    return (shown(value, column.decimals),)


def _column(table: Table, at: int) -> list[Value]:
    return [row[at] for row in table.rows]


def _fields(column: Column, values: list[Value]) -> Iterator[Field]:
    if column.time:
        yield Field(column.name, "", Kind.TEXT, [_texts(column, value)[0] or None for value in values])
        instants = [value if isinstance(value, datetime) else None for value in values]
        yield Field(column.name + UTC_SUFFIX, "", Kind.TIME, instants)
        return
    kind = _kind(column, values)
    yield Field(column.heading, column.unit, kind, [_HELD[kind](value, column.decimals) for value in values])


def _kind(column: Column, values: Sequence[Value]) -> Kind:
    held = [value for value in values if value is not None]
    if column.decimals is not None or (held and all(_is_number(value) for value in held)):
        whole = column.decimals in (None, 0) and all(isinstance(value, int) for value in held)
        return Kind.WHOLE if whole else Kind.NUMBER
    return Kind.TEXT


def _is_number(value: Value) -> bool:
    return not isinstance(value, str | bool | datetime)


def _as_text(value: Value, decimals: int | None) -> object:
    return None if value is None else shown(value, decimals)


def _as_number(value: Value, decimals: int | None) -> object:
    held = plain(value, decimals)
    return None if held is None else float(held)


_HELD: Final[Mapping[Kind, Callable[[Value, int | None], object]]] = {
    Kind.TEXT: _as_text,
    Kind.WHOLE: plain,
    Kind.NUMBER: _as_number,
}
