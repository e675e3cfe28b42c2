"""A backup is only what was read back; whatever happens in between, the last good one stays (REQ-53)."""

import json
import multiprocessing
import os
import signal
from pathlib import Path

import pytest

from crumbmeter.cli.backup import backup, check
from crumbmeter.journal.backup import BackupFailedError, back_up, prove
from crumbmeter.journal.backup_status import NAME, read_status
from crumbmeter.journal.reader import Reader
from crumbmeter.journal.verify import verify
from tests.unit.journal.making import SOON_S, both_strands, entries, open_journal, tamper, write

PAGE_BYTES = 4096


@pytest.fixture
def plant(tmp_path: Path) -> Path:
    """Folder of both journals, with some pages in each."""
    folder = tmp_path / "plant"
    folder.mkdir()
    for name in ("journal.db", "quality.db"):
        both_strands(folder / name, 60)
    (folder / "journal.key").write_text("secret")
    return folder


@pytest.fixture
def target(tmp_path: Path) -> Path:
    return tmp_path / "backup"


def test_both_copies_hold_all_that_was_acknowledged(plant: Path, target: Path) -> None:
    assert backup(plant, target) == 0
    for name in ("journal.db", "quality.db"):
        with Reader(plant / name) as source, Reader(target / name) as copy:
            assert list(copy.entries()) == list(source.entries())
            assert list(copy.entries("image")) == list(source.entries("image"))
            assert copy.journal_id() == source.journal_id()
    assert sorted(path.name for path in target.iterdir()) == [NAME, "journal.db", "quality.db"]
    said = json.loads((target / NAME).read_text())
    assert [one["entries"] for one in said["journals"]] == [148, 148]
    assert said["good_us"] == said["tried_us"]
    assert check(target) == 0


def test_a_journal_goes_on_from_its_copy(plant: Path, target: Path) -> None:
    """The restore itself: the copy in the journal's place, opened for writing."""
    assert backup(plant, target) == 0
    write(target / "journal.db", [entries(3)])
    assert verify(target / "journal.db").ok
    assert verify(target / "journal.db").strands[0].entries == 78


def test_a_journal_is_copied_while_it_is_written(plant: Path, target: Path) -> None:
    journal = open_journal(plant / "journal.db")

    def goes_on(_point: str) -> None:
        journal.append_nowait(entries(1))
        assert journal.flush(SOON_S)

    copied = back_up(plant / "journal.db", target, goes_on)
    assert journal.close(SOON_S)
    with Reader(plant / "journal.db") as source:
        assert copied.heads["record"].seq < source.heads()["record"].seq
    assert verify(plant / "journal.db", copied.heads["record"]).ok


@pytest.mark.parametrize("page", range(1, 12))
def test_any_damaged_page_of_the_backup_is_found(plant: Path, target: Path, page: int) -> None:
    assert backup(plant, target) == 0
    raw = bytearray((target / "journal.db").read_bytes())
    assert len(raw) >= 12 * PAGE_BYTES
    for at in range(page * PAGE_BYTES, (page + 1) * PAGE_BYTES):
        raw[at] ^= 0x55
    (target / "journal.db").write_bytes(raw)
    assert check(target) == 1
    assert backup(plant, target) == 0  # a damaged one is replaced, and that is said
    assert "no longer good" in (target / NAME).read_text()
    assert check(target) == 0


def test_a_damaged_journal_does_not_replace_its_good_copy(plant: Path, target: Path) -> None:
    assert backup(plant, target) == 0
    good = read_status(target)
    before = (target / "journal.db").read_bytes()
    tamper(plant / "journal.db", "UPDATE record SET body = x'00' WHERE seq = 30")
    assert backup(plant, target) == 1
    assert (target / "journal.db").read_bytes() == before
    status = read_status(target)
    assert good is not None
    assert status is not None
    assert (status.good_us, "record 26" in status.problem) == (good.good_us, True)


def test_a_journal_that_lost_its_tail_does_not_replace_its_copy(plant: Path, target: Path) -> None:
    assert backup(plant, target) == 0
    last = prove(target / "journal.db")["record"].seq
    write(plant / "journal.db", [entries(1)])
    assert backup(plant, target) == 0
    tamper(plant / "journal.db", "DELETE FROM record WHERE seq >= ?", (last,))
    tamper(plant / "journal.db", "DELETE FROM seal WHERE strand = 'record' AND last_seq >= ?", (last - 1,))
    assert verify(plant / "journal.db").ok
    with pytest.raises(BackupFailedError, match="tail was cut off"):
        back_up(plant / "journal.db", target)
    assert prove(target / "journal.db")["record"].seq > last


def test_another_journal_leaves_the_copy_of_the_first(plant: Path, target: Path) -> None:
    assert backup(plant, target) == 0
    with Reader(target / "journal.db") as reader:
        first = reader.journal_id()
    (plant / "journal.db").unlink()
    both_strands(plant / "journal.db", 5)
    assert backup(plant, target) == 0
    with Reader(target / f"journal-{first[:8]}.db") as reader:
        assert reader.journal_id() == first


def _killed(plant: Path, target: Path, at: str) -> None:
    def die(point: str) -> None:
        if point == at:
            os.kill(os.getpid(), signal.SIGKILL)

    back_up(plant / "journal.db", target, die)


@pytest.mark.parametrize("point", ["copying", "copied", "proved"])
def test_killed_on_the_way_the_old_one_stays_and_the_next_one_works(plant: Path, target: Path, point: str) -> None:
    write(plant / "journal.db", [entries(2000)])
    assert backup(plant, target) == 0
    before = (target / "journal.db").read_bytes()
    write(plant / "journal.db", [entries(9)])
    worker = multiprocessing.get_context("spawn").Process(target=_killed, args=(plant, target, point))
    worker.start()
    worker.join(SOON_S)
    assert worker.exitcode == -signal.SIGKILL
    assert (target / "journal.db.part").exists()
    assert (target / "journal.db").read_bytes() == before
    assert check(target) == 0
    assert backup(plant, target) == 0
    assert not (target / "journal.db.part").exists()


def test_keys_go_along_only_when_asked(plant: Path, target: Path) -> None:
    assert backup(plant, target, with_keys=True) == 0
    assert (target / "journal.key").read_text() == "secret"
    assert (target / "journal.key").stat().st_mode & 0o777 == 0o600


def test_nothing_to_back_up_is_said(tmp_path: Path, plant: Path) -> None:
    assert backup(tmp_path, tmp_path / "backup") == 2
    assert backup(plant, plant) == 2
    assert check(tmp_path) == 2


def test_a_target_that_cannot_be_written_fails(plant: Path, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    assert backup(plant, tmp_path / "file" / "below") == 1


def test_a_status_of_another_program_is_refused(tmp_path: Path) -> None:
    assert read_status(tmp_path) is None
    (tmp_path / NAME).write_text("[]")
    with pytest.raises(ValueError, match="backup"):
        read_status(tmp_path)
