"""The disk refuses: nothing acknowledged is lost, what is lost is in the chain, and recording resumes by itself."""

import json
from collections.abc import Iterator
from dataclasses import replace
from itertools import count
from pathlib import Path

import apsw
import pytest

from crumbmeter.journal.entry import KIND_DROP, KIND_GAP
from crumbmeter.journal.limits import DiskLimits
from crumbmeter.journal.reader import Reader
from crumbmeter.journal.space import Level
from crumbmeter.journal.verify import verify
from tests.unit.journal.badvfs import BadDisk
from tests.unit.journal.making import SOON_S, entries, open_journal, small_limits

_NAMES = count()


@pytest.fixture
def disk() -> Iterator[BadDisk]:
    vfs = BadDisk(f"bad{next(_NAMES)}")
    yield vfs
    vfs.unregister()


def numbers(path: Path, strand: str = "record") -> list[int]:
    with Reader(path) as reader:
        return [json.loads(one.body)["n"] for one in reader.entries(strand, ("thing",))]  # type: ignore[arg-type]


@pytest.mark.parametrize("result", [apsw.SQLITE_FULL, apsw.SQLITE_IOERR_WRITE])
@pytest.mark.parametrize("nth", range(1, 25))
def test_refused_at_any_write_nothing_acknowledged_is_lost_and_nothing_comes_twice(
    tmp_path: Path, disk: BadDisk, nth: int, result: int
) -> None:
    path = tmp_path / "j.db"
    limits = small_limits(checkpoint_pages=3)
    journal = open_journal(path, limits, vfs=disk.name)
    acknowledged: list[tuple[int, bytes]] = []
    journal.on_committed(lambda seq, head: acknowledged.append((seq, head)))
    disk.result = result
    disk.refuse_from = disk.writes + nth
    batches = 0
    while not disk.refused:
        journal.append_nowait(entries(3, first=3 * batches))
        batches += 1
        while not (disk.refused or journal.flush(0.001)):
            pass
    disk.refuse_from = None
    assert journal.flush(SOON_S)
    assert journal.status().failing == ""
    assert journal.close(SOON_S)
    assert numbers(path) == list(range(3 * batches))
    report = verify(path)
    assert report.ok
    with Reader(path) as reader:
        stored = {one.seq: one.hash for one in reader.entries()}
    assert all(stored[seq] == head for seq, head in acknowledged if seq)


def test_a_sync_that_fails_is_never_taken_for_an_acknowledgement(tmp_path: Path, disk: BadDisk) -> None:
    path = tmp_path / "j.db"
    journal = open_journal(path, vfs=disk.name)
    heard: list[int] = []
    journal.on_committed(lambda seq, _: heard.append(seq))
    disk.result = apsw.SQLITE_IOERR_FSYNC
    disk.refuse_sync = True
    journal.append_nowait(entries(2))
    assert disk.wait_refused(3, SOON_S)
    assert heard == []
    assert "IOError" in journal.status().failing
    disk.refuse_sync = False
    assert journal.close(SOON_S)
    assert heard == [2]
    assert numbers(path) == [0, 1]
    assert verify(path).ok


def test_while_the_disk_refuses_the_queue_fills_then_drops_are_counted_and_a_gap_tells(
    tmp_path: Path, disk: BadDisk
) -> None:
    path = tmp_path / "j.db"
    base = small_limits()
    journal = open_journal(path, replace(base, record=replace(base.record, queue_entries=4)), vfs=disk.name)
    disk.refuse_from = 0
    journal.append_nowait(entries(1))
    assert disk.wait_refused(1, SOON_S)
    journal.append_nowait(entries(10, first=1))
    assert journal.status().dropped["record"] == 6
    disk.refuse_from = None
    assert journal.flush(SOON_S)
    journal.append_nowait(entries(1, first=11))
    assert journal.close(SOON_S)
    assert numbers(path) == [0, 1, 2, 3, 4, 11]
    with Reader(path) as reader:
        kinds = [one.kind for one in reader.entries() if one.kind != "journal_seal"]
        gap = reader.last(KIND_GAP)
    assert kinds == ["thing"] * 5 + [KIND_GAP, "thing"]
    assert gap is not None
    assert json.loads(gap.body)["reasons"] == {"queue full": 6}
    assert verify(path).ok


