"""An answer as a file to take away, in one of its formats."""

from collections.abc import Mapping
from typing import Final

from crumbmeter.report.document import Document, Table
from crumbmeter.report.files import csv_bytes, json_bytes, parquet_bytes, tsv_bytes
from crumbmeter.report.pdf import pdf
from crumbmeter.report.sources import NoAnswerError

MEDIA: Final[Mapping[str, str]] = {
    "pdf": "application/pdf",
    "json": "application/json",
    "csv": "text/csv; charset=utf-8",
    "tsv": "text/tab-separated-values; charset=utf-8",
    "parquet": "application/vnd.apache.parquet",
}
"""By format."""


def file_bytes(document: Document, kind: str, logo: bytes | None = None, created_us: int | None = None) -> bytes:
    """Make a file of a document.

    Args:
        document: An answer.
        kind: One of `MEDIA`.
        logo: For a PDF.
        created_us: [us] UTC since 1970, for a PDF; None: it bears no date, and comes out the same at any time.

    Raises:
        NoAnswerError: no such format, or the document has no table to make such a file of.
    """
    if kind == "pdf":
        return pdf(document, logo, created_us)
    if kind == "json":
        return json_bytes(document)
    if kind not in MEDIA:
        raise NoAnswerError(f"no format {kind!r}; there are: {', '.join(MEDIA)}")
    table = main_table(document)
    match kind:
        case "csv":
            return csv_bytes(table, document.marks)
        case "tsv":
            return tsv_bytes(table, document.marks)
        case _:
            return parquet_bytes(table, document)


def main_table(document: Document) -> Table:
    """Return the table that a document is about: its longest, the first of several.

    Raises:
        NoAnswerError: it has none.
    """
    if not document.tables:
        raise NoAnswerError(f"{document.title} has no table; take it as PDF or JSON")
    return max(document.tables, key=lambda table: len(table.rows))
