"""The journal as the publisher's outbox: a cursor over its records, kept in a small file beside it."""

import asyncio
from collections.abc import Callable, Sequence
from pathlib import Path

from crumbmeter.journal.entry import Stored
from crumbmeter.journal.reader import Reader
from crumbmeter.ledger import events, parcels
from crumbmeter.ledger.in_force import InForce
from crumbmeter.ledger.stamped import BOOT, EVENT, PARCEL, TOTALS
from crumbmeter.model.events import Event, event
from crumbmeter.outward import payloads
from crumbmeter.outward.origin import Origin, Stamp
from crumbmeter.outward.outbox import OutboxRecord
from crumbmeter.outward.payloads import Topic

KINDS = (EVENT, PARCEL, TOTALS, BOOT)
"""Kinds that go out. Totals and boots carry the chain's head of that moment, about once a minute."""


class JournalOutbox:
    """Serves records in order. The file work is done in a thread: it never touches the scan's loop."""

    def __init__(self, journal_path: Path, cursor_path: Path, origin: Origin, report: Callable[[Event], None]) -> None:
        """Prepare.

        Args:
            journal_path: The journal's file.
            cursor_path: Where the cursor is kept.
            origin: Envelope of this run's payloads.
            report: Gets `record_not_published`; called from a worker thread.
        """
        self._journal_path = journal_path
        self._cursor_path = cursor_path
        self._origin = origin
        self._report = report
        self._in_force = InForce()
        """A record goes out under the settings it was made with."""

    async def position(self) -> int:
        """Return the sequence number up to which everything has been acknowledged; 0 at first."""
        return await asyncio.to_thread(self._read_cursor)

    async def fetch(self, after_seq: int, limit: int) -> Sequence[OutboxRecord]:
        """Return the oldest records after `after_seq` that go out, in order, at most `limit`."""
        return await asyncio.to_thread(self._fetch, after_seq, limit)

    async def advance(self, seq: int) -> None:
        """Note that the broker has acknowledged everything up to `seq`."""
        await asyncio.to_thread(self._write_cursor, seq)

    def _read_cursor(self) -> int:
        try:
            return int(self._cursor_path.read_text())
        except (FileNotFoundError, ValueError):
            return 0

    def _write_cursor(self, seq: int) -> None:
        fresh = self._cursor_path.with_suffix(".new")
        fresh.write_text(f"{seq}\n")
        fresh.replace(self._cursor_path)

    def _fetch(self, after_seq: int, limit: int) -> list[OutboxRecord]:
        if not self._journal_path.exists():
            return []
        with Reader(self._journal_path) as reader:
            self._in_force.learn(reader)
            found: list[OutboxRecord] = []
            for stored in reader.entries("record", KINDS, after_seq=after_seq):
                try:
                    found.append(self._record(stored))
                except (ValueError, KeyError, TypeError) as fault:
                    # One that cannot be read must not hold up all that come after it.
                    self._report(event("record_not_published", seq=stored.seq, why=str(fault)))
                if len(found) >= limit:
                    break
            return found

    def _record(self, stored: Stored) -> OutboxRecord:
        stamp = Stamp(stored.seq, stored.wall_us, stored.mono_us / 1e6)
        settings_id = self._in_force.at(stored.boot_id, stored.seq)
        origin = Origin(self._origin.site_id, stored.boot_id, settings_id, stored.simulated)
        if stored.kind == EVENT:
            return OutboxRecord(stored.seq, Topic.EVENT, payloads.event(origin, stamp, events.read(stored)))
        if stored.kind == PARCEL:
            return OutboxRecord(stored.seq, Topic.PARCEL, payloads.parcel(origin, stamp, parcels.read(stored)))
        return OutboxRecord(
            stored.seq, Topic.HEAD, payloads.head(origin, stamp, "record", stored.seq, stored.hash.hex())
        )  # fmt: skip
