"""A document as plain text, for the command line: tables aligned, nothing wider than it must be."""

import textwrap
from collections.abc import Iterator, Sequence
from typing import Final

from crumbmeter.report.document import Align, Block, Chart, Document, Facts, Signature, Table, Text, checksum
from crumbmeter.report.figures import Value, shown, unit_words

WIDTH: Final = 100
"""[letters] Of a line, where nobody says how wide the terminal is."""
GAP: Final = "  "
BELOW: Final = "    "
"""Before what stands below a row."""
WRAPPED_COLUMNS: Final = 4
"""In a table of no more columns no text is cut."""
LEAST_TEXT: Final = 16
"""[letters] A column of text is not cut below this."""


def text(document: Document, width: int = WIDTH) -> str:
    """Write a document as plain text of lines that fit a terminal. It ends with a line end.

    Args:
        document: What to write.
        width: [letters] Of a line; a table with more than that of numbers is wider all the same.
    """
    lines = [document.site_title, document.title, document.period_text]
    if document.marks:
        lines.append(f"*** {' · '.join(document.marks)} ***")
    for block in document.blocks:
        lines += ["", *_block(block, width)]
    if not document.blocks:
        lines += ["", "There is nothing to report."]
    lines += ["", *(f"{label}: {said}" for label, said in document.identity)]
    lines.append(f"checksum of the content: sha256:{checksum(document)}")
    return "".join(f"{printable(line).rstrip()}\n" for line in lines)


def printable(line: str) -> str:
    """Replace what would move a terminal's cursor or ring its bell: a text from outside must not."""
    return "".join(letter if letter.isprintable() else "?" for letter in line)


def _block(block: Block, width: int) -> Iterator[str]:
    match block:
        case Facts():
            yield from _title(block.title)
            labels = max((len(one.label) for one in block.facts), default=0)
            for one in block.facts:
                yield f"{one.label:<{labels}}{GAP}{one.text}"
        case Table():
            yield from _title(block.title)
            yield from _table(block, width)
            yield from textwrap.wrap(block.note, width)
        case Chart():
            yield from _title(block.title)
            yield from _chart(block)
            yield from textwrap.wrap(block.note, width)
        case Text():
            yield from _title(block.title)
            yield from textwrap.wrap(block.words, width)
        case Signature():
            for who, what in block.recorded:
                yield f"Signed in the quality record by {who}: {what}"
            for role in block.roles:
                yield f"{role}: {'_' * 30}{GAP}date: {'_' * 12}"


def _title(title: str) -> Iterator[str]:
    if title:
        yield title
        yield "-" * len(title)


def _chart(chart: Chart) -> Iterator[str]:
    """Say the range of each series: a terminal draws none."""
    for one in chart.series:
        held = [value for value in one.y if value is not None]
        span = f"{min(held):.4g} to {max(held):.4g}" if held else "no value"
        beyond = f", {len(one.marked)} out of limits" if one.marked else ""
        yield f"{one.name}: {len(held)} points, {span}{beyond} ({chart.y_label})"
    for limit in chart.limits:
        yield f"{limit.name}: {limit.y:.4g}"


def _table(table: Table, most: int) -> Iterator[str]:
    table, below = _apart(table)
    heads = [(column.name, unit_words(column.unit)) for column in table.columns]
    rows = table.texts()
    total = [] if table.total is None else [_total(table)]
    widths = [
        max(len(name), len(unit), *(len(row[at]) for row in (*rows, *total)), 0)
        for at, (name, unit) in enumerate(heads)
    ]
    whole, gaps = sum(widths), len(widths) - 1
    roomy = whole + len(GAP) * gaps <= most or (whole + gaps > most and _least(widths, table) + len(GAP) * gaps <= most)
    gap = GAP if roomy else GAP[:1]  # rather narrow gaps than names cut short
    _narrow(widths, table, gap, most)
    yield _line(table, [name for name, _ in heads], widths, gap)
    if any(unit for _, unit in heads):
        yield _line(table, [unit for _, unit in heads], widths, gap)
    rule = gap.join("-" * width for width in widths)
    yield rule
    for row, words in zip(rows, below, strict=True):
        yield from _lines(table, row, widths, gap)
        yield from textwrap.wrap(words, most, initial_indent=BELOW, subsequent_indent=BELOW)
    if not rows:
        yield "none"
    if total:
        yield rule
        yield _line(table, total[0], widths, gap)


def _apart(table: Table) -> tuple[Table, list[str]]:
    """Take out the columns whose texts stand below their row; return what is left, and those texts row by row."""
    under = [at for at, column in enumerate(table.columns) if column.below]

    def kept(row: Sequence[Value]) -> list[Value]:
        return [value for at, value in enumerate(row) if at not in under]

    texts = [" ".join(cells[at] for at in under) for cells in table.texts()]
    columns = tuple(column for column in table.columns if not column.below)
    total = None if table.total is None else kept(table.total)
    return Table(table.title, columns, [kept(row) for row in table.rows], table.note, total), texts


def _total(table: Table) -> list[str]:
    places = [column.decimals for column in table.columns]
    return [shown(value, at) for value, at in zip(table.total or (), places, strict=True)]


def _texts(table: Table) -> list[int]:
    """Return the places of columns that may be cut."""
    return [at for at, column in enumerate(table.columns) if column.align is Align.LEFT and not column.time]


def _least(widths: Sequence[int], table: Table) -> int:
    texts = _texts(table)
    return sum(min(width, LEAST_TEXT) if at in texts else width for at, width in enumerate(widths))


def _narrow(widths: list[int], table: Table, gap: str, most: int) -> None:
    """Take from the widest columns of text what the line has too much; numbers are never cut."""
    texts = _texts(table)
    while sum(widths) + len(gap) * (len(widths) - 1) > most:
        widest = max(texts, key=lambda at: widths[at], default=None)
        if widest is None or widths[widest] <= LEAST_TEXT:
            return
        widths[widest] -= 1


def _lines(table: Table, cells: Sequence[str], widths: Sequence[int], gap: str) -> Iterator[str]:
    """Write a row; in a table of few columns a long text goes on below itself, in others it is cut."""
    if len(table.columns) > WRAPPED_COLUMNS:
        yield _line(table, cells, widths, gap)
        return
    parts = [textwrap.wrap(cell, width) or [""] for cell, width in zip(cells, widths, strict=True)]
    for place in range(max(len(part) for part in parts)):
        yield _line(table, [part[place] if place < len(part) else "" for part in parts], widths, gap)


def _line(table: Table, cells: Sequence[str], widths: Sequence[int], gap: str) -> str:
    shaped = []
    for column, cell, width in zip(table.columns, cells, widths, strict=True):
        fitting = cell if len(cell) <= width else cell[: width - 1] + "…"
        shaped.append(f"{fitting:>{width}}" if column.align is Align.RIGHT else f"{fitting:<{width}}")
    return gap.join(shaped)
