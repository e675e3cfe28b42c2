"""Load tickets from files (CSV) and messages (JSON): plain mappings for the quality record, and what was refused.

A name of a column or key says its unit: `net_kg`, `net_lb`, `net_short_ton` or `net_tonne`; never a bare ton. Masses
are decimal and become whole grams without passing through binary numbers: 1 short ton is 907 184.74 g exactly. One bad
line is refused with its place; the others are read all the same.
"""

import csv
import datetime as dt
import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Decimal
from typing import Any, Final

GRAMS: Final = {
    "kg": Decimal(1000),
    "tonne": Decimal(1_000_000),
    "lb": Decimal("453.59237"),
    "short_ton": Decimal("907184.74"),
}
"""[g] In one of each unit. The pound is exact (1959 agreement; NIST SP 811 (2008), appendix B.8)."""
MASSES: Final = ("net", "gross", "tare")
WORDS: Final = ("silo_id", "truck", "mix_id", "project")
COLUMNS: Final = (
    "number", "loaded_at", *(f"{mass}_{unit}" for mass in MASSES for unit in GRAMS), *WORDS, "void"
)  # fmt: skip
MOST_G: Final = 200_000_000
"""[g] No truck carries more: such a figure is in another unit than its column says. Our own figure."""
_DECIMAL = re.compile(r"\d+(\.\d+)?|\.\d+")
_EPOCH = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)
_US = dt.timedelta(microseconds=1)
_VOID = {"": False, "0": False, "no": False, "false": False, "1": True, "yes": True, "true": True}


@dataclass(frozen=True, slots=True)
class ReadTicket:
    """One ticket as the quality record takes it."""

    number: str
    loaded_us: int
    """[us] UTC since 1970: from when the entry holds."""
    what: Mapping[str, Any]
    """Content of the entry."""
    line: int
    """Of the file; of a message, its place among the tickets in it."""


@dataclass(frozen=True, slots=True)
class TicketProblem:
    """Why a line, or all of it, was refused."""

    source: str
    line: int
    column: str
    found: str
    expected: str
    remedy: str

    def __str__(self) -> str:
        """Say it in one line."""
        where = f"{self.source}:{self.line}" + (f", {self.column}" if self.column else "")
        return f"{where}: {self.found}; expected {self.expected}. {self.remedy}"


@dataclass(frozen=True, slots=True)
class ReadTickets:
    """All that was read, and all that was not."""

    sound: tuple[ReadTicket, ...]
    problems: tuple[TicketProblem, ...]
    passed_over: tuple[str, ...] = ()
    """Columns that say nothing of a ticket here."""


def parse_csv(
    text: str, file: str, zone: dt.tzinfo | None = None, names: Mapping[str, str] | None = None
) -> ReadTickets:
    """Read a file of load tickets, separated by commas, semicolons or tabs.

    Args:
        text: The file.
        file: Its name, for messages.
        zone: Of times without an offset; None: these are refused.
        names: Which of our columns a differently named one is.
    """
    gathered = _Gathered(file, zone)
    lines = _lines(text)
    number, header = next(lines, (1, ""))
    mark = max(",;\t", key=header.count)
    given = _fields(gathered, number, header, mark) or []
    named = [(names or {}).get(name, name) for name in given]
    if not _header_fits(gathered, number, named):
        return gathered.all_of_it()
    for at, raw in lines:
        fields = _fields(gathered, at, raw, mark)
        if fields is None:
            continue
        if len(fields) > len(named):
            remedy = "A comma in a number or a text? Write a decimal point, and put text with commas in quotes."
            gathered.say(at, "", f"{len(fields)} fields", f"{len(named)}, as in the header", remedy)
            continue
        filled = dict(zip(named, [*fields, *[""] * (len(named) - len(fields))], strict=True))
        gathered.take(at, filled)
    unknown = tuple(name for name, ours in zip(given, named, strict=True) if ours not in COLUMNS)
    return gathered.all_of_it(unknown)


