"""The write-ahead log stays bounded over an hour of commits, whoever reads (REQ-43)."""

from dataclasses import replace
from pathlib import Path

import apsw
import pytest

from crumbmeter.journal.entry import KIND_GAP, Entry
from crumbmeter.journal.journal import Journal
from crumbmeter.journal.limits import WAL_PAGE_BYTES, Limits
from crumbmeter.journal.reader import Reader
from crumbmeter.journal.verify import verify
from tests.unit.journal.making import NEVER_LOW, NOW, SOON_S, open_journal

HOUR = 3600
"""Commits: a row a second, and with it an image of scans."""
ROW, IMAGE = b"r" * 600, b"i" * 2500
MOST_BYTES = 4 << 20


def second(number: int) -> list[Entry]:
    wall_us = NOW.wall_us + number * 1_000_000
    return [
        Entry("record", "row", ROW, number * 1_000_000, wall_us),
        Entry("image", "scans", IMAGE, number * 1_000_000, wall_us),
    ]


def an_hour(journal: Journal, first: int = 0) -> int:
    """Record an hour, a commit a second; return how long the log was at most [byte]."""
    longest = 0
    for number in range(first, first + HOUR):
        journal.append_nowait(second(number))
        assert journal.flush(SOON_S)
        longest = max(longest, journal.status().wal_pages)
    return longest * WAL_PAGE_BYTES


def limits() -> Limits:
    base = Limits()
    return replace(
        base, disk=NEVER_LOW, wal_most_bytes=MOST_BYTES, checkpoint_pages=100,
        record=replace(base.record, keep_us=None), image=replace(base.image, keep_us=None),
    )  # fmt: skip


@pytest.mark.slow
def test_a_reader_of_ours_left_standing_for_an_hour_holds_nothing(tmp_path: Path) -> None:
    path = tmp_path / "j.db"
    journal = open_journal(path, limits())
    journal.append_nowait([entry for number in range(600) for entry in second(number)])  # more than a page of rows
    assert journal.flush(SOON_S)
    with Reader(path) as reader:
        before = reader.heads()["record"].seq
        standing = reader.entries()
        next(standing)
        assert an_hour(journal, 600) < 200 * WAL_PAGE_BYTES
        assert sum(1 for _ in standing) >= before + HOUR - 1  # it goes on, with all that came since
    assert not journal.status().wal_long
    assert journal.close(SOON_S)


@pytest.mark.slow
def test_a_foreign_reader_that_lets_nothing_go_costs_images_and_no_record(tmp_path: Path) -> None:
    path = tmp_path / "j.db"
    journal = open_journal(path, limits())
    journal.append_nowait(second(0))
    assert journal.flush(SOON_S)
    foreign = apsw.Connection(str(path), flags=apsw.SQLITE_OPEN_READONLY)
    foreign.execute("BEGIN")
    foreign.execute("SELECT count(*) FROM record").fetchall()
    unbounded_bytes = HOUR * (len(IMAGE) + len(ROW))
    longest = an_hour(journal, 1)
    assert journal.status().wal_long
    lost = journal.status().dropped
    assert (lost["record"], lost["image"] > HOUR // 2) == (0, True)
    print(f"log at most {longest / 1e6:.1f} MB, {lost['image']} images given up, {unbounded_bytes} bytes offered")  # noqa: T201 - wanted in the test's output
    foreign.close()
    journal.append_nowait(second(HOUR + 1))
    assert journal.flush(SOON_S)
    an_hour_later = an_hour(journal, HOUR + 2)
    assert an_hour_later <= longest + 50 * WAL_PAGE_BYTES
    assert not journal.status().wal_long
    assert journal.status().wal_pages < 200
    assert journal.close(SOON_S)
    assert verify(path).ok
    with Reader(path) as reader:
        (gap,) = reader.entries("image", (KIND_GAP,))
        assert b"a reader holds the write-ahead log" in gap.body
        assert sum(1 for one in reader.entries("record") if one.kind == "row") == 2 * HOUR + 2
