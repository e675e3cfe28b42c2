"""Signed seals of the plant's record: at a start for what is before it, once a day, and at the end of a run.

Signing happens in the journal's writer thread. A key that cannot be had is told once; control never fails with it.
"""

from typing import Final

from crumbmeter.journal.entry import KIND_SIGNED, Stamp
from crumbmeter.journal.journal import Journal
from crumbmeter.journal.reader import Reader
from crumbmeter.journal.signed import DAY_US, entry
from crumbmeter.journal.signing import KeyRefusedError, SigningKey, load_or_make_key
from crumbmeter.model.events import Event, event

KEY_NAME: Final = "journal.key"
AFTER_MIDNIGHT_US: Final = 5_000_000
"""[us] The daily seal waits so long, so that the last entries of the day are acknowledged and covered."""


class Sealing:
    """Decides when a signed seal is due, and asks the journal for it."""

    def __init__(self, journal: Journal, flags: int) -> None:
        """Prepare.

        Args:
            journal: The open journal; the key lies beside it.
            flags: Of the entries.
        """
        self._journal = journal
        self._flags = flags
        self._key: SigningKey | None = None
        self._day: int | None = None

    def load_key(self) -> Event | None:
        """Read the private key, or make it; return what is to be told when there is none. Waits for the disk."""
        path = self._journal.path.with_name(KEY_NAME)
        try:
            self._key = load_or_make_key(path)
        except (KeyRefusedError, OSError) as problem:
            return event("journal_not_signed", detail=str(problem))
        return None

    def look(self, stamp: Stamp) -> None:
        """Seal when a new UTC day has begun since the last look. For every scan."""
        day = (stamp.wall_us - AFTER_MIDNIGHT_US) // DAY_US
        if day != self._day:
            if self._day is not None:
                self.seal(stamp)
            self._day = day

    def seal(self, stamp: Stamp) -> None:
        """Ask for a signed seal over what is acknowledged. Never waits."""
        if self._key is not None and self._journal.heads():
            asked = entry(self._key, self._journal.heads, self._identity, stamp, self._flags)
            self._journal.append_nowait((asked,))

    def _identity(self) -> bytes:
        with Reader(self._journal.path) as reader:
            return bytes.fromhex(reader.journal_id())


def ends_unsigned(reader: Reader) -> bool:
    """Tell whether a record ends with entries that no signed seal stands behind, as after a crash."""
    newest = next(reader.entries("record", newest_first=True), None)
    return newest is not None and newest.kind != KIND_SIGNED
