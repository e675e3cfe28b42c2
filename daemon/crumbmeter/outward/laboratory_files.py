"""Raw curves of laboratory machines: text in, columns in one unit each out, or everything that is wrong with it.

    passes,rut_mm            load_kN;displacement_mm         load_N<tab>cmod_um
    0,0.00                   0,00;0,000                      0<tab>0
    20,0.31                  0,12;0,010                      120<tab>9

The header must name each quantity with its unit, in the same cell (`Load (kN)`, `load_kN`, `rut depth [mm]`) or in a
row of units below it. Lines before the header, blank ones and comments (`#`, `%`, `//`) are passed over, and so is
every column that is not asked for. Columns are parted by tabs, semicolons or commas. A decimal comma is understood
where commas part no columns. A cycle of the Hamburg wheel is two passes. Nothing is guessed: a number that may mean
two things is refused, with its line and column. Pure.
"""

import csv
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import isfinite
from typing import Final

from crumbmeter.model.faults import CrumbmeterError

MOST_SHOWN: Final = 20
FEWEST_RECORDS: Final = 3
HEADER_WITHIN: Final = 200
"""Lines in which a header must be found."""


class CurveKind(StrEnum):
    """What a file is a record of."""

    HAMBURG = "hamburg"
    FRACTURE = "fracture"
    CRACKING = "cracking"


@dataclass(frozen=True, slots=True)
class FileProblem:
    """One mistake: where, what was found, what was expected, what to do."""

    file: str
    line: int
    column: int
    """Counted from 1, as in a spreadsheet; 0: the line as a whole."""
    found: str
    expected: str
    remedy: str

    def __str__(self) -> str:
        """Write it on one line."""
        place = f"{self.file}, line {self.line}" + (f", column {self.column}" if self.column else "")
        return f"{place}: {self.found}: {self.expected}. {self.remedy}"


