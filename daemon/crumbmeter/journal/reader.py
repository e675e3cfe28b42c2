"""Reading a journal while it is written: read-only, streaming, one short transaction a page."""

from collections.abc import Iterator, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Self

import apsw

from crumbmeter.journal.chain import Head, Seal
from crumbmeter.journal.entry import STRANDS, Stored, Strand
from crumbmeter.journal.errors import JournalUnreadableError
from crumbmeter.journal.schema import connect_reader
from crumbmeter.journal.sql import fetch
from crumbmeter.journal.walk import HIGHEST, LOWEST, PAGE_ROWS, load_seals

_LAST: Final = {
    "record": "SELECT seq, hash FROM record ORDER BY seq DESC LIMIT 1",
    "image": "SELECT seq, hash FROM image ORDER BY seq DESC LIMIT 1",
}
_HASH: Final = {
    "record": "SELECT hash FROM record WHERE seq = ?",
    "image": "SELECT hash FROM image WHERE seq = ?",
}
_SPAN: Final = {
    "record": "SELECT min(seq), max(seq) FROM record WHERE wall_us BETWEEN ? AND ?",
    "image": "SELECT min(seq), max(seq) FROM image WHERE wall_us BETWEEN ? AND ?",
}
_PAGE: Final = {
    "record": "SELECT seq, boot_id, kind, mono_us, wall_us, flags, body, hash FROM record",
    "image": "SELECT seq, boot_id, kind, mono_us, wall_us, flags, body, hash FROM image",
}


class Reader:
    """A read-only view of one journal. Not shared between threads."""

    def __init__(self, path: Path) -> None:
        """Open it.

        Raises:
            JournalUnreadableError: there is no journal there that this program can read.
        """
        self.path = path
        self._connection = connect_reader(path)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, problem: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close it."""
        self._connection.close()

    def journal_id(self) -> str:
        """Return the identity that the journal got at its birth."""
        found: bytes = self._query("SELECT journal_id FROM journal", ())[0][0]
        return found.hex()

    def born_us(self) -> int:
        """[us] Return the wall time of its birth, which is in its genesis."""
        found: int = self._query("SELECT created_wall_us FROM journal", ())[0][0]
        return found

    def hash_at(self, strand: Strand, seq: int) -> bytes | None:
        """Return the hash of an entry, also of the last one of a dropped segment; of genesis for 0; None: not kept."""
        if seq == 0:
            found = self._query("SELECT hash FROM genesis WHERE strand = ?", (strand,))
        else:
            found = self._query(_HASH[strand], (seq,)) or self._query(
                "SELECT head_hash FROM seal WHERE strand = ? AND last_seq = ?", (strand, seq)
            )
        return found[0][0] if found else None

    def heads(self) -> dict[Strand, Head]:
        """Return where both strands end."""
        return {strand: self._head(strand) for strand in STRANDS}

    def _head(self, strand: Strand) -> Head:
        found = self._query(_LAST[strand], ())
        if found:
            return Head(strand, found[0][0], found[0][1])
        return Head(strand, 0, self._query("SELECT hash FROM genesis WHERE strand = ?", (strand,))[0][0])

    def seals(self, strand: Strand) -> list[Seal]:
        """Return every seal of a strand, dropped segments included."""
        return [seal for seal, _, _ in load_seals(self._connection, strand)]

    def wall_span(self, strand: Strand, from_us: int | None, before_us: int | None) -> tuple[int, int] | None:
        """Return the first and last sequence with a wall time in the range, from the index alone."""
        low, high = self._query(
            _SPAN[strand],
            (LOWEST if from_us is None else from_us, HIGHEST if before_us is None else before_us - 1),
        )[0]
        return None if low is None else (low, high)

    def last(self, kind: str, strand: Strand = "record") -> Stored | None:
        """Return the newest entry of a kind."""
        return next(self.entries(strand, (kind,), newest_first=True), None)

    def entries(
        self,
        strand: Strand = "record",
        kinds: Sequence[str] = (),
        *,
        after_seq: int | None = None,
        through_seq: int | None = None,
        from_wall_us: int | None = None,
        before_wall_us: int | None = None,
        newest_first: bool = False,
    ) -> Iterator[Stored]:
        """Iterate entries in the order of their sequence (or against it), never more than a page in memory.

        Args:
            strand: Which chain.
            kinds: Only these; all when empty.
            after_seq: Only later than this sequence.
            through_seq: Only up to this sequence.
            from_wall_us: [us] Only at or after this wall time.
            before_wall_us: [us] Only before this wall time.
            newest_first: Against the order.
        """
        low = LOWEST if after_seq is None else after_seq
        high = HIGHEST if through_seq is None else through_seq
        if from_wall_us is not None or before_wall_us is not None:
            span = self.wall_span(strand, from_wall_us, before_wall_us)
            if span is None:
                return
            low, high = max(low, span[0] - 1), min(high, span[1])
        wall = (
            LOWEST if from_wall_us is None else from_wall_us,
            HIGHEST if before_wall_us is None else before_wall_us - 1,
        )
        size = PAGE_ROWS[strand]
        sql = _page_sql(strand, len(kinds), newest_first=newest_first)
        while True:
            page = self._query(sql, (low, high, *wall, *kinds, size))
            for row in page:
                yield Stored(strand, row[0], row[1].hex(), *row[2:])
            if len(page) < size:
                return
            if newest_first:
                high = page[-1][0] - 1
            else:
                low = page[-1][0]

    def _query(self, sql: str, values: tuple[object, ...]) -> list[Any]:
        try:
            return fetch(self._connection, sql, values)
        except apsw.Error as problem:
            raise JournalUnreadableError(self.path, f"{type(problem).__name__}: {problem}") from problem


def _page_sql(strand: Strand, kinds: int, *, newest_first: bool) -> str:
    """Compose the query of one page. The unary plus keeps SQLite from an index that would need a sort of everything."""
    chosen = "" if not kinds else " AND kind = ?" if kinds == 1 else f" AND +kind IN ({', '.join('?' * kinds)})"
    order = "DESC" if newest_first else "ASC"
    where = f" WHERE seq > ? AND seq <= ? AND +wall_us BETWEEN ? AND ?{chosen} ORDER BY seq {order} LIMIT ?"
    return _PAGE[strand] + where
