"""The database as the writer thread sees it: transactions that either happened or did not, whatever the disk does.

After any error the connection is closed and opened anew, because what a failed write left in SQLite's caches or the
kernel's cannot be trusted. A COMMIT that failed may still have reached the file: the heads found at reopening tell, and
then it is made certain before anyone hears of it.
"""

import contextlib
import fcntl
import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import apsw

from crumbmeter.journal.chain import Head, canonical_json
from crumbmeter.journal.entry import KIND_SET_ASIDE, Entry, Stamp, Strand
from crumbmeter.journal.errors import JournalRefusedError
from crumbmeter.journal.limits import Limits
from crumbmeter.journal.opening import Opening, open_checked
from crumbmeter.journal.retention import Doomed, has_room, make_room, too_much, too_old
from crumbmeter.journal.schema import refuse_old_sqlite, sqlite_version
from crumbmeter.journal.strand import Appender, FaultPoint, Tail, appenders, load_tails, no_fault


@dataclass(frozen=True, slots=True)
class StoreSetup:
    """What a store needs to know once."""

    path: Path
    boot_id: bytes
    limits: Limits
    stamp: Callable[[], Stamp]
    """Now, for entries that the journal writes about itself."""
    flags: int = 0
    fault_point: FaultPoint = no_fault
    vfs: str | None = None


