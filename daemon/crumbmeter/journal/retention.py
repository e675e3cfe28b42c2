"""Which sealed segments have to go. Whole segments only, the oldest of their strand first; seals stay for ever.

For every segment sealed, no more than two go: a wall clock that is wrong by years can then never wipe out a journal
at one stroke (REQ-18), and it still shrinks, since every seal adds but one.
"""

from dataclasses import dataclass
from typing import Final

import apsw

from crumbmeter.journal.entry import CLOCK_NOT_SYNCED, Entry, Strand
from crumbmeter.journal.limits import Limits
from crumbmeter.journal.sql import fetch

_PER_SEAL: Final = 2
_SPARE_PAGES: Final = 256
"""[page] Free pages inside the file that let the record strand go on while the disk is full."""


@dataclass(frozen=True, slots=True)
class Doomed:
    """One segment that has to go."""

    strand: Strand
    segment: int
    first_seq: int
    last_seq: int
    reason: str


def _oldest(connection: apsw.Connection, strand: Strand, seals: int) -> list[tuple[int, int, int, int]]:
    """Return segment, first and last sequence and wall time [us] of the oldest sealed segments still here."""
    return fetch(
        connection,
        "SELECT segment, first_seq, last_seq, sealed_wall_us FROM seal WHERE strand = ? AND present = 1"
        " ORDER BY segment LIMIT ?",
        (strand, _PER_SEAL * seals),
    )


def pages(connection: apsw.Connection) -> tuple[int, int, int]:
    """Return pages of the file, those of them that are free, and the size of a page [byte]."""
    count = fetch(connection, "PRAGMA page_count")[0][0]
    free = fetch(connection, "PRAGMA freelist_count")[0][0]
    size = fetch(connection, "PRAGMA page_size")[0][0]
    return count, free, size


def too_old(connection: apsw.Connection, limits: Limits, newest: Entry, seals: int) -> list[Doomed]:
    """Return the segments past their age, judged at the newest entry and by a synchronised clock only."""
    if newest.flags & CLOCK_NOT_SYNCED:
        return []
    doomed: list[Doomed] = []
    strands: tuple[Strand, ...] = ("image", "record")
    for strand in strands:
        keep_us = limits.strand(strand).keep_us
        if keep_us is None:
            continue
        for segment, first_seq, last_seq, sealed_wall_us in _oldest(connection, strand, seals):
            if newest.wall_us - sealed_wall_us > keep_us:
                doomed.append(Doomed(strand, segment, first_seq, last_seq, "age"))
    return doomed


def too_much(connection: apsw.Connection, limits: Limits) -> list[Doomed]:
    """Return the next segments to go when the pages in use exceed the bound: images before records."""
    count, free, size = pages(connection)
    if (count - free) * size <= limits.max_bytes:
        return []
    return _next(connection, "size", ("image", "record"))


def make_room(connection: apsw.Connection) -> list[Doomed]:
    """Return image segments to give up so that the record strand finds free pages on a full disk."""
    return [] if pages(connection)[1] >= _SPARE_PAGES else _next(connection, "disk full", ("image",))


def has_room(connection: apsw.Connection) -> bool:
    """Tell whether the file has pages of its own to write to."""
    return pages(connection)[1] >= _SPARE_PAGES


def _next(connection: apsw.Connection, reason: str, strands: tuple[Strand, ...]) -> list[Doomed]:
    for strand in strands:
        oldest = _oldest(connection, strand, 1)
        if oldest:
            return [Doomed(strand, segment, first, last, reason) for segment, first, last, _ in oldest]
    return []
