"""A document on paper: PDF with vector charts, headers that repeat, and on every page what it rests on."""

import importlib.resources
import json
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any, Final

from crumbmeter.report.charts import draw
from crumbmeter.report.document import (
    Align,
    Block,
    Chart,
    Column,
    Document,
    Facts,
    Signature,
    Table,
    Text,
    checksum,
    content_bytes,
)
from crumbmeter.report.figures import unit_words
from crumbmeter.report.typesetting import TypesettingError
from crumbmeter.report.typesetting import pdf as set_pdf
from crumbmeter.report.typesetting import pictures as set_pictures

TEMPLATE: Final = "template.typ"
CHART_MM: Final = {False: 174.0, True: 243.0}
"""[mm] Width of a chart by whether the page lies on its side; both papers hold it."""
SPREAD_LETTERS: Final = 24
"""A column of text that is longer takes what room is left."""
MOST_COLUMNS: Final = 12
"""Of a table on paper; in a wider one what is the same in every row is said once."""
HASH_LETTERS: Final = 40
"""What is longer stands on a line of its own in the footer."""


def pdf(document: Document, logo: bytes | None = None, created_us: int | None = None) -> bytes:
    """Set a document as PDF. The same document gives the same bytes.

    Args:
        document: What to set.
        logo: The site's logo, PNG or SVG.
        created_us: [us] UTC since 1970 that the file states as its making: then it is PDF/A-3b and carries its content
            as `content.json`. None: it states no time and carries none.

    Raises:
        TypesettingError: the logo is neither PNG nor SVG.
    """
    data, files = _data(document, logo, created_us)
    return set_pdf(_template(), data, files, created_us)


def pictures(document: Document, logo: bytes | None = None, dots_per_inch: float = 80.0) -> list[bytes]:
    """Return the pages as PNG: for a look at them.

    Args:
        document: What to set.
        logo: The site's logo, PNG or SVG.
        dots_per_inch: [1/in] Resolution.

    Raises:
        TypesettingError: the logo is neither PNG nor SVG.
    """
    data, files = _data(document, logo, None)
    return set_pictures(_template(), data, files, dots_per_inch)


def _template() -> str:
    return importlib.resources.files("crumbmeter.report").joinpath(TEMPLATE).read_text("utf-8")


def _data(document: Document, logo: bytes | None, created_us: int | None) -> tuple[str, dict[str, bytes]]:
    files: dict[str, bytes] = {}
    if logo is not None:
        files[_logo_name(logo)] = logo
    logo_name = next(iter(files), None)
    blocks = [_block(block, f"chart{at}.svg", files, wide=document.wide) for at, block in enumerate(document.blocks)]
    lines = [f"{label} {text}" for label, text in document.identity]
    hashes = [line for line in lines if any(len(word) > HASH_LETTERS for word in line.split())]
    told = {
        "title": document.title,
        "author": document.site_title,
        "site": document.site_title,
        "period": document.period_text,
        "marks": list(document.marks),
        "paper": "a4" if document.metric else "us-letter",
        "wide": document.wide,
        "dense": document.dense,
        "logo": logo_name,
        "footer": [line for line in lines if line not in hashes],
        "footer_hashes": [*hashes, f"checksum of the content sha256:{checksum(document)}"],
        "created": None if created_us is None else _date(created_us),
        "content": content_bytes(document).decode(),
        "blocks": blocks,
    }
    return json.dumps(told, sort_keys=True, allow_nan=False), files


def _date(created_us: int) -> list[int]:
    at = datetime.fromtimestamp(created_us // 1_000_000, UTC)
    return [at.year, at.month, at.day, at.hour, at.minute, at.second]


def _logo_name(logo: bytes) -> str:
    if logo.startswith(b"\x89PNG\r\n\x1a\n"):
        return "logo.png"
    if b"<svg" in logo[:1000]:
        return "logo.svg"
    raise TypesettingError("the site's logo is neither PNG nor SVG; give it as one of them, or leave it out")


def _block(block: Block, chart_name: str, files: dict[str, bytes], *, wide: bool) -> Mapping[str, Any]:
    match block:
        case Facts():
            facts = [{"label": one.label, "text": one.text} for one in block.facts]
            return {"block": "facts", "title": block.title, "facts": facts}
        case Table():
            return _table(block)
        case Chart():
            files[chart_name] = draw(block, CHART_MM[wide])
            alt = f"{block.title}: {block.y_label} against {block.x_label}"
            return {"block": "chart", "title": block.title, "file": chart_name, "alt": alt, "note": block.note}
        case Text():
            return {"block": "text", "title": block.title, "words": block.words}
        case Signature():
            signed = [{"who": who, "what": what} for who, what in block.recorded]
            return {"block": "signature", "roles": list(block.roles), "recorded": signed}


def _leans_left(column: Column) -> bool:
    return column.align is Align.LEFT and not column.time


def _table(table: Table) -> Mapping[str, Any]:
    folded, said = _folded(table)
    rows = folded.texts()
    crowded = len(folded.columns) > MOST_COLUMNS
    long = [
        _leans_left(column) and max((len(row[at]) for row in rows), default=0) > SPREAD_LETTERS
        for at, column in enumerate(folded.columns)
    ]
    if not any(long):
        long = [not column.time and not crowded for column in folded.columns]
    columns = [
        {"name": one.name, "unit": unit_words(one.unit), "right": one.align is Align.RIGHT, "spread": spread}
        for one, spread in zip(folded.columns, long, strict=True)
    ]
    total = None if folded.total is None else Table("", folded.columns, (folded.total,)).texts()[0]
    size = 8.5 if len(columns) <= 8 else 7.5 if not crowded else 5.8
    return {
        "block": "table", "title": table.title, "columns": columns, "rows": rows, "total": total,
        "note": " ".join(part for part in (said, table.note) if part), "size": size, "crowded": crowded,
    }  # fmt: skip


def _folded(table: Table) -> tuple[Table, str]:
    """Take columns out of a table too wide for paper that say the same in every row, and say that once."""
    if len(table.columns) <= MOST_COLUMNS:
        return table, ""
    texts = table.texts()
    if not texts:
        return Table(table.title, table.columns[:MOST_COLUMNS], (), table.note), ""
    one_row = len(texts) == 1
    kept = [at for at in range(len(table.columns)) if len({row[at] for row in texts}) > 1 or (one_row and texts[0][at])]
    alike = [at for at in range(len(table.columns)) if at not in kept]
    empty = [table.columns[at].name for at in alike if not texts[0][at]]
    same = [
        f"{table.columns[at].name} {texts[0][at]} {unit_words(table.columns[at].unit)}".rstrip()
        for at in alike
        if texts[0][at]
    ]
    said = [f"The same in every row: {'; '.join(same)}."] if same else []
    said += [f"Empty in every row: {', '.join(empty)}."] if empty else []
    total = None if table.total is None else [table.total[at] for at in kept]
    rows = [[row[at] for at in kept] for row in table.rows]
    return Table(table.title, tuple(table.columns[at] for at in kept), rows, table.note, total), " ".join(said)