def test_a_full_disk_costs_images_first(tmp_path: Path, disk: BadDisk) -> None:
    path = tmp_path / "j.db"
    journal = open_journal(path, vfs=disk.name)
    disk.refuse_from = 0
    journal.append_nowait([*entries(2), *entries(2, "image")])
    assert disk.wait_refused(1, SOON_S)
    disk.refuse_from = None
    assert journal.flush(SOON_S)
    assert journal.close(SOON_S)
    assert numbers(path) == [0, 1]
    assert numbers(path, "image") == []
    with Reader(path) as reader:
        gap = reader.last(KIND_GAP, "image")
    assert gap is not None
    assert json.loads(gap.body)["reasons"] == {"disk full": 2}


def test_closing_while_the_disk_refuses_ends_and_counts(tmp_path: Path, disk: BadDisk) -> None:
    journal = open_journal(tmp_path / "j.db", small_limits(retry_s=60.0), vfs=disk.name)
    disk.refuse_from = 0
    journal.append_nowait(entries(3))
    assert disk.wait_refused(1, SOON_S)
    assert journal.close(SOON_S)
    assert journal.status().dropped["record"] == 3
    assert journal.status().queued == 0
    disk.refuse_from = None
    assert verify(tmp_path / "j.db").ok


def test_a_disk_that_refuses_at_start_raises_nothing_and_recording_begins_when_it_can(
    tmp_path: Path, disk: BadDisk
) -> None:
    path = tmp_path / "j.db"
    disk.refuse_from = 0
    journal = open_journal(path, vfs=disk.name)
    assert journal.opening.outcome == "unavailable"
    journal.append_nowait(entries(2))
    disk.refuse_from = None
    assert journal.flush(SOON_S)
    assert journal.close(SOON_S)
    assert numbers(path) == [0, 1]


def test_low_space_sheds_images_and_then_tells(tmp_path: Path) -> None:
    mib = 1 << 20
    free = [500 * mib]
    limits = small_limits(disk=DiskLimits(low_bytes=300 * mib, image_bytes=200 * mib, record_bytes=10 * mib))
    path = tmp_path / "j.db"
    journal = open_journal(path, limits, space=lambda: (free[0], 1000 * 1024 * mib))

    def append(number: int) -> Level:
        journal.append_nowait([*entries(1, "record", number), *entries(1, "image", number)])
        assert journal.flush(SOON_S)
        return journal.status().space

    assert append(0) is Level.AMPLE
    free[0] = 250 * mib
    assert append(1) is Level.LOW
    free[0] = 100 * mib
    assert append(2) is Level.SHED_IMAGE
    assert append(3) is Level.SHED_IMAGE
    free[0] = 5 * mib  # and no image segment is sealed that could be given up
    assert append(4) is Level.SHED_RECORD
    free[0] = 500 * mib
    assert append(5) is Level.AMPLE
    assert journal.close(SOON_S)
    assert numbers(path) == [0, 1, 2, 3, 5]
    assert numbers(path, "image") == [0, 1, 5]
    with Reader(path) as reader:
        gaps = [json.loads(one.body)["reasons"] for one in reader.entries("record", (KIND_GAP,))]
        image_gaps = [json.loads(one.body)["reasons"] for one in reader.entries("image", (KIND_GAP,))]
    assert gaps == [{"disk low": 1}]
    assert image_gaps == [{"disk low": 3}]
    assert verify(path).ok


def test_the_last_space_goes_to_records_out_of_dropped_images(tmp_path: Path) -> None:
    mib = 1 << 20
    free = [500 * mib]
    limits = small_limits(disk=DiskLimits(low_bytes=300 * mib, image_bytes=200 * mib, record_bytes=10 * mib))
    path = tmp_path / "j.db"
    journal = open_journal(path, limits, space=lambda: (free[0], 1000 * 1024 * mib))
    big = [replace(one, body=b"x" * 300_000) for one in entries(11, "image")]
    journal.append_nowait([*entries(1), *big])
    assert journal.flush(SOON_S)
    free[0] = 5 * mib
    journal.append_nowait(entries(1, first=1))
    assert journal.flush(SOON_S)
    assert journal.close(SOON_S)
    assert numbers(path) == [0, 1]
    with Reader(path) as reader:
        drops = [json.loads(one.body) for one in reader.entries("image", (KIND_DROP,))]
    assert [(one["segment"], one["reason"]) for one in drops] == [(0, "disk full"), (1, "disk full")]
    assert verify(path).ok
