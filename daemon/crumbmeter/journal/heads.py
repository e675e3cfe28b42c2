"""Looking for a head, published or signed, in a chain that was walked: among its rows, its seals and its beginning."""

from bisect import bisect_left
from collections.abc import Mapping
from typing import Final

import apsw

from crumbmeter.journal.chain import Head, Seal
from crumbmeter.journal.entry import Strand
from crumbmeter.journal.sql import fetch
from crumbmeter.journal.walk import HIGHEST, LOWEST, load_seals, rows

_FIND: Final = {
    "record": "SELECT hash FROM record WHERE seq = ?",
    "image": "SELECT hash FROM image WHERE seq = ?",
}
Found = tuple[bool | None, str]
"""Whether it is there (None: it cannot be known), and where, or why not."""


class HeadSearch:
    """Finds heads in one journal, after its strands were walked."""

    def __init__(self, connection: apsw.Connection, ends: Mapping[Strand, Head]) -> None:
        """Prepare.

        Args:
            connection: To the journal.
            ends: Where the walk along each strand ended.
        """
        self._connection = connection
        self._ends = ends
        self._seals: dict[Strand, list[tuple[Seal, bytes, bool]]] = {}

    def find(self, expected: "Head | bytes | None") -> Found:
        """Look for a published head, or its bare hash."""
        try:
            if expected is None:
                return None, ""
            return self._at(expected) if isinstance(expected, Head) else self._by_hash(expected)
        except apsw.Error as problem:
            return False, f"could not be looked up: {type(problem).__name__}: {problem}"

    def _at(self, expected: Head) -> Found:
        where = f"{expected.strand} {expected.seq}"
        hashes, here = self._hashes(expected)
        if expected.hash in hashes:
            return True, where
        if hashes:
            return False, f"{where} is there with another hash: the chain was written anew"
        end = self._ends[expected.strand]
        if expected.seq > end.seq:
            return False, f"the chain ends at {end.seq}, before {expected.seq}: its tail was cut off"
        if here is False:
            return None, f"{where} lies in a segment dropped by retention"
        return False, f"no row {where}"

    def _hashes(self, expected: Head) -> tuple[list[bytes], bool | None]:
        """Return the hashes that stand at a place, and whether the sealed segment it lies in is here."""
        if expected.seq == 0:
            found = fetch(self._connection, "SELECT hash FROM genesis WHERE strand = ?", (expected.strand,))
        else:
            found = fetch(self._connection, _FIND[expected.strand], (expected.seq,))
        if found:
            return [row[0] for row in found], None
        segment = self._segment(expected.strand, expected.seq)
        if segment is None:
            return [], None
        seal, here = segment
        return [seal.head] if seal.last_seq == expected.seq else [], here

    def _segment(self, strand: Strand, seq: int) -> tuple[Seal, bool] | None:
        """Return the sealed segment that a sequence lies in, and whether its entries are here."""
        for fresh in (False, True):  # retention may have dropped it since the seals were read
            if fresh or strand not in self._seals:
                self._seals[strand] = load_seals(self._connection, strand)
            seals = self._seals[strand]
            place = bisect_left(seals, seq, key=lambda one: one[0].last_seq)
            if place < len(seals) and seals[place][0].first_seq <= seq and not seals[place][2]:
                return seals[place][0], False
        if place < len(seals) and seals[place][0].first_seq <= seq:
            return seals[place][0], True
        return None

    def _by_hash(self, digest: bytes) -> Found:
        for strand, end in self._ends.items():
            seq = self._find_hash(strand, end, digest)
            if seq is not None:
                return True, f"{strand} {seq}"
        if any(not here for strand in self._ends for _, _, here in load_seals(self._connection, strand)):
            return False, "not in what is kept (a head given as strand:seq:hash tells whether it is only too old)"
        return False, "not in the chain: the tail was cut off, or the chain was written anew"

    def _find_hash(self, strand: Strand, end: Head, digest: bytes) -> int | None:
        """Return the sequence of the entry with a hash, in what is kept and at the ends of what was dropped."""
        for seal, _, _ in load_seals(self._connection, strand):
            if seal.head == digest:
                return seal.last_seq
        for row in rows(self._connection, strand, LOWEST, HIGHEST):
            if row[7] == digest:
                return row[0]
        return end.seq if digest == end.hash else None
