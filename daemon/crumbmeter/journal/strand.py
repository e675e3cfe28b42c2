"""One strand's open end, and how entries are put there inside the writer's transaction."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Final

import apsw

from crumbmeter.journal.chain import Head, Seal, canonical_json, entry_hash, header_bytes
from crumbmeter.journal.entry import KIND_DROP, KIND_SEAL, STRANDS, Entry, Strand
from crumbmeter.journal.limits import Limits, StrandLimits
from crumbmeter.journal.sql import fetch

FaultPoint = Callable[[str], None]
"""Called at named points, so that a test can end the process there. The product passes `no_fault`."""

_INSERT: Final = {
    "record": "INSERT INTO record VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
    "image": "INSERT INTO image VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
}
_DELETE: Final = {
    "record": "DELETE FROM record WHERE seq BETWEEN ? AND ?",
    "image": "DELETE FROM image WHERE seq BETWEEN ? AND ?",
}
_OPEN_SEGMENT: Final = {
    "record": "SELECT count(*), coalesce(sum(length(body)), 0), max(seq) FROM record WHERE seq > ?",
    "image": "SELECT count(*), coalesce(sum(length(body)), 0), max(seq) FROM image WHERE seq > ?",
}
_ROW: Final = {
    "record": "SELECT hash, wall_us FROM record WHERE seq = ?",
    "image": "SELECT hash, wall_us FROM image WHERE seq = ?",
}


def no_fault(point: str) -> None:
    """Do nothing: the fault point of the product."""


@dataclass(slots=True)
class Tail:
    """Where a strand ends now, and what its open segment holds."""

    strand: Strand
    seq: int
    head: bytes
    segment: int
    first_seq: int
    """Sequence of the first entry of the open segment."""
    count: int
    size_bytes: int
    first_wall_us: int
    before: bytes
    """Hash before the first entry of the open segment."""
    prior_seal: bytes
    dropped: int
    """How many of the oldest segments are dropped."""

    def public(self) -> Head:
        """Return what is published of it."""
        return Head(self.strand, self.seq, self.head)


def load_tails(connection: apsw.Connection) -> dict[Strand, Tail]:
    """Read where both strands end."""
    return {strand: _load_tail(connection, strand) for strand in STRANDS}


def _load_tail(connection: apsw.Connection, strand: Strand) -> Tail:
    genesis = fetch(connection, "SELECT hash FROM genesis WHERE strand = ?", (strand,))[0][0]
    seals = fetch(
        connection,
        "SELECT segment, last_seq, head_hash, hash FROM seal WHERE strand = ? ORDER BY segment DESC LIMIT 1",
        (strand,),
    )
    segment, last_sealed, before, prior = (seals[0][0] + 1, *seals[0][1:]) if seals else (0, 0, genesis, genesis)
    count, size, seq = fetch(connection, _OPEN_SEGMENT[strand], (last_sealed,))[0]
    dropped = fetch(connection, "SELECT count(*) FROM seal WHERE strand = ? AND present = 0", (strand,))[0][0]
    head, first_wall_us = before, 0
    if count:
        head = fetch(connection, _ROW[strand], (seq,))[0][0]
        first_wall_us = fetch(connection, _ROW[strand], (last_sealed + 1,))[0][1]
    return Tail(
        strand, seq or last_sealed, head, segment, last_sealed + 1, count, size, first_wall_us, before, prior, dropped
    )


class Appender:
    """Puts entries at the end of one strand, within one transaction. Its tail counts only once that is committed."""

    def __init__(
        self, connection: apsw.Connection, tail: Tail, limits: StrandLimits, boot_id: bytes, fault_point: FaultPoint
    ) -> None:
        self._connection = connection
        self._limits = limits
        self._boot_id = boot_id
        self._fault_point = fault_point
        self._rows: list[tuple[int, bytes, str, int, int, int, bytes, bytes]] = []
        self.tail = replace(tail)
        self.sealed = 0
        """How many segments were sealed in this transaction."""

    def append(self, entry: Entry) -> None:
        """Chain one entry; seal the segment when that fills it."""
        self._chain(entry)
        tail = self.tail
        if (
            tail.count >= self._limits.segment_entries
            or tail.size_bytes >= self._limits.segment_bytes
            or entry.wall_us - tail.first_wall_us >= self._limits.segment_age_us
        ):
            self._seal(entry)

    def _chain(self, entry: Entry) -> None:
        tail, body = self.tail, entry.body
        seq = tail.seq + 1
        header = header_bytes(
            tail.strand, seq, self._boot_id, entry.kind, entry.mono_us, entry.wall_us, entry.flags, len(body)
        )
        digest = entry_hash(tail.head, header, body)
        self._rows.append((seq, self._boot_id, entry.kind, entry.mono_us, entry.wall_us, entry.flags, body, digest))
        if tail.count == 0:
            tail.first_wall_us = entry.wall_us
        tail.seq, tail.head = seq, digest
        tail.count += 1
        tail.size_bytes += len(body)

    def _seal(self, last: Entry) -> None:
        """Close the open segment; the seal is the first entry of the next one."""
        self._fault_point("before_seal")
        tail = self.tail
        seal = Seal(
            tail.strand,
            tail.segment,
            tail.first_seq,
            tail.seq,
            tail.count,
            tail.size_bytes,
            tail.before,
            tail.head,
            last.wall_us,
            tail.dropped,
            tail.prior_seal,
        )
        body, digest = seal.body(), seal.digest()
        self._connection.execute(
            "INSERT INTO seal VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, 1)",
            (
                seal.strand,
                seal.segment,
                seal.first_seq,
                seal.last_seq,
                seal.count,
                seal.size_bytes,
                seal.before,
                seal.head,
                seal.sealed_wall_us,
                seal.dropped,
                seal.prior,
                digest,
            ),
        )
        tail.segment, tail.first_seq, tail.before, tail.prior_seal = tail.segment + 1, tail.seq + 1, tail.head, digest
        tail.count, tail.size_bytes = 0, 0
        self.sealed += 1
        self._chain(Entry(tail.strand, KIND_SEAL, body, last.mono_us, last.wall_us, last.flags))
        self._fault_point("after_seal")

    def drop(self, segment: int, first_seq: int, last_seq: int, reason: str, stamped: Entry) -> None:
        """Drop the entries of the oldest sealed segment still here; its seal stays, and an entry says so."""
        strand = self.tail.strand
        self._connection.execute(_DELETE[strand], (first_seq, last_seq))
        self._fault_point("mid_retention")
        self._connection.execute("UPDATE seal SET present = 0 WHERE strand = ? AND segment = ?", (strand, segment))
        self.tail.dropped = segment + 1
        body = canonical_json(
            {"first_seq": first_seq, "last_seq": last_seq, "reason": reason, "segment": segment, "strand": strand}
        )
        self.append(Entry(strand, KIND_DROP, body, stamped.mono_us, stamped.wall_us, stamped.flags))

    def write(self) -> None:
        """Hand the chained rows to SQLite."""
        if self._rows:
            self._connection.executemany(_INSERT[self.tail.strand], self._rows)
            self._rows = []


def appenders(
    connection: apsw.Connection,
    tails: Mapping[Strand, Tail],
    limits: Limits,
    boot_id: bytes,
    fault_point: FaultPoint,
) -> dict[Strand, Appender]:
    """Make the appenders of one transaction."""
    return {
        strand: Appender(connection, tail, limits.strand(strand), boot_id, fault_point)
        for strand, tail in tails.items()
    }
