"""Which settings were in force: those of a run's start, and those that people put in force while it went on."""

from bisect import bisect_right
from dataclasses import asdict

from crumbmeter.journal.entry import Entry, Stored
from crumbmeter.journal.reader import Reader
from crumbmeter.ledger import boots
from crumbmeter.ledger.stamped import APPLIED, BOOT, Stamped, body_of, record
from crumbmeter.model.frozen import dataclass


@dataclass(frozen=True, slots=True)
class Applied:
    """Settings put in force between two scans of a run."""

    settings_id: str
    was: str
    """Settings in force before."""
    next_scan: int
    """Number, in this run, of the first scan under them."""
    control_kept: bool
    """Nothing that control depends on is different: it stays enabled if it was."""
    who: str
    reason: str


def entry(applied: Applied, at: Stamped) -> Entry:
    """Make the entry of settings that were put in force."""
    return record(APPLIED, asdict(applied), at)


def read(stored: Stored) -> Applied:
    """Read it back."""
    return Applied(**body_of(stored, APPLIED))


class InForce:
    """The settings id behind every entry of a record. Reads the record once, and again when `learn` is called."""

    def __init__(self) -> None:
        self._seqs: dict[str, list[int]] = {}
        self._ids: dict[str, list[str]] = {}
        self._through = 0

    def learn(self, reader: Reader) -> "InForce":
        """Take in what has been recorded since the last time."""
        for stored in reader.entries("record", (BOOT, APPLIED), after_seq=self._through):
            began = boots.read(stored).settings_id if stored.kind == BOOT else read(stored).settings_id
            self._seqs.setdefault(stored.boot_id, []).append(stored.seq)
            self._ids.setdefault(stored.boot_id, []).append(began)
            self._through = stored.seq
        return self

    def at(self, boot_id: str, seq: int) -> str:
        """Return the settings id under which an entry of a run was made; empty where the record does not know."""
        place = bisect_right(self._seqs.get(boot_id, []), seq) - 1
        return self._ids[boot_id][max(place, 0)] if boot_id in self._ids else ""


def newest(reader: Reader) -> str | None:
    """Return the id of the settings that were in force last; None where nothing has been recorded."""
    stored = next(reader.entries("record", (BOOT, APPLIED), newest_first=True), None)
    if stored is None:
        return None
    return boots.read(stored).settings_id if stored.kind == BOOT else read(stored).settings_id


def agreed(reader: Reader, settings_id: str) -> frozenset[str]:
    """Return every settings id for which enabled control holds under these settings, too.

    These themselves, and those that they took the place of without anything being different that control depends on.
    """
    ids = {settings_id}
    for stored in reader.entries("record", (APPLIED,), newest_first=True):
        applied = read(stored)
        if applied.settings_id in ids and applied.control_kept:
            ids.add(applied.was)
    return frozenset(ids)