class LaboratoryFileRefusedError(CrumbmeterError):
    """The file has mistakes; nothing of it is used. Show `problems`, mend the file and read it again."""

    def __init__(self, problems: Sequence[FileProblem]) -> None:
        self.problems = tuple(problems)
        more = len(self.problems) - MOST_SHOWN
        shown = [str(one) for one in self.problems[:MOST_SHOWN]] + ([f"and {more} more"] if more > 0 else [])
        super().__init__("\n".join(shown))


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a curve."""

    quantity: str
    """passes, rut, load, displacement or cmod."""
    heading: str
    """As it stands in the file."""
    unit: str
    """Unit in the file."""
    values: tuple[float, ...]
    """In passes, mm or kN."""


@dataclass(frozen=True, slots=True)
class CurveFile:
    """A curve as it was read."""

    kind: CurveKind
    columns: tuple[Column, ...]
    header_line: int

    def all_of(self, quantity: str) -> tuple[tuple[float, ...], ...]:
        """Return every column of a quantity: a Hamburg record may have several positions."""
        return tuple(column.values for column in self.columns if column.quantity == quantity)

    def of(self, quantity: str) -> tuple[float, ...]:
        """Return the one column of a quantity that the kind of file needs."""
        return self.all_of(quantity)[0]


_LENGTHS: Final = {
    "mm": 1.0, "cm": 10.0, "m": 1000.0, "um": 0.001, "µm": 0.001, "μm": 0.001, "micron": 0.001, "in": 25.4,
    "inch": 25.4, "inches": 25.4, "mil": 0.0254,
}  # fmt: skip
"""[mm]"""
_FORCES: Final = {
    "kn": 1.0, "n": 0.001, "lbf": 0.0044482216152605, "lb": 0.0044482216152605, "lbs": 0.0044482216152605,
    "kip": 4.4482216152605, "kips": 4.4482216152605, "kgf": 0.00980665,
}  # fmt: skip
"""[kN] Newton (SI), pound-force (NIST SP 811, B.8), kilogram-force."""
_COUNTS: Final = {"passes": 1.0, "pass": 1.0, "cycles": 2.0, "cycle": 2.0}
"""Passes; a cycle is there and back."""
_WORDS: Final = {
    "rut": ("rut", "rutting", "depth", "impression", "deformation", "position", "sensor", "lvdt"),
    "load": ("load", "force"),
    "cmod": ("cmod", "crack mouth", "opening", "clip"),
    "displacement": ("displacement", "disp", "lld", "stroke", "travel", "extension", "position", "deformation"),
}
"""Words of a heading, by quantity."""
_UNITS: Final = {"rut": _LENGTHS, "load": _FORCES, "cmod": _LENGTHS, "displacement": _LENGTHS}
_WANTED: Final = {
    CurveKind.HAMBURG: ("passes", "rut"),
    CurveKind.FRACTURE: ("load", "cmod"),
    CurveKind.CRACKING: ("load", "displacement"),
}
EXAMPLES: Final = {
    CurveKind.HAMBURG: "passes,rut_mm",
    CurveKind.FRACTURE: "load_kN,cmod_mm",
    CurveKind.CRACKING: "load_kN,displacement_mm",
}
_COMMENT: Final = re.compile(r"\s*(#|%|//)")
_NUMBER: Final = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")
_GLUED: Final = re.compile(r"([A-Za-z]{3,}?)(kN|N|lbf|mm|um|Mm|MM)")
"""A heading with its unit glued to it: `LoadkN`."""
_THOUSANDS: Final = re.compile(r"[+-]?\d{1,3}(,\d{3})+")


@dataclass(frozen=True, slots=True)
class _Heading:
    """A column that is wanted."""

    at: int
    """Index, from 0."""
    quantity: str
    text: str
    unit: str
    """Empty: not found."""
    factor: float


@dataclass(frozen=True, slots=True)
class _Row:
    line: int
    cells: tuple[str, ...]


def read_curve(text: str, file: str, kind: CurveKind) -> CurveFile:
    """Read the raw curve of one specimen.

    Args:
        text: The file, decoded; a byte order mark is passed over.
        file: Its name, for messages.
        kind: What it must be a record of.

    Raises:
        LaboratoryFileRefusedError: with every mistake at once.
    """
    rows = list(_rows(text))
    found = _header(rows, kind)
    if isinstance(found, str) or found is None:
        line = rows[0].line if rows else 1
        first = _short(",".join(rows[0].cells)) if rows else "an empty file"
        expected = found or f"no header names {' and '.join(_WANTED[kind])}"
        remedy = f"Write a first line such as {EXAMPLES[kind]}."
        raise LaboratoryFileRefusedError([FileProblem(file, line, 0, first, expected, remedy)])
    headings, at, begin = found
    problems = [
        FileProblem(file, rows[at].line, one.at + 1, _short(one.text), f"no unit of {one.quantity}", _unit_remedy(one))
        for one in headings
        if not one.unit
    ]
    if problems:
        raise LaboratoryFileRefusedError(problems)
    values = _values(rows[begin:], headings, _parted_by_commas(text, rows[at].line), file, problems)
    count = len(rows) - begin
    if count < FEWEST_RECORDS and not problems:
        words = f"{count} records"
        expected = f"a curve has at least {FEWEST_RECORDS}"
        problems.append(FileProblem(file, rows[at].line, 0, words, expected, "Export the whole record."))
    if problems:
        raise LaboratoryFileRefusedError(problems)
    columns = [
        Column(one.quantity, one.text, one.unit, tuple(numbers)) for one, numbers in zip(headings, values, strict=True)
    ]
    return CurveFile(kind, tuple(columns), rows[at].line)


def _rows(text: str) -> Iterator[_Row]:
    """Yield the lines that say something, cut into cells."""
    for line, source in enumerate(text.lstrip("\ufeff").splitlines(), start=1):
        if not source.strip(" \t;,") or _COMMENT.match(source):
            continue
        (cells,) = csv.reader([source], delimiter=_separator(source))
        yield _Row(line, tuple(cell.strip() for cell in cells))


def _separator(source: str) -> str:
    return next((mark for mark in ("\t", ";") if mark in source), ",")


def _parted_by_commas(text: str, line: int) -> bool:
    return _separator(text.lstrip("\ufeff").splitlines()[line - 1]) == ","


def _header(rows: Sequence[_Row], kind: CurveKind) -> tuple[list[_Heading], int, int] | str | None:
    """Find the header: its columns, its row, and the row where numbers begin; or what comes nearest, in words."""
    nearest = ""
    for at, row in enumerate(rows):
        if row.line > HEADER_WITHIN or all(_NUMBER.fullmatch(cell.replace(",", ".")) for cell in row.cells if cell):
            break
        headings = [one for index, cell in enumerate(row.cells) for one in _heading(index, cell, kind)]
        missing = [name for name in _WANTED[kind] if name not in {one.quantity for one in headings}]
        twice = [name for name in _WANTED[kind] if name != "rut" and sum(one.quantity == name for one in headings) > 1]
        if twice:
            nearest = f"line {row.line} names {twice[0]} more than once"
        elif headings and missing:
            nearest = nearest or f"line {row.line} names {headings[0].quantity} and no {' and no '.join(missing)}"
        elif headings:
            units = rows[at + 1].cells if at + 1 < len(rows) else ()
            named = [_with_unit(one, units) for one in headings]
            below = any(one.unit and not before.unit for one, before in zip(named, headings, strict=True))
            return named, at, at + 1 + below
    return nearest or None


def _heading(index: int, cell: str, kind: CurveKind) -> Iterator[_Heading]:
    """Yield the wanted quantity that a cell of the header names, with its unit where it is there."""
    words = re.sub(r"[_()\[\]{}/,:.-]+", " ", cell).split()
    if words and (glued := _GLUED.fullmatch(words[-1])):
        words[-1:] = glued.groups()
    words = [word.lower() for word in words]
    if kind is CurveKind.HAMBURG:
        unit = next((word for word in words if word in _COUNTS), "")
        if unit:
            yield _Heading(index, "passes", cell, unit, _COUNTS[unit])
            return
    plain = " ".join(words)
    for quantity in _WANTED[kind]:
        numbered = quantity == "rut" and re.match(r"\d+ (mm|in)\b", plain)
        if numbered or any(re.search(rf"\b{word}", plain) for word in _WORDS.get(quantity, ())):
            units = _UNITS[quantity]
            unit = next((word for word in reversed(words) if word in units), "")
            yield _Heading(index, quantity, cell, unit, units.get(unit, 1.0))
            return


def _with_unit(one: _Heading, cells: Sequence[str]) -> _Heading:
    """Take the unit from a row of units below the header, where the heading has none."""
    if one.unit or one.at >= len(cells):
        return one
    word = cells[one.at].strip("()[] ").lower()
    factor = _UNITS[one.quantity].get(word)
    return one if factor is None else _Heading(one.at, one.quantity, one.text, word, factor)


def _unit_remedy(one: _Heading) -> str:
    known = ", ".join(dict.fromkeys(word for word in _UNITS[one.quantity] if word.isascii()))
    return (
        f"Write the unit into the heading, such as {one.quantity}_{'kN' if one.quantity == 'load' else 'mm'} ({known})."
    )


def _values(
    rows: Sequence[_Row], headings: Sequence[_Heading], commas: bool, file: str, problems: list[FileProblem]
) -> list[list[float]]:
    values: list[list[float]] = [[] for _ in headings]
    points = any("." in row.cells[one.at] for row in rows for one in headings if one.at < len(row.cells))
    for row in rows:
        for one, numbers in zip(headings, values, strict=True):
            cell = row.cells[one.at] if one.at < len(row.cells) else ""
            number = _number(cell, commas, points, one.quantity == "passes")
            if isinstance(number, float):
                numbers.append(number * one.factor)
            else:
                problems.append(FileProblem(file, row.line, one.at + 1, _short(cell) or "nothing", *number))
    return values


def _number(cell: str, commas: bool, points: bool, whole: bool) -> float | tuple[str, str]:
    """Return the number in a cell, or what is expected there and what to do."""
    plain = cell.replace("\u2212", "-").replace("\u00a0", "")
    if "," in plain:
        if whole and _THOUSANDS.fullmatch(plain):
            return "may be thousands or a fraction", "Write it without a comma."
        if commas or points or plain.count(",") > 1:
            return "a comma in a number of a file whose decimals are points", "Write it without the comma."
        plain = plain.replace(",", ".")
    if not _NUMBER.fullmatch(plain):
        return "a number is needed", "Mend the cell, or take the line out if it is no record."
    number = float(plain)
    return number if isfinite(number) else ("too large to be a number", "Mend the cell.")


def _short(text: str) -> str:
    return repr(text if len(text) <= 40 else text[:37] + "...") if text else ""
