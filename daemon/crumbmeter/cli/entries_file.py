"""The file of what people know of a period: load tickets, bags, waste, levels. Text in, loads or all its mistakes out.

    kind,when,mass,unit,scale,lot,within
    ticket,2026-07-01T06:31:00-05:00,22.41,short_ton,truck_scale,T-1001,
    bag,2026-07-01T06:10:00-05:00,2000,lb,yard_scale,LOT-7,

The first four columns are needed, in any order; `#` begins a comment. Pure.
"""

import csv
import datetime as dt
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

from crumbmeter.estimation.plant_balance import Entered, Load
from crumbmeter.model.faults import CrumbmeterError
from crumbmeter.model.units import UNITS

FIELD_OF = {
    "ticket": "tickets",
    "bag": "bags",
    "waste": "waste",
    "rubber_waste": "rubber_waste",
    "silo_change": "silo_changes",
    "hopper_change": "hopper_changes",
    "supply_change": "supply_changes",
}
"""Kind of an entry, and where it goes."""
CHANGES = ("silo_change", "hopper_change", "supply_change")
"""Kinds that may be negative: closing less opening."""
NEEDED = ("kind", "when", "mass", "unit")
COLUMNS = (*NEEDED, "scale", "lot", "within")
MASS_UNITS = tuple(code for code, unit in UNITS.items() if unit.dimension == "mass")


@dataclass(frozen=True, slots=True)
class EntryProblem:
    """One mistake: where, what was found, what was expected, what to do."""

    file: str
    line: int
    found: str
    expected: str
    remedy: str

    def __str__(self) -> str:
        """Write it on one line."""
        return f"{self.file}, line {self.line}: {self.found}: {self.expected}. {self.remedy}"


class NoMomentError(CrumbmeterError):
    """What an option gives is no date and time with its zone."""


class EntriesRefusedError(Exception):
    """The file has mistakes; nothing of it is used."""

    def __init__(self, problems: tuple[EntryProblem, ...]) -> None:
        super().__init__("\n".join(map(str, problems)))
        self.problems = problems


@dataclass(frozen=True, slots=True)
class ReadEntries:
    """What the file says of a period."""

    entered: Entered
    used: int
    outside: int
    """Entries before or after the period."""


def parse_entries(
    text: str, file: str, from_wall_us: int | None = None, before_wall_us: int | None = None
) -> ReadEntries:
    """Read the entries of a period.

    Args:
        text: The file.
        file: Its name, for messages.
        from_wall_us: [us] Entries before this are left out.
        before_wall_us: [us] Entries at or after this are left out.

    Raises:
        EntriesRefusedError: with every mistake at once.
    """
    problems: list[EntryProblem] = []
    loads: dict[str, list[Load]] = {kind: [] for kind in FIELD_OF}
    used = outside = 0
    for kind, wall_us, load in _entries(_lines(text), file, problems):
        if (from_wall_us is None or wall_us >= from_wall_us) and (before_wall_us is None or wall_us < before_wall_us):
            loads[kind].append(load)
            used += 1
        else:
            outside += 1
    if problems:
        raise EntriesRefusedError(tuple(problems))
    entered = replace(Entered(), **{FIELD_OF[kind]: tuple(found) for kind, found in loads.items()})
    return ReadEntries(entered, used, outside)


def _entries(
    lines: list[tuple[int, list[str]]], file: str, problems: list[EntryProblem]
) -> Iterator[tuple[str, int, Load]]:
    """Yield every sound entry; what is wrong with the others is added to the problems."""
    if not lines:
        problems.append(EntryProblem(file, 1, "nothing", f"a header with {', '.join(NEEDED)}", "Begin with a header."))
        return
    (number, header), *rest = lines
    problems += _header_problems(file, number, header)
    if problems:
        return
    seen: dict[tuple[str, ...], int] = {}
    for number, fields in rest:
        line = _Line(file, number, problems)
        if len(fields) > len(header):
            line.say(f"{len(fields)} fields", f"the header has {len(header)}", "A decimal comma? Write a point.")
            continue
        entry = _entry(line, dict(zip(header, [*fields, *[""] * (len(header) - len(fields))], strict=True)))
        earlier = seen.setdefault(tuple(fields), number)
        if earlier != number:
            line.say("the same entry", f"it stands in line {earlier} too", "Take one out, or tell them apart by lot.")
        elif entry is not None:
            yield entry


