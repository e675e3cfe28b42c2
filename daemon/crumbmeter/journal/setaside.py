"""Setting a damaged file aside, so that a new journal can start beside it and nothing is destroyed."""

import os
from datetime import UTC, datetime, timedelta
from pathlib import Path


def set_aside(path: Path, wall_us: int) -> Path:
    """Rename a journal and its WAL to a name with a stamp [us]; return that name.

    A WAL left behind would be played into the new file of the old name. A note of what is meant is therefore written
    first: should the process end between the renames, `finish_set_aside` completes them at the next start.
    """
    stamp = (datetime.fromtimestamp(0, UTC) + timedelta(microseconds=wall_us)).strftime("%Y%m%dT%H%M%SZ")
    target = path.with_name(f"{path.name}.set-aside-{stamp}")
    number = 1
    while target.exists():
        number += 1
        target = path.with_name(f"{path.name}.set-aside-{stamp}-{number}")
    with _note(path).open("w") as note:
        note.write(target.name)
        note.flush()
        os.fsync(note.fileno())
    _sync_folder(path.parent)
    finish_set_aside(path)
    return target


def finish_set_aside(path: Path) -> None:
    """Carry out the renames that a note asks for; nothing without one."""
    if not _note(path).exists():
        return
    target = path.with_name(_note(path).read_text() or f"{path.name}.set-aside-unnamed")
    if _wal(path).exists() and not _wal(target).exists():
        _wal(path).rename(_wal(target))
    if path.exists() and not target.exists():
        path.rename(target)
    path.with_name(path.name + "-shm").unlink(missing_ok=True)
    _sync_folder(path.parent)
    _note(path).unlink()


def _note(path: Path) -> Path:
    return path.with_name(path.name + ".setting-aside")


def _wal(path: Path) -> Path:
    return path.with_name(path.name + "-wal")


def _sync_folder(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
