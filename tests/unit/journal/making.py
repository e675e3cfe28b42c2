"""Small journals for tests, made by the real Journal with its real thread."""

import threading
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import apsw

from crumbmeter.journal.entry import Appendable, Entry, Stamp, Strand
from crumbmeter.journal.journal import Journal
from crumbmeter.journal.limits import DiskLimits, Limits

BOOT = "00112233445566778899aabbccddeeff"
NOW = Stamp(5_000_000, 1_770_000_000_000_000)
NEVER_LOW = DiskLimits(low_bytes=0, image_bytes=0, record_bytes=0)
SOON_S = 20.0
"""[s] Longest wait of a test for something that takes milliseconds."""


def small_limits(**changes: object) -> Limits:
    """Limits with segments of five entries, and no regard to the disk of the machine that runs the tests."""
    base = Limits()
    small = {"segment_entries": 5, "keep_us": None, "queue_entries": 5000}
    limits = replace(
        base,
        record=replace(base.record, **small),  # type: ignore[arg-type]
        image=replace(base.image, **small),  # type: ignore[arg-type]
        disk=NEVER_LOW,
        retry_s=0.005,
    )
    return replace(limits, **changes)  # type: ignore[arg-type]


def open_journal(path: Path, limits: Limits | None = None, **more: object) -> Journal:
    return Journal(path, BOOT, lambda: NOW, limits or small_limits(), **more)  # type: ignore[arg-type]


def entries(count: int, strand: Strand = "record", first: int = 0, kind: str = "thing") -> list[Entry]:
    """Entries a second apart whose bodies say their number."""
    return [
        Entry(strand, kind, b'{"n":%d}' % number, number * 1_000_000, NOW.wall_us + number * 1_000_000)
        for number in range(first, first + count)
    ]


def write(path: Path, batches: Sequence[Sequence[Appendable]], limits: Limits | None = None) -> Journal:
    """Write batches, each committed by itself, and close."""
    journal = open_journal(path, limits)
    for batch in batches:
        journal.append_nowait(batch)
        assert journal.flush(SOON_S)
    assert journal.close(SOON_S)
    return journal


def both_strands(path: Path, count: int = 12, limits: Limits | None = None) -> Journal:
    """A journal with so many entries in each strand."""
    batches = [[*entries(1, "record", n), *entries(1, "image", n, "scans")] for n in range(count)]
    return write(path, batches, limits)


def tamper(path: Path, sql: str, values: tuple[int, ...] = ()) -> None:
    """Change a journal behind its back, as someone with an SQLite shell would."""
    connection = apsw.Connection(str(path))
    connection.execute(sql, values)
    connection.close()


class Commits:
    """Hears commits, and lets a test wait for one that satisfies it."""

    def __init__(self) -> None:
        self.heard: list[tuple[int, bytes]] = []
        self._news = threading.Condition()

    def __call__(self, seq: int, head: bytes) -> None:
        with self._news:
            self.heard.append((seq, head))
            self._news.notify_all()

    def wait(self, satisfied: Callable[[list[tuple[int, bytes]]], bool]) -> bool:
        with self._news:
            return self._news.wait_for(lambda: satisfied(self.heard), SOON_S)
