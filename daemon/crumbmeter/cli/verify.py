"""`crumbmeter verify`: does a journal or an exported record still say what was written, and who signed it?"""

import sys
from pathlib import Path
from typing import Final

from rich.console import Console
from rich.progress import Progress

from crumbmeter.journal.chain import Head, parse_head
from crumbmeter.journal.errors import JournalUnreadableError
from crumbmeter.journal.exported_check import ExportReport, NotAnExportError, check_export, is_export
from crumbmeter.journal.exported_saying import export_json, export_lines
from crumbmeter.journal.saying import report_json, report_lines
from crumbmeter.journal.signing import public_keys
from crumbmeter.journal.verify import VerifyReport
from crumbmeter.journal.verify import verify as verify_journal

HOLDS: Final = 0
BROKEN: Final = 1
CANNOT_READ: Final = 2


def verify(path: Path, head: str | None = None, as_json: bool = False, key: str | None = None) -> int:
    """Walk a journal or an exported record and say whether its chain holds.

    Args:
        path: The journal's file, the folder it lies in, or an exported record.
        head: A head published earlier, as MQTT and reports carry it (strand:seq:hash), or its bare hash.
        as_json: Print JSON instead of words.
        key: Public key that has to have signed it, or a file of public keys as `crumbmeter key` prints them.

    Returns:
        Exit code: 0 the chain holds, 1 it is broken or not signed by the key, 2 it, the head or the key cannot be read.
    """
    file = path / "journal.db" if path.is_dir() else path
    try:
        expected = parse_head(head) if head else None
        keys = _keys(key) if key else ()
        if file.is_file() and is_export(file):
            return _export(check_export(file, expected, keys), as_json=as_json)
        report = _walk(file, expected, keys)
    except (JournalUnreadableError, NotAnExportError, ValueError, OSError) as problem:
        sys.stderr.write(f"cannot verify: {problem}\n")
        return CANNOT_READ
    sys.stdout.write((report_json(report) if as_json else "\n".join(report_lines(report)) + _verdict(report)) + "\n")
    return HOLDS if report.ok else BROKEN


def _keys(key: str) -> tuple[bytes, ...]:
    """Read the key from the option itself or from the file it names."""
    file = Path(key)
    return public_keys(file.read_text("utf-8", "replace") if len(key) != 64 and file.is_file() else key)


def _export(report: ExportReport, *, as_json: bool) -> int:
    sys.stdout.write((export_json(report) if as_json else "\n".join(export_lines(report))) + "\n")
    return HOLDS if report.ok else BROKEN


def _walk(file: Path, expected: "Head | bytes | None", keys: tuple[bytes, ...]) -> VerifyReport:
    """Walk with a progress bar on the error stream, where that is a terminal."""
    console = Console(stderr=True)
    with Progress(console=console, transient=True, disable=not console.is_terminal) as shown:
        task = shown.add_task("walking the chain", total=None)
        return verify_journal(
            file, expected, lambda done, total: shown.update(task, completed=done, total=total), keys
        )  # fmt: skip


def _verdict(report: VerifyReport) -> str:
    if report.ok:
        return "\nThe journal is whole: every entry kept is as it was written, in order, with nothing put in."
    fault = report.first_fault
    if fault is None and report.head_found is not False:
        return "\nThe chain holds, but the key you gave has signed nothing of it: it proves nothing against a forger."
    where = f" The first entry that does not agree is {fault.strand} {fault.seq}." if fault else ""
    return f"\nThe journal is NOT as it was written.{where} Keep this file as it is, and look for an earlier copy."
