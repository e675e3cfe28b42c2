from pathlib import Path

import apsw
import pytest

from crumbmeter.journal import schema
from crumbmeter.journal.errors import JournalRefusedError, JournalUnreadableError
from crumbmeter.journal.reader import Reader
from tests.unit.journal.making import both_strands, open_journal, tamper


def test_a_newer_database_is_refused_and_left_as_it_is(tmp_path: Path) -> None:
    path = tmp_path / "j.db"
    both_strands(path)
    tamper(path, "PRAGMA user_version=99")
    before = path.read_bytes()
    with pytest.raises(JournalRefusedError, match="schema 99"):
        open_journal(path)
    with pytest.raises(JournalUnreadableError, match="schema 99"):
        Reader(path)
    assert path.read_bytes() == before
    assert [one.name for one in tmp_path.iterdir() if "set-aside" in one.name] == []


def test_another_programs_database_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "j.db"
    tamper(path, "CREATE TABLE theirs (x)")
    with pytest.raises(JournalRefusedError, match="another program's"):
        open_journal(path)
    with pytest.raises(JournalUnreadableError, match="not a journal"):
        Reader(path)


@pytest.mark.parametrize("version", ["3.40.1", "3.51.2", "3.9.0"])
def test_an_sqlite_with_the_wal_reset_bug_is_refused(tmp_path: Path, version: str) -> None:
    with pytest.raises(JournalRefusedError, match="WAL-reset"):
        schema.refuse_old_sqlite(tmp_path, version)


@pytest.mark.parametrize("version", ["3.51.3", "3.52.0", "4.0.0", schema.sqlite_version()])
def test_a_newer_sqlite_is_taken(tmp_path: Path, version: str) -> None:
    schema.refuse_old_sqlite(tmp_path, version)


def test_a_migration_that_fails_leaves_nothing_behind(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "j.db"
    connection = schema.connect_writer(path, 1 << 20)
    monkeypatch.setattr(schema, "VERSION", 2)  # there is no schema_v2.sql: the second step fails after the first ran
    with pytest.raises(FileNotFoundError):
        schema.migrate(connection, path, 0)
    assert connection.execute("SELECT count(*) FROM sqlite_schema").fetchall() == [(0,)]
    assert connection.execute("PRAGMA user_version").fetchall() == [(0,)]
    monkeypatch.undo()
    assert schema.migrate(connection, path, 0) is True
    assert schema.migrate(connection, path, 0) is False
    connection.close()


def test_the_writers_connection_is_as_durable_as_claimed(tmp_path: Path) -> None:
    connection = schema.connect_writer(tmp_path / "j.db", 12345)
    told = {
        name: connection.execute(f"PRAGMA {name}").fetchall()[0][0]
        for name in ("journal_mode", "synchronous", "wal_autocheckpoint", "journal_size_limit")
    }
    connection.close()
    assert told == {"journal_mode": "wal", "synchronous": 2, "wal_autocheckpoint": 0, "journal_size_limit": 12345}


def test_a_reader_cannot_write(tmp_path: Path) -> None:
    path = tmp_path / "j.db"
    both_strands(path)
    connection = schema.connect_reader(path)
    with pytest.raises(apsw.ReadOnlyError):
        connection.execute("DELETE FROM record")
    connection.close()


@pytest.mark.parametrize("content", [b"", b"not a database at all, but long enough to look at" * 100])
def test_what_is_no_database_cannot_be_read(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "j.db"
    path.write_bytes(content)
    with pytest.raises(JournalUnreadableError):
        Reader(path)
    with pytest.raises(JournalUnreadableError, match="no such file"):
        Reader(tmp_path / "nowhere.db")
