import json
import threading
from pathlib import Path

import apsw
import pytest

from crumbmeter.journal import opening, setaside
from crumbmeter.journal.entry import KIND_SET_ASIDE
from crumbmeter.journal.reader import Reader
from crumbmeter.journal.schema import connect_writer
from crumbmeter.journal.verify import verify
from tests.unit.journal.badvfs import BadDisk
from tests.unit.journal.making import NOW, SOON_S, both_strands, entries, open_journal, small_limits, tamper, write


def scribble(path: Path, at: int, length: int = 600) -> None:
    """Overwrite part of a file, as a dying disk does."""
    with path.open("r+b") as file:
        file.seek(at)
        file.write(b"\xa5" * length)


@pytest.mark.parametrize(
    "damage",
    [
        pytest.param(lambda path: scribble(path, 0), id="header of the file"),
        pytest.param(lambda path: scribble(path, 4096 * 4), id="a page inside"),
        pytest.param(lambda path: path.write_bytes(b"no database " * 1000), id="no database at all"),
        pytest.param(lambda path: path.write_bytes(path.read_bytes()[: 4096 * 3]), id="cut short"),
        pytest.param(lambda path: tamper(path, "UPDATE record SET body = x'00' WHERE seq = 14"), id="open end changed"),
        pytest.param(lambda path: tamper(path, "DELETE FROM record WHERE seq > 10"), id="open end gone"),
        pytest.param(lambda path: tamper(path, "UPDATE seal SET count = 9 WHERE segment = 0"), id="a seal changed"),
        pytest.param(lambda path: tamper(path, "DROP TABLE seal"), id="a table gone"),
    ],
)
def test_a_damaged_journal_is_set_aside_and_a_new_one_says_so(tmp_path: Path, damage: object) -> None:
    path = tmp_path / "j.db"
    both_strands(path)
    damage(path)  # type: ignore[operator]
    damaged = path.read_bytes()
    journal = open_journal(path)
    assert journal.opening.outcome == "set aside"
    assert journal.opening.aside is not None
    assert journal.opening.aside.read_bytes()[:64] == damaged[:64]
    assert "20260202T" in journal.opening.aside.name  # 1 770 000 000 s is 2026-02-02T02:40:00Z
    journal.append_nowait(entries(2))
    assert journal.close(SOON_S)
    with Reader(path) as reader:
        told = [(one.kind, one.body) for one in reader.entries()]
    assert [kind for kind, _ in told] == [KIND_SET_ASIDE, "thing", "thing"]
    assert json.loads(told[0][1]) == {"aside": journal.opening.aside.name, "reason": journal.opening.detail}
    assert verify(path).ok
    assert write(path, [entries(1)]).opening.outcome == "continued"


def test_a_healthy_journal_is_not_set_aside_whatever_its_length(tmp_path: Path) -> None:
    path = tmp_path / "j.db"
    for count in range(12):
        found = write(path, [entries(count % 3), entries(count % 2, "image")]).opening
        assert (found.outcome, found.checked) == ("continued" if count else "new", True)
    assert verify(path).ok


def test_damage_met_while_running_is_set_aside_and_recording_goes_on(tmp_path: Path) -> None:
    path = tmp_path / "j.db"
    disk = BadDisk("dying")
    journal = open_journal(path, small_limits(), vfs=disk.name)
    journal.append_nowait(entries(30))
    assert journal.flush(SOON_S)
    disk.refuse_from = 0
    journal.append_nowait(entries(1, first=30))
    assert disk.wait_refused(1, SOON_S)
    for name in ("j.db", "j.db-wal"):
        scribble(tmp_path / name, 0, 4096 * 4)
    disk.refuse_from = None
    assert journal.flush(SOON_S)
    journal.append_nowait(entries(2, first=31))
    assert journal.close(SOON_S)
    disk.unregister()
    aside = [one for one in tmp_path.iterdir() if "set-aside" in one.name and not one.name.endswith(("-wal", "-shm"))]
    assert len(aside) == 1
    with Reader(path) as reader:
        told = [(one.kind, json.loads(one.body)) for one in reader.entries() if one.kind != "journal_seal"]
    assert [kind for kind, _ in told] == [KIND_SET_ASIDE, "thing", "thing", "thing"]
    assert [body["n"] for _, body in told[1:]] == [30, 31, 32]
    assert told[0][1]["aside"] == aside[0].name
    assert verify(path).ok


def test_the_wal_goes_with_its_journal(tmp_path: Path) -> None:
    path = tmp_path / "j.db"
    connection = connect_writer(path, 1 << 20)
    connection.execute("CREATE TABLE t (x); INSERT INTO t VALUES (1)")
    target = setaside.set_aside(path, NOW.wall_us)  # while open: its WAL exists
    connection.close()
    assert not path.exists()
    assert not path.with_name("j.db-wal").exists()
    check = apsw.Connection(str(target))
    assert check.execute("SELECT x FROM t").fetchall() == [(1,)]
    check.close()
    second = tmp_path / "j.db"
    second.write_bytes(b"x")
    assert setaside.set_aside(second, NOW.wall_us) != target


def test_a_setting_aside_cut_in_two_is_completed(tmp_path: Path) -> None:
    path = tmp_path / "j.db"
    path.write_bytes(b"damaged")
    (tmp_path / "j.db.setting-aside").write_text("j.db.set-aside-X")
    (tmp_path / "j.db.set-aside-X-wal").write_bytes(b"its wal")  # the crash came after the first rename
    setaside.finish_set_aside(path)
    assert sorted(one.name for one in tmp_path.iterdir()) == ["j.db.set-aside-X", "j.db.set-aside-X-wal"]


class EndlessCheck:
    """A connection whose quick check ends only when it is interrupted."""

    def __init__(self) -> None:
        self._interrupted = threading.Event()

    def execute(self, sql: str) -> None:
        assert "quick_check" in sql
        assert self._interrupted.wait(SOON_S), "nobody interrupted the check"
        raise apsw.InterruptError("interrupted")

    def interrupt(self) -> None:
        self._interrupted.set()


def test_the_check_at_start_is_bounded(tmp_path: Path) -> None:
    assert opening.quick_check(EndlessCheck(), 0.0) is False  # type: ignore[arg-type]
    path = tmp_path / "j.db"
    write(path, [entries(100)])
    connection = connect_writer(path, 1 << 20)
    assert opening.quick_check(connection, 60.0) is True
    connection.close()


def test_a_check_that_ran_out_of_time_is_no_damage(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "j.db"
    write(path, [entries(100)])
    monkeypatch.setattr(opening, "quick_check", lambda connection, limit_s: False)
    found = write(path, [entries(1)]).opening
    assert (found.outcome, found.checked) == ("continued", False)
