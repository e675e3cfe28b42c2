"""Backup: a copy made while the journal is written, proved by reading it back, and only then put in place of the last.

A backup that was never restored is a hope. So the copy is opened like any journal: SQLite's own check, the whole chain,
and the counts held against the source, at the copy's heads. And it has to hold the head of the last backup: a journal
that has lost entries, or was written anew, does not take the place of the evidence against it.

`VACUUM INTO` reads the source in one transaction, which holds its write-ahead log for as long as the copy takes: once a
night, and the only reader that does so. An online backup by pages would begin anew with every commit of the writer.
"""

import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import apsw

from crumbmeter.journal.chain import Head
from crumbmeter.journal.entry import STRANDS, Strand
from crumbmeter.journal.errors import JournalUnreadableError
from crumbmeter.journal.reader import Reader
from crumbmeter.journal.schema import connect_reader
from crumbmeter.journal.sql import fetch
from crumbmeter.journal.strand import FaultPoint, no_fault
from crumbmeter.journal.verify import verify
from crumbmeter.model.faults import CrumbmeterError

_SPAN: Final = {
    "record": "SELECT min(seq) FROM record",
    "image": "SELECT min(seq) FROM image",
}
_COUNT: Final = {
    "record": "SELECT count(*) FROM record WHERE seq BETWEEN ? AND ?",
    "image": "SELECT count(*) FROM image WHERE seq BETWEEN ? AND ?",
}


class BackupFailedError(CrumbmeterError):
    """There is no new backup; the last one stays as it is."""


@dataclass(frozen=True, slots=True)
class Copied:
    """One journal in the backup."""

    name: str
    journal_id: str
    heads: dict[Strand, Head]
    entries: int
    size_bytes: int
    remark: str = ""
    """What was found about the backup before it."""


def back_up(source: Path, folder: Path, fault_point: FaultPoint = no_fault) -> Copied:
    """Copy one journal into a folder under its own name.

    Args:
        source: The journal's file; it may be written meanwhile.
        folder: Where the backup goes, on another disk.
        fault_point: For tests.

    Raises:
        BackupFailedError: it cannot be read or written, or the copy is not whole; the last one stays.
    """
    last, part = folder / source.name, folder / f"{source.name}.part"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        _forget(part)
        _copy(source, part, lambda: fault_point("copying"))
        fault_point("copied")
        heads = prove(part)
        entries = _count_both(source, part, heads)
        remark = _hold_against(last, part) if last.exists() else ""
        fault_point("proved")
        part.replace(last)
        _sync(folder)
    except (JournalUnreadableError, apsw.Error, OSError) as problem:
        raise BackupFailedError(f"{source.name}: {type(problem).__name__}: {problem}") from problem
    return Copied(source.name, _identity(last), heads, entries, last.stat().st_size, remark)


def prove(copy: Path) -> dict[Strand, Head]:
    """Read a copy as a restore would: SQLite's check of every page, then the whole chain; return its heads.

    Raises:
        BackupFailedError: it is not whole.
        JournalUnreadableError: it is no journal any more.
    """
    connection = connect_reader(copy)
    try:
        found = [str(row[0]) for row in fetch(connection, "PRAGMA integrity_check(5)")]
    except apsw.Error as problem:
        found = [f"{type(problem).__name__}: {problem}"]
    finally:
        connection.close(force=True)
    if found != ["ok"]:
        raise BackupFailedError(f"{copy.name} is damaged: {'; '.join(found)}")
    report = verify(copy)
    if not report.ok:
        raise BackupFailedError(f"{copy.name} does not verify: {report.first_fault}")
    return {one.strand: one.head for one in report.strands}


def _copy(source: Path, part: Path, begun: Callable[[], None]) -> None:
    def go_on() -> bool:
        begun()
        return False

    connection = connect_reader(source)
    try:
        connection.set_progress_handler(go_on, 10_000)
        connection.execute("VACUUM INTO ?", (str(part),)).fetchall()
    finally:
        connection.close(force=True)
    _sync(part)


def _count_both(source: Path, part: Path, heads: dict[Strand, Head]) -> int:
    """Count entries in the copy, and in the source as far as the copy goes; retention may have dropped some since."""
    connections = connect_reader(source), connect_reader(part)
    total = 0
    try:
        for strand in STRANDS:
            first = max((fetch(one, _SPAN[strand])[0][0] or 1 for one in connections), default=1)
            counts = [fetch(one, _COUNT[strand], (first, heads[strand].seq))[0][0] for one in connections]
            if counts[0] != counts[1]:
                raise BackupFailedError(
                    f"{part.name}: {counts[1]} entries of {strand} from {first}, the journal holds {counts[0]}"
                )
            total += fetch(connections[1], _COUNT[strand], (1, heads[strand].seq))[0][0]
    finally:
        for one in connections:
            one.close(force=True)
    return total


def _hold_against(last: Path, part: Path) -> str:
    """Demand of a new copy what the last backup holds; keep that one under another name if it is of another journal.

    Raises:
        BackupFailedError: it is a copy of the same journal, and what the last one ends with is not in it.
    """
    try:
        heads, identity = prove(last), _identity(last)
    except (BackupFailedError, JournalUnreadableError) as problem:
        return f"the backup before it was no longer good: {problem}"
    if identity != _identity(part):
        kept = last.with_name(f"{last.stem}-{identity[:8]}{last.suffix}")
        last.replace(kept)
        return f"the backup before it is of another journal, and is kept as {kept.name}"
    for strand, head in heads.items():
        report = verify(part, head) if head.seq else None
        if report is not None and report.head_found is False:
            said = f"{strand} {head.seq} of the last backup is not in the journal: {report.head_detail}"
            raise BackupFailedError(f"{part.name}: {said}. The last backup stays; look into it.")
    return ""


def _identity(path: Path) -> str:
    with Reader(path) as reader:
        return reader.journal_id()


def _forget(part: Path) -> None:
    for end in ("", "-journal", "-wal", "-shm"):
        part.with_name(part.name + end).unlink(missing_ok=True)


def _sync(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
