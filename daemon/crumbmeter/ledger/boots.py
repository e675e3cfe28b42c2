"""Boots in the journal: which program, with which settings, began to write under a boot id."""

import platform
from dataclasses import asdict

from crumbmeter.journal.entry import Entry, Stored
from crumbmeter.journal.schema import sqlite_version
from crumbmeter.ledger.stamped import BOOT, Stamped, body_of, record
from crumbmeter.model.frozen import dataclass


@dataclass(frozen=True, slots=True)
class Boot:
    """One run of the daemon."""

    boot_id: str
    """32 hexadecimal digits; also in the header of every entry of this run."""
    version: str
    """Of crumbmeter."""
    settings_id: str
    clock_synced: bool
    """Whether the machine's clock was synchronised when the run began (REQ-18)."""
    simulated: bool
    python: str
    sqlite: str


def boot(boot_id: str, version: str, settings_id: str, *, clock_synced: bool, simulated: bool) -> Boot:
    """Make the boot of this process."""
    return Boot(boot_id, version, settings_id, clock_synced, simulated, platform.python_version(), sqlite_version())


def entry(began: Boot, at: Stamped) -> Entry:
    """Make the entry of a boot: the first of its run."""
    return record(BOOT, asdict(began), at)


def read(stored: Stored) -> Boot:
    """Read a boot back."""
    return Boot(**body_of(stored, BOOT))
