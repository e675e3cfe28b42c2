"""Opening a journal: the bounded check at start, and what is done about damage."""

import threading
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import apsw

from crumbmeter.journal.entry import STRANDS, Stamp
from crumbmeter.journal.limits import Limits
from crumbmeter.journal.schema import connect_writer, migrate
from crumbmeter.journal.setaside import finish_set_aside, set_aside
from crumbmeter.journal.walk import check_open_segment

DAMAGE = (apsw.CorruptError, apsw.NotADBError, apsw.SQLError, apsw.FormatError)
"""What SQLite says of a file whose content is wrong, whatever the disk does."""


@dataclass(frozen=True, slots=True)
class Opening:
    """What was found when the journal was opened."""

    outcome: Literal["new", "continued", "set aside", "unavailable"]
    detail: str = ""
    """Why it was set aside, or cannot be written now."""
    aside: Path | None = None
    """The damaged file's new name."""
    checked: bool = True
    """False when the quick check did not finish in its time and was left."""


class _DamagedError(Exception):
    """The file opens, but its content does not agree with itself."""


def open_checked(path: Path, limits: Limits, stamp: Stamp, vfs: str | None) -> tuple[apsw.Connection, Opening]:
    """Open a journal for writing; set a damaged one aside and start anew.

    Args:
        path: The database file; its folder is made if need be.
        limits: For the time of the check and the WAL.
        stamp: [us] Now, for the name of a file set aside and the birth of a new one.
        vfs: Name of an SQLite VFS, for tests; None for the system's.

    Raises:
        JournalRefusedError: newer than this program, or another program's. Do not write.
        apsw.Error, OSError: the disk refuses. Try again later.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    finish_set_aside(path)
    try:
        return _open(path, limits, stamp, vfs)
    except (*DAMAGE, _DamagedError) as problem:
        why = f"{type(problem).__name__}: {problem}" if not isinstance(problem, _DamagedError) else str(problem)
    aside = set_aside(path, stamp.wall_us)
    connection, opening = _open(path, limits, stamp, vfs)
    return connection, Opening("set aside", why, aside, opening.checked)


def _open(path: Path, limits: Limits, stamp: Stamp, vfs: str | None) -> tuple[apsw.Connection, Opening]:
    existed = path.exists() and path.stat().st_size > 0
    connection = connect_writer(path, limits.wal_keep_bytes, vfs)
    try:
        checked = quick_check(connection, limits.check_s) if existed else True
        new = migrate(connection, path, stamp.wall_us)
        _check_ends(connection)
    except BaseException:
        connection.close(force=True)
        raise
    return connection, Opening("new" if new else "continued", checked=checked)


def _check_ends(connection: apsw.Connection) -> None:
    for strand in STRANDS:
        fault = check_open_segment(connection, strand)
        if fault is not None:
            raise _DamagedError(str(fault))


def quick_check(connection: apsw.Connection, limit_s: float) -> bool:
    """Run SQLite's quick check for at most `limit_s` [s]; False when it did not finish.

    Raises:
        _DamagedError: it found damage.
    """
    running = threading.Lock()
    done = False

    def stop() -> None:
        with running:
            if not done:
                connection.interrupt()

    timer = threading.Timer(limit_s, stop)
    timer.daemon = True
    timer.start()
    try:
        found = [row[0] for row in connection.execute("PRAGMA quick_check(5)").fetchall()]
    except apsw.InterruptError:
        return False
    finally:
        with running:
            done = True
        timer.cancel()
    if found != ["ok"]:
        raise _DamagedError("; ".join(map(str, found)))
    return True
