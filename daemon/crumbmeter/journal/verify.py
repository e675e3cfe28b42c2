"""Verification: walk everything and name what does not agree with the chain. Works on a live journal and on a copy.

What it finds: rows changed, removed, put in or moved; seals changed or removed; segments removed without a record of
it; and, against a published head, a tail cut off or a chain written anew. What it cannot find without a published head
is a whole journal forged from its first entry: that is why heads are published.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from itertools import takewhile
from pathlib import Path
from typing import Final

import apsw

from crumbmeter.journal.chain import Head, Seal, genesis_hash
from crumbmeter.journal.entry import KIND_SEAL, KIND_SIGNED, STRANDS, Strand
from crumbmeter.journal.heads import HeadSearch
from crumbmeter.journal.schema import connect_reader
from crumbmeter.journal.signatures import NOT_SIGNED, Signatures, SignedUpTo
from crumbmeter.journal.sql import fetch
from crumbmeter.journal.walk import (
    Fault,
    Walk,
    check_seal_entry,
    check_seals,
    check_segment_end,
    load_seals,
    rows,
)

_MOST_FAULTS: Final = 100
_MOST_WALKS: Final = 5
_ENDS: Final = {
    "record": "SELECT coalesce(min(seq), 1), coalesce(max(seq), 0) FROM record",
    "image": "SELECT coalesce(min(seq), 1), coalesce(max(seq), 0) FROM image",
}

Progress = Callable[[int, int], None]
"""Called with entries walked and entries to walk."""


@dataclass(frozen=True, slots=True)
class StrandReport:
    """What was found in one strand."""

    strand: Strand
    entries: int
    """Entries read."""
    first_seq: int
    """Sequence of the oldest entry still kept; 0 when there is none."""
    head: Head
    segments: int
    """Sealed segments, dropped ones included."""
    dropped: int
    """Of these, dropped by retention, with their seals in the chain."""
    faults: tuple[Fault, ...]
    """In order of sequence; at most a hundred."""

    @property
    def ok(self) -> bool:
        """Tell whether the chain holds."""
        return not self.faults

    @property
    def first_bad_seq(self) -> int | None:
        """Return the first sequence that does not agree."""
        return self.faults[0].seq if self.faults else None


@dataclass(frozen=True, slots=True)
class VerifyReport:
    """What was found in a journal."""

    path: Path
    journal_id: str
    strands: tuple[StrandReport, ...]
    head_found: bool | None
    """Whether the published head is in the chain. None: none was given, or it is older than all that is kept."""
    head_detail: str = ""
    signed: SignedUpTo = NOT_SIGNED
    """How far the record is signed."""

    @property
    def ok(self) -> bool:
        """Tell whether every chain holds, the published head is in it and a key that was given has signed it."""
        return all(one.ok for one in self.strands) and self.head_found is not False and self.signed.ok

    @property
    def first_fault(self) -> Fault | None:
        """Return the first fault of the first strand that has one."""
        return next((one.faults[0] for one in self.strands if one.faults), None)


def verify(
    path: Path,
    expect_head: "Head | bytes | None" = None,
    progress: Progress | None = None,
    keys: tuple[bytes, ...] = (),
) -> VerifyReport:
    """Walk a whole journal.

    Args:
        path: The database file.
        expect_head: A head published earlier (or its bare hash): it has to be in the chain.
        progress: Hears of the walk.
        keys: Public keys by which the record has to be signed; none: any key is taken, and named.

    Raises:
        JournalUnreadableError: there is no journal there that this program can read at all.
    """
    connection = connect_reader(path)
    try:
        journal_id, created = _identity(connection)
        walked = [_strand(connection, strand, journal_id, created, progress) for strand in STRANDS]
        heads = HeadSearch(connection, {report.strand: report.head for report, _ in walked})
        signatures = Signatures(journal_id, keys, heads.find)
        faults = [fault for _, signed in walked for seq, body in signed for fault in signatures.meet(seq, body)]
        reports = (_with(walked[0][0], faults), *(report for report, _ in walked[1:]))
        found, detail = heads.find(expect_head)
        signed = signatures.told(reports[0].first_seq or 1, reports[0].head.seq)
    finally:
        connection.close(force=True)
    return VerifyReport(path, journal_id.hex(), reports, found, detail, signed)


def _with(report: StrandReport, faults: list[Fault]) -> StrandReport:
    together = sorted((*report.faults, *faults), key=lambda fault: fault.seq)
    return replace(report, faults=tuple(together)) if faults else report


def _identity(connection: apsw.Connection) -> tuple[bytes, int]:
    try:
        found = fetch(connection, "SELECT journal_id, created_wall_us FROM journal")
    except apsw.Error:
        found = []
    return (found[0][0], found[0][1]) if found else (b"", 0)


def _strand(
    connection: apsw.Connection, strand: Strand, journal_id: bytes, created: int, progress: Progress | None
) -> tuple[StrandReport, list[tuple[int, bytes]]]:
    """Check one strand, and return the signed seals met; again where retention dropped a segment under the walk."""
    for _ in range(_MOST_WALKS):
        checked = _StrandCheck(connection, strand, genesis_hash(journal_id, created, strand))
        faults = _faults(checked, progress)
        if not faults or not checked.overtaken():
            break
    faults.sort(key=lambda fault: fault.seq)
    walk = checked.walk
    report = StrandReport(
        strand,
        checked.entries,
        checked.first_seq,
        Head(strand, walk.expected - 1, walk.prior),
        len(checked.seals),
        sum(not present for _, _, present in checked.seals),
        tuple(faults),
    )
    return report, checked.signed


def _faults(checked: "_StrandCheck", progress: Progress | None) -> list[Fault]:
    """Collect faults; damage of the file itself is one of this strand, and the other strand is still walked."""
    faults: list[Fault] = []
    try:
        for fault in checked.run(progress):
            faults.append(fault)
            if len(faults) >= _MOST_FAULTS:
                break
    except apsw.Error as problem:
        walk = checked.walk
        faults.append(Fault(walk.strand, walk.expected, "unreadable", f"{type(problem).__name__}: {problem}"))
    return faults


class _StrandCheck:
    """One walk along one strand."""

    def __init__(self, connection: apsw.Connection, strand: Strand, genesis: bytes) -> None:
        self._connection = connection
        self._strand = strand
        self._genesis = genesis
        self.seals: list[tuple[Seal, bytes, bool]] = []
        self.walk = Walk(strand, 1, genesis)
        self.signed: list[tuple[int, bytes]] = []
        """Sequence and body of every signed seal met."""
        self.entries = 0
        self.first_seq = 0

    def run(self, progress: Progress | None) -> Iterator[Fault]:
        """Yield every fault."""
        connection, strand = self._connection, self._strand
        connection.execute("BEGIN")
        try:
            stored = fetch(connection, "SELECT hash FROM genesis WHERE strand = ?", (strand,))
            self.seals = load_seals(connection, strand)
            first, through = fetch(connection, _ENDS[strand])[0]
        finally:
            connection.execute("COMMIT")
        if not stored or stored[0][0] != self._genesis:
            yield Fault(strand, 0, "genesis", "the chain's beginning does not belong to this journal's identity")
        if first < 1:
            yield Fault(strand, first, "inserted", "a row before the first sequence")
        yield from check_seals(strand, self._genesis, self.seals)
        yield from self._rows(through, progress)

    def overtaken(self) -> bool:
        """Tell whether retention has dropped a segment since the walk began: what is missing may be that."""
        try:
            now = load_seals(self._connection, self._strand)
        except apsw.Error:
            return False
        return sum(not here for _, _, here in now) != sum(not here for _, _, here in self.seals)

    def _rows(self, through: int, progress: Progress | None) -> Iterator[Fault]:
        gone = [seal for seal, _, _ in takewhile(lambda one: not one[2], self.seals)]
        ends = [seal for seal, _, _ in self.seals[len(gone) :]]
        walk = self.walk
        if gone:
            walk.expected, walk.prior = gone[-1].last_seq + 1, gone[-1].head
        began = walk.expected
        owed = gone[-1] if gone else None
        at = 0
        for row in rows(self._connection, self._strand, 0, through):
            self.entries += 1
            self.first_seq = self.first_seq or row[0]
            while at < len(ends) and row[0] > ends[at].last_seq:
                yield from self._end(ends[at])
                owed, at = ends[at], at + 1
            if owed is not None and row[0] == owed.last_seq + 1:
                yield from check_seal_entry(self._strand, row, owed)
                owed = None
            elif row[2] == KIND_SEAL:
                yield Fault(self._strand, row[0], "seal", "the chain carries a seal that is not kept")
            elif row[2] == KIND_SIGNED:
                self.signed.append((row[0], row[6]))
            yield from walk.meet(row)
            if progress is not None and not self.entries % 4096:
                progress(row[0] - began + 1, through - began + 1)
        for seal in ends[at:]:
            yield from self._end(seal)
        yield from self._after(gone)

    def _end(self, seal: Seal) -> Iterator[Fault]:
        """Close a segment: what is missing at its end, and what its seal says."""
        walk = self.walk
        if walk.expected <= seal.last_seq:
            yield Fault(self._strand, walk.expected, "missing", f"no rows up to {seal.last_seq}")
        else:
            yield from check_segment_end(walk, seal)
        walk.expected, walk.prior = seal.last_seq + 1, seal.head
        walk.count = walk.size_bytes = 0

    def _after(self, gone: list[Seal]) -> Iterator[Fault]:
        walk = self.walk
        if self.seals and walk.expected == self.seals[-1][0].last_seq + 1:
            yield Fault(self._strand, walk.expected, "missing", "no entry with the newest seal")
        proved = max(walk.proved_dropped, max((seal.dropped for seal, _, _ in self.seals), default=0))
        if len(gone) != proved:
            where = gone[-1].first_seq if gone else 1
            said = f"{len(gone)} segments are marked as dropped, the chain says {proved}"
            yield Fault(self._strand, where, "dropped", said)
