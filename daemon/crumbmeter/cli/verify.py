"""`crumbmeter verify`: does the journal still say what was written, all of it, and in that order?"""

import sys
from pathlib import Path
from typing import Final

from rich.console import Console
from rich.progress import Progress

from crumbmeter.journal.chain import Head, parse_head
from crumbmeter.journal.errors import JournalUnreadableError
from crumbmeter.journal.saying import report_json, report_lines
from crumbmeter.journal.verify import VerifyReport
from crumbmeter.journal.verify import verify as verify_journal

HOLDS: Final = 0
BROKEN: Final = 1
CANNOT_READ: Final = 2


def verify(path: Path, head: str | None = None, as_json: bool = False) -> int:
    """Walk a journal and say whether its chain holds.

    Args:
        path: The journal's file, or the folder it lies in.
        head: A head published earlier, as MQTT and reports carry it (strand:seq:hash), or its bare hash.
        as_json: Print JSON instead of words.

    Returns:
        Exit code: 0 the chain holds, 1 it is broken, 2 the journal or the head cannot be read.
    """
    file = path / "journal.db" if path.is_dir() else path
    try:
        expected = parse_head(head) if head else None
        report = _walk(file, expected)
    except (JournalUnreadableError, ValueError) as problem:
        sys.stderr.write(f"cannot verify: {problem}\n")
        return CANNOT_READ
    sys.stdout.write((report_json(report) if as_json else "\n".join(report_lines(report)) + _verdict(report)) + "\n")
    return HOLDS if report.ok else BROKEN


def _walk(file: Path, expected: "Head | bytes | None") -> VerifyReport:
    """Walk with a progress bar on the error stream, where that is a terminal."""
    console = Console(stderr=True)
    with Progress(console=console, transient=True, disable=not console.is_terminal) as shown:
        task = shown.add_task("walking the chain", total=None)
        return verify_journal(file, expected, lambda done, total: shown.update(task, completed=done, total=total))


def _verdict(report: VerifyReport) -> str:
    if report.ok:
        return "\nThe journal is whole: every entry kept is as it was written, in order, with nothing put in."
    fault = report.first_fault
    where = f" The first entry that does not agree is {fault.strand} {fault.seq}." if fault else ""
    return f"\nThe journal is NOT as it was written.{where} Keep this file as it is, and look for an earlier copy."
