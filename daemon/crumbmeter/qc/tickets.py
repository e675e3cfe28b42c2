"""Load tickets as QC has them: what a truck carried away, out of which silo, and which entries contradict each other.

A ticket is an entry of the quality record with subject `TICKET`; its number is what the entry is about, and the end of
loading is the time from which it holds. Nothing here drops an entry without a word: what does not count is in `doubts`.
"""

from collections.abc import Iterable, Mapping
from typing import Any

from crumbmeter.model.frozen import dataclass
from crumbmeter.qc.said import Said, Subject

EARLY_US = 7 * 86_400_000_000
"""[us] Tickets of one number further apart than this may be of two books of tickets; they are still told as a doubt."""


class NotATicketError(ValueError):
    """An entry cannot be read as a load ticket; the text names the field, what it holds and what was expected."""


@dataclass(frozen=True, slots=True)
class Ticket:
    """One truck load."""

    number: str
    loaded_us: int
    """[us] UTC since 1970 at the end of loading."""
    net_g: int
    silo_id: str = ""
    """Where it was loaded; empty: straight from the drum, or nobody said."""
    truck: str = ""
    mix_id: str = ""
    project: str = ""
    gross_g: int | None = None
    tare_g: int | None = None
    void: bool = False
    """Whether it was declared void: it carried nothing."""
    seq: int = 0
    """Its entry in the quality record."""


@dataclass(frozen=True, slots=True)
class Doubt:
    """Why an entry does not count, or why what counts is in doubt."""

    number: str
    seqs: tuple[int, ...]
    """The entries concerned, in the order they were said; the first of several counts."""
    found: str
    remedy: str

    def __str__(self) -> str:
        """Say it in one line."""
        entries = ", ".join(str(seq) for seq in self.seqs)
        return f"ticket {self.number} (entry {entries}): {self.found}. {self.remedy}"


@dataclass(frozen=True, slots=True)
class Tickets:
    """The tickets in force."""

    loads: tuple[Ticket, ...]
    """Those that carried mix, by the end of loading."""
    void: tuple[Ticket, ...]
    doubts: tuple[Doubt, ...]


def read(said: Said) -> Ticket:
    """Read a ticket out of an entry.

    Raises:
        NotATicketError: a field is missing or of the wrong kind; correct the entry by another one.
    """
    what = said.what
    void = what.get("void", False)
    if not isinstance(void, bool):
        raise NotATicketError(f"void is {void!r}; expected true or false")
    net_g = 0 if void and "net_g" not in what else _grams(what, "net_g")
    return Ticket(
        number=_number(said.about),
        loaded_us=said.effective_us,
        net_g=net_g or 0,
        silo_id=_word(what, "silo_id"),
        truck=_word(what, "truck"),
        mix_id=_word(what, "mix_id"),
        project=_word(what, "project"),
        gross_g=_grams(what, "gross_g") if "gross_g" in what else None,
        tare_g=_grams(what, "tare_g") if "tare_g" in what else None,
        void=void,
        seq=said.seq,
    )


def what(ticket: Ticket) -> dict[str, Any]:
    """Turn a ticket back into the content of an entry; its number and time are the entry's own."""
    words = {name: getattr(ticket, name) for name in ("silo_id", "truck", "mix_id", "project")}
    masses = {name: getattr(ticket, name) for name in ("gross_g", "tare_g")}
    made: dict[str, Any] = {"net_g": ticket.net_g}
    made |= {name: word for name, word in words.items() if word}
    made |= {name: mass_g for name, mass_g in masses.items() if mass_g is not None}
    return made | ({"void": True} if ticket.void else {})


def tickets_in_force(holding: Iterable[Said]) -> Tickets:
    """Take the tickets that hold, each number once; what contradicts itself is told and not lost.

    Args:
        holding: Entries in force (`said.in_force(...).holding`), of any subject.
    """
    by_number: dict[str, list[Ticket]] = {}
    doubts: list[Doubt] = []
    for said in holding:
        if said.subject is not Subject.TICKET:
            continue
        try:
            ticket = read(said)
        except NotATicketError as problem:
            doubts.append(Doubt(said.about, (said.seq,), f"not counted: {problem}", "Correct the entry."))
            continue
        by_number.setdefault(ticket.number, []).append(ticket)
    kept = [entries[0] for entries in by_number.values()]
    for entries in by_number.values():
        doubts += _doubts(entries)
    kept.sort(key=lambda one: (one.loaded_us, one.seq))
    return Tickets(tuple(one for one in kept if not one.void), tuple(one for one in kept if one.void), tuple(doubts))


def _doubts(entries: list[Ticket]) -> list[Doubt]:
    first, *others = entries
    found = []
    for other in others:
        apart = abs(other.loaded_us - first.loaded_us) > EARLY_US
        if _same(first, other):
            said, remedy = "told twice with the same content; counted once", "Take one back."
        elif apart:
            said = f"two loads more than a week apart ({first.net_g} g and {other.net_g} g); the first one counts"
            remedy = "If both are right, enter the later one with a number of its own, such as the book's before it."
        else:
            said = f"two entries differ ({_difference(first, other)}); the first one counts"
            remedy = f"Correct entry {first.seq} by the right content, and take entry {other.seq} back."
        found.append(Doubt(first.number, (first.seq, other.seq), said, remedy))
    if first.gross_g is not None and first.tare_g is not None and first.gross_g - first.tare_g != first.net_g:
        said = f"gross {first.gross_g} g less tare {first.tare_g} g is not net {first.net_g} g; net counts"
        found.append(Doubt(first.number, (first.seq,), said, "Correct the one that is wrong."))
    return found


def _same(one: Ticket, other: Ticket) -> bool:
    return what(one) == what(other) and one.loaded_us == other.loaded_us


def _difference(one: Ticket, other: Ticket) -> str:
    named = {**what(one), "loaded_us": one.loaded_us}, {**what(other), "loaded_us": other.loaded_us}
    keys = [key for key in {**named[0], **named[1]} if named[0].get(key) != named[1].get(key)]
    return "; ".join(f"{key} {named[0].get(key)!r} and {named[1].get(key)!r}" for key in keys)


def _number(about: str) -> str:
    if not about.strip():
        raise NotATicketError("it has no number; expected the number that is printed on it")
    return about.strip()


def _word(what: Mapping[str, Any], name: str) -> str:
    value = what.get(name, "")
    if not isinstance(value, str):
        raise NotATicketError(f"{name} is {value!r}; expected text")
    return value.strip()


def _grams(what: Mapping[str, Any], name: str) -> int:
    value = what.get(name)
    if isinstance(value, bool) or not isinstance(value, int) or value < 0 or (name == "net_g" and value == 0):
        expected = "a whole number of grams above 0" if name == "net_g" else "a whole number of grams, 0 or more"
        raise NotATicketError(f"{name} is {'missing' if value is None else repr(value)}; expected {expected}")
    return value
