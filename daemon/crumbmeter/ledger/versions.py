"""Versions of the site file: every text that was put in force, with who, why and when, in the signed quality record.

The plant's record keeps the files of every run, for as long as it is kept itself; the quality record is kept for good.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from crumbmeter.journal.reader import Reader
from crumbmeter.ledger import boots, in_force, quality, settings
from crumbmeter.ledger.stamped import APPLIED, BOOT, SETTINGS
from crumbmeter.qc.said import Said, Subject

NOBODY: Final = "nobody said"


@dataclass(frozen=True, slots=True)
class Version:
    """One text of a site, with the register maps it uses."""

    number: int
    """Counted from 1 in the quality record; 0: only the plant's record holds it."""
    settings_id: str
    files: tuple[tuple[str, bytes], ...]
    """Name and content."""
    who: str
    reason: str
    how: str
    """`applied`, `kept` or `rolled back`; of the plant's record `run`."""
    at_us: int
    """[us] UTC since 1970."""


def said(settings_id: str, files: Sequence[tuple[str, bytes]], *, how: str, who: str, reason: str, now_us: int) -> Said:
    """Make the entry of a version."""
    texts = [[name, content.decode()] for name, content in files]
    what = {"how": how, "files": texts, "why": reason}
    return Said(Subject.SITE_VERSION, settings_id, what, who, now_us)


def on_record(folder: Path) -> tuple[Version, ...]:
    """Read the versions of a quality record, oldest first; none where there is no such record.

    Raises:
        JournalUnreadableError: it cannot be read.
    """
    entries = quality.read_all(folder).of(Subject.SITE_VERSION)
    return tuple(
        Version(
            number, one.about, tuple((name, text.encode()) for name, text in one.what["files"]), one.who,
            str(one.what["why"]), str(one.what["how"]), one.effective_us,
        )
        for number, one in enumerate(entries, 1)
    )  # fmt: skip


def of_runs(reader: Reader) -> tuple[Version, ...]:
    """Read the versions that the plant's record holds, in the order in which they came into force first."""
    files = {}
    for stored in reader.entries("record", (SETTINGS,)):
        kept = settings.read(stored)
        files[kept.settings_id] = kept.files
    found: dict[str, Version] = {}
    for stored in reader.entries("record", (BOOT, APPLIED)):
        applied = in_force.read(stored) if stored.kind == APPLIED else None
        settings_id = boots.read(stored).settings_id if applied is None else applied.settings_id
        who, why = (NOBODY, "") if applied is None else (applied.who, applied.reason)
        if settings_id in files and settings_id not in found:
            found[settings_id] = Version(0, settings_id, files[settings_id], who, why, "run", stored.wall_us)
    return tuple(found.values())


def chosen(versions: Sequence[Version], wanted: str) -> Version | None:
    """Find a version by its number or by the first characters (six at least) of its settings id; the newest such."""
    for one in reversed(versions):
        by_id = len(wanted) >= 6 and one.settings_id.startswith(wanted)
        if by_id or (one.number and wanted == str(one.number)):
            return one
    return None