def being_written(path: Path) -> bool:
    """Tell whether somebody has a journal open for writing now; also while it is being made."""
    try:
        handle = os.open(path.with_name(path.name + ".lock"), os.O_RDONLY | os.O_CLOEXEC)
    except FileNotFoundError:
        return False
    try:
        fcntl.flock(handle, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    finally:
        os.close(handle)
    return False


class Store:
    """One journal file, open for writing. Used by one thread at a time."""

    def __init__(self, setup: StoreSetup) -> None:
        self._setup = setup
        self._connection: apsw.Connection | None = None
        self._tails: dict[Strand, Tail] = {}
        self._unsure: dict[Strand, Head] | None = None
        self._own: list[Entry] = []
        self._lock: int | None = None
        self._wal_pages = 0
        self._newest: Entry | None = None
        self._sealed = 0

    def open(self) -> Opening:
        """Open the file, or open it anew after a failure.

        Raises:
            JournalRefusedError: this program must not write it.
            apsw.Error, OSError: the disk refuses. Try again later.
        """
        setup = self._setup
        refuse_old_sqlite(setup.path, sqlite_version())
        setup.path.parent.mkdir(parents=True, exist_ok=True)
        self._take_lock()
        stamp = setup.stamp()
        connection, opening = open_checked(setup.path, setup.limits, stamp, setup.vfs)
        try:
            self._tails = load_tails(connection)
            connection.wal_checkpoint(mode=apsw.SQLITE_CHECKPOINT_PASSIVE)  # what was found is on the disk from here on
        except BaseException:
            connection.close(force=True)
            raise
        connection.set_wal_hook(self._on_wal)
        self._connection = connection
        if opening.aside is not None:
            body = canonical_json({"aside": opening.aside.name, "reason": opening.detail})
            self._own.append(Entry("record", KIND_SET_ASIDE, body, stamp.mono_us, stamp.wall_us, setup.flags))
        return opening

    def _take_lock(self) -> None:
        """Two writers would fork the chain: the second one is refused."""
        if self._lock is not None:
            return
        path = self._setup.path.with_name(self._setup.path.name + ".lock")
        handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            os.close(handle)
            raise JournalRefusedError(self._setup.path, "another process is writing this journal") from None
        self._lock = handle

    def _on_wal(self, _connection: apsw.Connection, _name: str, pages: int) -> int:
        self._wal_pages = pages
        return apsw.SQLITE_OK

    @property
    def wal_pages(self) -> int:
        """[page] Return how long the WAL is."""
        return self._wal_pages

    @property
    def has_own(self) -> bool:
        """Tell whether the journal has something to say about itself."""
        return bool(self._own)

    def heads(self) -> dict[Strand, Head]:
        """Return where both strands end on the disk."""
        return {strand: tail.public() for strand, tail in self._tails.items()}

    def commit(self, entries: Sequence[Entry]) -> None:
        """Store entries in one transaction; returning means they are on the disk (FULL).

        Raises:
            apsw.Error, OSError, JournalRefusedError: not stored. The same entries may be tried again: they are never
                stored twice.
        """
        if self._connection is None:
            self.open()
            if self._unsure is not None and self._unsure == self.heads():
                self._make_sure()
                return
        own = list(self._own)

        def act(parts: Mapping[Strand, Appender]) -> None:
            for entry in (*own, *entries):
                parts[entry.strand].append(entry)

        self._transact(act)
        del self._own[: len(own)]
        self._newest = entries[-1] if entries else self._newest

    def _make_sure(self) -> None:
        """Settle a COMMIT that failed and yet is found: a sync that failed once may say yes the next time for nothing.

        The pages are therefore carried into the file itself, all of them, before the entries count as stored.
        """
        connection = self._connection
        if connection is not None:
            in_wal, carried = connection.wal_checkpoint(mode=apsw.SQLITE_CHECKPOINT_FULL)
            if carried == in_wal:
                self._unsure = None
                return
        self.abandon()
        raise apsw.BusyError("a reader holds the WAL")

    def _transact(self, act: Callable[[Mapping[Strand, Appender]], None]) -> None:
        connection, setup = self._connection, self._setup
        if connection is None:
            raise apsw.CantOpenError("the journal is not open")
        parts = appenders(connection, self._tails, setup.limits, setup.boot_id, setup.fault_point)
        self._unsure = None
        try:
            connection.execute("BEGIN IMMEDIATE")
            act(parts)
            for part in parts.values():
                part.write()
            setup.fault_point("before_commit")
            self._unsure = {strand: part.tail.public() for strand, part in parts.items()}
            connection.execute("COMMIT")
        except BaseException:
            self.abandon()
            raise
        self._unsure = None
        self._tails = {strand: part.tail for strand, part in parts.items()}
        self._sealed += sum(part.sealed for part in parts.values())
        setup.fault_point("after_commit")

    def retain(self) -> bool:
        """Drop what is too old or too much, when a segment was sealed since the last call; True when heads moved."""
        if not self._sealed or self._connection is None or self._newest is None:
            return False
        limits = self._setup.limits
        seals, self._sealed = self._sealed, 0
        doomed = too_old(self._connection, limits, self._newest, seals) or too_much(self._connection, limits)
        return self._drop(doomed, self._newest)

    def make_room(self) -> bool:
        """Give up image segments for the record strand on a full disk; True when the file has pages to write to."""
        if self._connection is None or self._newest is None:
            return False
        self._drop(make_room(self._connection), self._newest)
        return has_room(self._connection)

    def _drop(self, doomed: Sequence[Doomed], stamped: Entry) -> bool:
        def act(parts: Mapping[Strand, Appender]) -> None:
            for one in doomed:
                parts[one.strand].drop(one.segment, one.first_seq, one.last_seq, one.reason, stamped)

        if doomed:
            self._transact(act)
        return bool(doomed)

    def checkpoint(self, *, at_least_pages: int) -> None:
        """Carry the WAL into the file when it is long enough; readers are never waited for."""
        if self._connection is None or self._wal_pages < at_least_pages:
            return
        self._setup.fault_point("before_checkpoint")
        self._connection.wal_checkpoint(mode=apsw.SQLITE_CHECKPOINT_PASSIVE)
        self._setup.fault_point("after_checkpoint")

    def abandon(self) -> None:
        """Close the connection after a failure, without touching the disk again; what was not committed is gone."""
        connection, self._connection = self._connection, None
        if connection is not None:
            with contextlib.suppress(apsw.Error, OSError):
                connection.config(apsw.SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, 1)
                connection.close(force=True)

    def close(self) -> None:
        """Close for good."""
        connection, self._connection = self._connection, None
        if connection is not None:
            with contextlib.suppress(apsw.Error, OSError):  # the WAL is kept and used at the next start
                connection.close(force=True)
        if self._lock is not None:
            os.close(self._lock)
            self._lock = None
