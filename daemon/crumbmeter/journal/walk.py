"""Walking a strand: rows, seals and the evidence of dropped segments, against the chain. Reads; judges nothing else."""

import json
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import apsw

from crumbmeter.journal.chain import Seal, entry_hash, header_bytes
from crumbmeter.journal.entry import KIND_DROP, KIND_SEAL, Strand
from crumbmeter.journal.sql import fetch

_ROWS: Final = {
    "record": "SELECT seq, boot_id, kind, mono_us, wall_us, flags, body, hash FROM record"
    " WHERE seq > ? AND seq <= ? ORDER BY seq LIMIT ?",
    "image": "SELECT seq, boot_id, kind, mono_us, wall_us, flags, body, hash FROM image"
    " WHERE seq > ? AND seq <= ? ORDER BY seq LIMIT ?",
}
PAGE_ROWS: Final = {"record": 512, "image": 32}
"""Rows read in one transaction: short ones, so that no reader ever pins the WAL."""

Row = tuple[int, bytes, str, int, int, int, bytes, bytes]
LOWEST: Final = -(1 << 63)
HIGHEST: Final = (1 << 63) - 1


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that does not agree with the chain."""

    strand: str
    seq: int
    """The first sequence concerned."""
    what: str
    """changed | missing | inserted | seal | dropped | genesis | tail | unreadable"""
    detail: str

    def __str__(self) -> str:
        return f"{self.strand} {self.seq}: {self.what}: {self.detail}"


def rows(connection: apsw.Connection, strand: Strand, after_seq: int, through_seq: int) -> Iterator[Row]:
    """Iterate rows in order of sequence, a page a transaction."""
    size = PAGE_ROWS[strand]
    while True:
        page: list[Row] = fetch(connection, _ROWS[strand], (after_seq, through_seq, size))
        yield from page
        if len(page) < size:
            return
        after_seq = page[-1][0]


def row_hash(strand: Strand, prior: bytes, row: Row) -> bytes | None:
    """Return the hash that a row ought to have; None when it holds what no header can hold."""
    seq, boot_id, kind, mono_us, wall_us, flags, body, _ = row
    try:
        header = header_bytes(strand, seq, boot_id, kind, mono_us, wall_us, flags, len(body))
    except ValueError:
        return None
    return entry_hash(prior, header, body)


@dataclass(slots=True)
class Walk:
    """Where a walk along the rows of one strand stands."""

    strand: Strand
    expected: int
    """Sequence that the next row must have."""
    prior: bytes
    count: int = 0
    size_bytes: int = 0
    proved_dropped: int = 0
    """How many oldest segments the entries met so far say were dropped."""

    def meet(self, row: Row) -> Iterator[Fault]:
        """Check one row against the one before it, and step to it."""
        seq, kind, body, stored = row[0], row[2], row[6], row[7]
        if seq < self.expected:
            yield Fault(self.strand, seq, "inserted", "a row where none can be")
            return
        if seq > self.expected:
            span = f"{self.expected} to {seq - 1}" if seq - 1 > self.expected else f"{self.expected}"
            yield Fault(self.strand, self.expected, "missing", f"no row for sequence {span}")
        elif row_hash(self.strand, self.prior, row) != stored:
            yield Fault(self.strand, seq, "changed", "the row does not give its hash (changed, moved or put in)")
        if kind == KIND_DROP:
            self._note_drop(body)
        self.expected, self.prior = seq + 1, stored
        self.count += 1
        self.size_bytes += len(body)

    def _note_drop(self, body: bytes) -> None:
        try:
            self.proved_dropped = max(self.proved_dropped, int(json.loads(body)["segment"]) + 1)
        except (ValueError, KeyError, TypeError):
            return  # a body of another shape proves nothing; had it been changed, its hash has told already


def load_seals(connection: apsw.Connection, strand: Strand) -> list[tuple[Seal, bytes, bool]]:
    """Return every seal of a strand in order, with its stored hash and whether its entries are here."""
    found = fetch(
        connection,
        "SELECT segment, first_seq, last_seq, count, bytes, before_hash, head_hash, sealed_wall_us, dropped,"
        " prior_hash, hash, present FROM seal WHERE strand = ? ORDER BY segment",
        (strand,),
    )
    return [(Seal(strand, *row[:10]), row[10], bool(row[11])) for row in found]


def check_seals(strand: Strand, genesis: bytes, seals: list[tuple[Seal, bytes, bool]]) -> Iterator[Fault]:
    """Check the chain of seals by itself: numbers, ends, hashes, and that only the oldest are dropped."""
    prior, head, last_seq, here = genesis, genesis, 0, False
    for number, (seal, stored, present) in enumerate(seals):
        where = seal.first_seq
        if seal.segment != number:
            yield Fault(strand, last_seq + 1, "seal", f"no seal of segment {number}")
            return
        if seal.prior != prior or seal.digest() != stored:
            yield Fault(strand, where, "seal", f"the seal of segment {number} does not give its hash")
        elif seal.before != head or seal.first_seq != last_seq + 1:
            yield Fault(strand, where, "seal", f"segment {number} does not follow the one before it")
        if here and not present:
            yield Fault(strand, where, "dropped", f"segment {number} was dropped though an older one is here")
        prior, head, last_seq, here = stored, seal.head, seal.last_seq, present


def check_seal_entry(strand: Strand, row: Row, seal: Seal) -> Iterator[Fault]:
    """Check that the first entry after a segment carries that segment's seal."""
    if row[2] != KIND_SEAL or row[6] != seal.body():
        yield Fault(strand, seal.first_seq, "seal", f"the seal of segment {seal.segment} is not the one in the chain")


def check_segment_end(walk: Walk, seal: Seal) -> Iterator[Fault]:
    """Check that the rows of a segment end as its seal says."""
    if walk.count != seal.count or walk.size_bytes != seal.size_bytes or walk.prior != seal.head:
        yield Fault(walk.strand, seal.first_seq, "seal", f"segment {seal.segment} does not hold what its seal says")


def check_open_segment(connection: apsw.Connection, strand: Strand) -> Fault | None:
    """Check genesis, the chain of seals and the open segment only: bounded by the limits of a segment."""
    genesis: bytes = fetch(connection, "SELECT hash FROM genesis WHERE strand = ?", (strand,))[0][0]
    seals = load_seals(connection, strand)
    for fault in check_seals(strand, genesis, seals):
        return fault
    last = seals[-1][0] if seals else None
    walk = Walk(strand, last.last_seq + 1 if last else 1, last.head if last else genesis)
    for row in rows(connection, strand, walk.expected - 1, HIGHEST):
        if last and walk.count == 0:
            for fault in check_seal_entry(strand, row, last):
                return fault
        elif row[2] == KIND_SEAL:
            return Fault(strand, row[0], "seal", "the chain carries a seal that is not kept")
        for fault in walk.meet(row):
            return fault
    if last and walk.count == 0:
        return Fault(strand, walk.expected, "missing", "the entry with the newest seal is not there")
    return None
