"""Connections and migrations: numbered steps, one transaction, `PRAGMA user_version`, a newer database is refused."""

import os
from importlib.resources import files
from pathlib import Path
from typing import Final

import apsw

from crumbmeter.journal.chain import genesis_hash
from crumbmeter.journal.entry import STRANDS
from crumbmeter.journal.errors import JournalRefusedError, JournalUnreadableError
from crumbmeter.journal.sql import fetch

APPLICATION_ID: Final = 0x43524D42
"""`CRMB` in the file's header: another program's database is never taken for a journal."""
VERSION: Final = 1
OLDEST_SQLITE: Final = (3, 51, 3)
"""First release without the WAL-reset bug, which can corrupt a database with several connections (REQ-32)."""


def sqlite_version() -> str:
    """Return the version of the SQLite that apsw carries."""
    return apsw.sqlite_lib_version()


def refuse_old_sqlite(path: Path, version: str) -> None:
    """Refuse an SQLite with the WAL-reset bug.

    Raises:
        JournalRefusedError: install a newer apsw wheel.
    """
    if tuple(int(part) for part in version.split(".")) < OLDEST_SQLITE:
        wanted = ".".join(map(str, OLDEST_SQLITE))
        raise JournalRefusedError(
            path, f"SQLite {version} has the WAL-reset bug; {wanted} or newer is needed (install a newer apsw wheel)"
        )


def connect_writer(path: Path, wal_keep_bytes: int, vfs: str | None = None) -> apsw.Connection:
    """Open the one connection that writes. Checkpoints are the writer's own, never automatic.

    Raises:
        JournalRefusedError: the database is newer, or another program's. Not a byte of it was changed.
    """
    connection = apsw.Connection(str(path), flags=apsw.SQLITE_OPEN_READWRITE | apsw.SQLITE_OPEN_CREATE, vfs=vfs)
    try:
        connection.set_busy_timeout(1000)
        # Before the journal mode: that one is written into the file's header.
        _refuse_foreign(connection, path, _pragma(connection, "user_version"), _pragma(connection, "application_id"))
        connection.execute("PRAGMA journal_mode=WAL").fetchall()
        connection.execute("PRAGMA synchronous=FULL")
        connection.execute("PRAGMA wal_autocheckpoint=0").fetchall()
        connection.execute(f"PRAGMA journal_size_limit={wal_keep_bytes}").fetchall()
        connection.execute("PRAGMA trusted_schema=OFF")
        connection.execute("PRAGMA cell_size_check=ON")
    except BaseException:
        connection.close(force=True)
        raise
    return connection


def connect_reader(path: Path) -> apsw.Connection:
    """Open a connection that can only read.

    Raises:
        JournalUnreadableError: there is no such file, it is no journal, or it is of a newer version.
    """
    if not path.is_file():
        raise JournalUnreadableError(path, "no such file")
    try:
        connection = _open_read_only(path)
    except apsw.Error as problem:
        raise JournalUnreadableError(path, f"cannot be opened: {problem}") from problem
    try:
        application_id, version = _pragma(connection, "application_id"), _pragma(connection, "user_version")
    except apsw.Error as problem:
        connection.close(force=True)
        raise JournalUnreadableError(path, f"not a journal: {problem}") from problem
    if application_id != APPLICATION_ID or version == 0:
        connection.close(force=True)
        raise JournalUnreadableError(path, "not a journal (another program's database, or an empty one)")
    if version > VERSION:
        connection.close(force=True)
        raise JournalUnreadableError(path, newer(version))
    return connection


def newer(version: int) -> str:
    """Say that a database is newer than this program."""
    return f"written by a newer crumbmeter (schema {version}, this one knows {VERSION}); install that one"


def _open_read_only(path: Path) -> apsw.Connection:
    """Open read-only; a copy on a medium that cannot be written, without a WAL beside it, is opened as immutable."""
    immutable = not path.with_name(path.name + "-wal").exists() and not os.access(path.parent, os.W_OK)
    uri = path.absolute().as_uri() + ("?immutable=1" if immutable else "")
    connection = apsw.Connection(uri, flags=apsw.SQLITE_OPEN_READONLY | apsw.SQLITE_OPEN_URI)
    connection.set_busy_timeout(1000)
    return connection


def _pragma(connection: apsw.Connection, name: str) -> int:
    value: int = fetch(connection, f"PRAGMA {name}")[0][0]
    return value


def migrate(connection: apsw.Connection, path: Path, created_wall_us: int) -> bool:
    """Bring a database to this version in one transaction; say whether it is new.

    Raises:
        JournalRefusedError: the database is newer, or another program's. Nothing was changed.
    """
    connection.execute("BEGIN IMMEDIATE")
    try:
        version = _pragma(connection, "user_version")
        application_id = _pragma(connection, "application_id")
        _refuse_foreign(connection, path, version, application_id)
        for step in range(version + 1, VERSION + 1):
            connection.execute(files(__package__).joinpath(f"schema_v{step}.sql").read_text()).fetchall()
        if version == 0:
            _begin(connection, created_wall_us)
        if version < VERSION:
            connection.execute(f"PRAGMA user_version={VERSION}")
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise
    return version == 0


def _refuse_foreign(connection: apsw.Connection, path: Path, version: int, application_id: int) -> None:
    if application_id == APPLICATION_ID:
        if version > VERSION:
            raise JournalRefusedError(path, newer(version))
    elif version or fetch(connection, "SELECT 1 FROM sqlite_schema LIMIT 1"):
        raise JournalRefusedError(path, "another program's database; give the journal a folder of its own")


def _begin(connection: apsw.Connection, created_wall_us: int) -> None:
    """Give a new journal its identity, from which both chains start."""
    journal_id = os.urandom(16)
    connection.execute(f"PRAGMA application_id={APPLICATION_ID}")
    connection.execute("INSERT INTO journal VALUES (1, ?, ?)", (journal_id, created_wall_us))
    for strand in STRANDS:
        genesis = genesis_hash(journal_id, created_wall_us, strand)
        connection.execute("INSERT INTO genesis VALUES (?, ?)", (strand, genesis))