def parse_json(raw: bytes | str, source: str, zone: dt.tzinfo | None = None) -> ReadTickets:
    """Read a message: one ticket as an object, or several in a list or under `tickets`.

    Args:
        raw: JSON with the keys of the columns.
        source: Where it came from, for messages: a topic, an address.
        zone: Of times without an offset; None: these are refused.
    """
    gathered = _Gathered(source, zone)
    try:
        body = json.loads(raw, parse_float=Decimal, parse_int=Decimal, parse_constant=_no_constant)
    except (ValueError, RecursionError) as problem:
        gathered.say(
            1, "", f"no JSON ({problem})", "an object with number, loaded_at and net_kg", "Correct the sender."
        )
        return gathered.all_of_it()
    if isinstance(body, dict) and isinstance(body.get("tickets"), list):
        body = body["tickets"]
    unknown: dict[str, None] = {}
    for at, one in enumerate(body if isinstance(body, list) else [body], 1):
        if not isinstance(one, dict):
            gathered.say(at, "", f"{type(one).__name__}", "an object for each ticket", "Correct the sender.")
            continue
        unknown |= dict.fromkeys(name for name in one if name not in COLUMNS)
        gathered.take(at, {name: _text(value) for name, value in one.items()})
    return gathered.all_of_it(tuple(unknown))


class _Gathered:
    """Tickets and problems of one source."""

    def __init__(self, source: str, zone: dt.tzinfo | None) -> None:
        self._source = source
        self._zone = zone
        self._sound: dict[str, ReadTicket] = {}
        self._problems: list[TicketProblem] = []

    def say(self, line: int, column: str, found: str, expected: str, remedy: str) -> None:
        self._problems.append(TicketProblem(self._source, line, column, found, expected, remedy))

    def all_of_it(self, passed_over: tuple[str, ...] = ()) -> ReadTickets:
        return ReadTickets(tuple(self._sound.values()), tuple(self._problems), passed_over)

    def take(self, line: int, fields: Mapping[str, str]) -> None:
        """Read one ticket, or say all that is wrong with it."""
        before = len(self._problems)
        number = fields.get("number", "").strip()
        void = self._void(line, fields)
        loaded_us = self._when(line, fields.get("loaded_at", ""))
        masses = self._masses(line, fields, void=void)
        if not number:
            self.say(line, "number", "nothing", "the ticket's number", "Write the number that is printed on it.")
        elif number in self._sound:
            earlier = f"{number}, which stands in line {self._sound[number].line} too"
            self.say(line, "number", earlier, "each number once", "Take one out, or correct the ticket in the record.")
        if len(self._problems) > before or loaded_us is None:
            return
        what: dict[str, Any] = {f"{name}_g": mass_g for name, mass_g in masses.items()}
        what |= {name: fields[name].strip() for name in WORDS if fields.get(name, "").strip()}
        self._sound[number] = ReadTicket(number, loaded_us, what | ({"void": True} if void else {}), line)

    def _void(self, line: int, fields: Mapping[str, str]) -> bool:
        text = fields.get("void", "").strip().lower()
        if text not in _VOID:
            self.say(line, "void", repr(text), "yes, no or nothing", "Write yes where the ticket carried nothing.")
        return _VOID.get(text, False)

    def _masses(self, line: int, fields: Mapping[str, str], *, void: bool) -> dict[str, int]:
        """[g] Read net, gross and tare; net is gross less tare where it is not given."""
        before = len(self._problems)
        found: dict[str, int] = {}
        for mass in MASSES:
            for unit in GRAMS:
                name = f"{mass}_{unit}"
                mass_g = self._grams(line, name, fields.get(name, "").strip(), GRAMS[unit])
                if mass_g is not None and found.setdefault(mass, mass_g) != mass_g:
                    told = f"{mass_g} g, and {found[mass]} g in another unit"
                    self.say(line, name, told, "the same mass in both", "Correct one, or leave it out.")
        if "net" not in found and {"gross", "tare"} <= found.keys():
            found["net"] = found["gross"] - found["tare"]
        sound = len(self._problems) == before
        if sound and not void and found.get("net", 0) <= 0:
            told = f"{found['net']} g" if "net" in found else "nothing"
            self.say(line, "net_...", told, "a net mass above 0", "Write net, or gross and tare; or yes under void.")
        return found

    def _grams(self, line: int, name: str, text: str, unit_g: Decimal) -> int | None:
        if not text:
            return None
        if len(text) > 20 or not _DECIMAL.fullmatch(text):
            remedy = "Write digits with a decimal point and nothing else."
            self.say(line, name, repr(text[:40]), "a mass of 0 or more", remedy)
            return None
        mass_g = int((Decimal(text) * unit_g).to_integral_value(ROUND_HALF_EVEN))
        if mass_g > MOST_G:
            remedy = "Is it in another unit? The column's name says which one is meant."
            self.say(line, name, f"{text} ({mass_g / 1e6:g} tonne)", f"at most {MOST_G / 1e6:g} tonne", remedy)
            return None
        return mass_g

    def _when(self, line: int, text: str) -> int | None:
        """[us] Read the end of loading."""
        remedy = "Write it as 2026-07-01T06:31:00-05:00, or with Z for UTC."
        try:
            when = dt.datetime.fromisoformat(text.strip())
        except ValueError:
            self.say(line, "loaded_at", repr(text[:40]), "a date and time (ISO 8601)", remedy)
            return None
        if when.tzinfo is None:
            if self._zone is None or len(text.strip()) <= len("2026-07-01"):
                self.say(line, "loaded_at", repr(text), "a time of day with its offset from UTC", remedy)
                return None
            when = when.replace(tzinfo=self._zone)
            if not _once(when):
                told = f"{text.strip()}, which the clocks of {self._zone} show twice or never"
                self.say(line, "loaded_at", told, "a time that is told once", "Write it with its offset from UTC.")
                return None
        return (when - _EPOCH) // _US