def _lines(text: str) -> list[tuple[int, list[str]]]:
    """Split into numbered lines of fields, without comments and empty ones."""
    found = []
    for number, raw in enumerate(text.removeprefix("\ufeff").splitlines(), 1):
        if raw.strip() and not raw.lstrip().startswith("#"):
            found.append((number, [field.strip() for field in next(csv.reader([raw]), [])]))
    return found


def _header_problems(file: str, number: int, fields: list[str]) -> list[EntryProblem]:
    line = _Line(file, number, [])
    missing = [name for name in NEEDED if name not in fields]
    if missing:
        hint = "Separate columns by commas, not semicolons." if ";" in "".join(fields) else "Name it in the first line."
        line.say(f"no column {', '.join(missing)}", f"the header names {', '.join(NEEDED)}", hint)
    for name in fields:
        if name not in COLUMNS:
            line.say(f"column {name!r}", f"columns are {', '.join(COLUMNS)}", "Take it out, or write its right name.")
        if fields.count(name) > 1 and not any(name in problem.found for problem in line.problems):
            line.say(f"column {name!r} twice", "each column stands once", "Take one out.")
    return line.problems


class _Line:
    """Where mistakes of one line are gathered."""

    def __init__(self, file: str, number: int, problems: list[EntryProblem]) -> None:
        self._file = file
        self._number = number
        self.problems = problems

    def say(self, found: str, expected: str, remedy: str) -> None:
        self.problems.append(EntryProblem(self._file, self._number, found, expected, remedy))


def _entry(line: _Line, fields: Mapping[str, str]) -> tuple[str, int, Load] | None:
    """Read one entry; None where it has a mistake."""
    before = len(line.problems)
    kind = fields["kind"]
    if kind not in FIELD_OF:
        line.say(f"kind {kind!r}", f"one of {', '.join(FIELD_OF)}", "Write one of these.")
    wall_us = _when(line, fields["when"])
    factor = _unit(line, fields["unit"])
    mass = _number(line, "mass", fields["mass"])
    if mass is not None and kind in FIELD_OF and kind not in CHANGES and mass <= 0.0:
        line.say(f"mass {fields['mass']}", f"a {kind} is more than 0", "Leave out what did not come.")
    within = None
    if fields.get("within"):
        within = _number(line, "within", fields["within"])
        if within is not None and within < 0.0:
            line.say(f"within {fields['within']}", "0 or more", "Write by how much the mass may be off.")
    if len(line.problems) > before or mass is None or factor is None or wall_us is None:
        return None
    return kind, wall_us, Load(mass * factor, fields.get("scale", ""), None if within is None else within * factor)


def _number(line: _Line, name: str, text: str) -> float | None:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if math.isfinite(value):
        return value
    line.say(f"{name} {text!r}", "a number", "Write digits with a decimal point and nothing else.")
    return None


def _unit(line: _Line, text: str) -> float | None:
    if text in MASS_UNITS:
        return UNITS[text].factor
    remedy = "Say which ton: short_ton is 2000 lb, tonne is 1000 kg." if "ton" in text else "Write one of these."
    line.say(f"unit {text!r}", f"one of {', '.join(MASS_UNITS)}", remedy)
    return None


def moment(option: str, text: str) -> int | None:
    """[us] Return the moment that an option of the command line gives; None where it is left out.

    Raises:
        NoMomentError: it is no date and time with its zone.
    """
    wall_us = wall_us_of(text) if text else None
    if text and wall_us is None:
        raise NoMomentError(
            f"{option} {text!r}: expected a date and time with its zone; write it as 2026-07-01T06:00:00-05:00"
        )
    return wall_us


def wall_us_of(text: str) -> int | None:
    """[us] Return a time with its zone as UTC since 1970; None where it is none, or has no zone."""
    try:
        when = dt.datetime.fromisoformat(text)
    except ValueError:
        return None
    return None if when.tzinfo is None else round(when.timestamp() * 1e6)


def _when(line: _Line, text: str) -> int | None:
    wall_us = wall_us_of(text)
    if wall_us is None:
        remedy = "Write it as 2026-07-01T06:31:00-05:00, or with Z for UTC."
        line.say(f"when {text!r}", "a date and time with its zone (ISO 8601)", remedy)
    return wall_us
