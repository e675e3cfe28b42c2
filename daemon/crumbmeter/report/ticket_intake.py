"""Load tickets out of a file or a message: which are new, which are there, which contradict what is there."""

from collections.abc import Iterable
from dataclasses import dataclass

from crumbmeter.outward.tickets import ReadTicket, ReadTickets
from crumbmeter.qc.said import InForce, Said, Subject


@dataclass(frozen=True, slots=True)
class Intake:
    """What is to be recorded, and what is not."""

    new: tuple[Said, ...]
    known: tuple[str, ...]
    """Numbers that are on record with the same content."""
    problems: tuple[str, ...]
    """Each in one line: where, what was found, what was expected, and the remedy."""


def take(read: ReadTickets, record: InForce, who: str, now_us: int, *, correct: bool = False) -> Intake:
    """Sort tickets that were read.

    Args:
        read: What a file or message holds.
        record: The quality record.
        who: Where they came from.
        now_us: [us] UTC since 1970.
        correct: Whether other content under a number that is on record is a correction; else it is a problem.
    """
    held = {one.about: one for one in record.of(Subject.TICKET)}
    problems = [str(one) for one in read.problems]
    new: list[Said] = []
    known: list[str] = []
    for one in read.sound:
        said = Said(Subject.TICKET, one.number, dict(one.what), who, one.loaded_us)
        before = held.get(one.number)
        if one.loaded_us > now_us:
            problems.append(
                f"ticket {one.number}: loaded in the future; expected a time that has been. Look at its zone."
            )
        elif before is None:
            new.append(said)
            held[one.number] = said
        elif _same(before, said):
            known.append(one.number)
        elif correct and before.seq:
            new.append(
                Said(
                    said.subject, said.about, said.what, who, said.effective_us, corrects=before.seq, reason="told anew"
                )
            )
        else:
            problems.append(
                f"ticket {one.number}: on record with other content ({_difference(before, one)}); expected a number "
                "of its own. Correct it on purpose, or give it another number."
            )
    return Intake(tuple(new), tuple(known), tuple(problems))


def _same(held: Said, said: Said) -> bool:
    return dict(held.what) == dict(said.what) and held.effective_us == said.effective_us


def _difference(held: Said, read: ReadTicket) -> str:
    keys: Iterable[str] = {**held.what, **read.what}
    told = [f"{key} {held.what.get(key)!r} and {read.what.get(key)!r}" for key in keys
            if held.what.get(key) != read.what.get(key)]  # fmt: skip
    return "; ".join(told) or "another time of loading"