def _once(when: dt.datetime) -> bool:
    """Tell whether a local time is one moment: not in the hour that clocks repeat or leave out."""
    return when.replace(fold=0).utcoffset() == when.replace(fold=1).utcoffset()


def _lines(text: str) -> Iterator[tuple[int, str]]:
    """Yield numbered lines without comments and empty ones."""
    for number, raw in enumerate(text.removeprefix("\ufeff").splitlines(), 1):
        if raw.strip(" ,;\t") and not raw.lstrip().startswith("#"):
            yield number, raw


def _fields(gathered: _Gathered, number: int, raw: str, mark: str) -> list[str] | None:
    try:
        return [field.strip() for field in next(csv.reader([raw], delimiter=mark, strict=True), [])]
    except csv.Error as problem:
        remedy = "Close what was opened; write a quotation mark within a text twice."
        gathered.say(number, "", f"quotation marks that do not match ({problem})", "one ticket in one line", remedy)
        return None


def _header_fits(gathered: _Gathered, number: int, header: Sequence[str]) -> bool:
    """Say what is wrong with the header; without it no line can be read."""
    before = len(gathered.all_of_it().problems)
    nets = [name for name in COLUMNS if name.startswith("net_")]
    for name in ("number", "loaded_at"):
        if name not in header:
            gathered.say(number, "", f"no column {name}", f"{name} in the header", "Name it in the first line.")
    weighed = any(name in header for name in nets)
    if not weighed and not all(any(f"{mass}_{unit}" in header for unit in GRAMS) for mass in ("gross", "tare")):
        bare = [name for name in header if re.fullmatch(r"(net|gross|tare)([_ ].*)?", name, re.IGNORECASE)]
        told = f"column {bare[0]!r}" if bare else "no column with a net mass"
        remedy = "Say the unit in the name; which ton too: short_ton is 2000 lb, tonne is 1000 kg."
        gathered.say(number, "", told, f"one of {', '.join(nets)}", remedy)
    for name in COLUMNS:
        if list(header).count(name) > 1:
            gathered.say(number, name, "it stands twice", "each column once", "Take one out.")
    return len(gathered.all_of_it().problems) == before


def _text(value: object) -> str:
    if value is None:
        return ""
    return {True: "yes", False: "no"}[value] if isinstance(value, bool) else str(value)


def _no_constant(word: str) -> None:
    raise ValueError(f"{word} is no number")
