"""`crumbmeter backup`: copy both journals, restore the copies, and say so in a status file."""

import contextlib
import os
import sys
from pathlib import Path
from typing import Final

from crumbmeter.adapters.clock import machine_wall_us
from crumbmeter.cli.exits import FAILED, OK, REFUSED
from crumbmeter.journal.backup import BackupFailedError, Copied, back_up, prove
from crumbmeter.journal.backup_status import write_status
from crumbmeter.journal.errors import JournalUnreadableError

JOURNALS: Final = ("journal.db", "quality.db")
KEYS: Final = ("journal.key", "quality.key")


def backup(folder: Path, target: Path, *, with_keys: bool = False) -> int:
    """Back up the journals of a folder.

    Args:
        folder: Where they lie.
        target: Folder of the backup.
        with_keys: Also the private keys: whoever has them can sign.

    Returns:
        Exit code: 0 both copies are good, 1 there is no new backup, 2 there is nothing to back up.
    """
    if not any((folder / name).is_file() for name in JOURNALS) or folder.resolve() == target.resolve():
        sys.stderr.write(f"nothing to back up in {folder}, or the backup would go there too\n")
        return REFUSED
    copied: list[Copied] = []
    problems: list[str] = []
    for name in JOURNALS:
        if (folder / name).is_file():
            try:
                copied.append(back_up(folder / name, target))
            except BackupFailedError as problem:
                problems.append(str(problem))
    try:
        if with_keys:
            _copy_keys(folder, target)
        write_status(target, machine_wall_us(), copied, "; ".join(problems))
    except OSError as problem:
        problems.append(str(problem))
    for one in copied:
        heads = ", ".join(map(str, one.heads.values()))
        sys.stdout.write(
            f"{one.name}: {one.entries} entries copied and proved, {one.size_bytes / 1e6:.1f} MB, {heads}\n"
        )
        if one.remark:
            sys.stdout.write(f"  {one.remark}\n")
    for said in problems:
        sys.stderr.write(f"no new backup: {said}\n")
    return FAILED if problems else OK


def check(target: Path) -> int:
    """Read a backup as a restore would, and change nothing.

    Returns:
        Exit code: 0 it is good, 1 it is not, 2 there is none.
    """
    there = [target / name for name in JOURNALS if (target / name).is_file()]
    if not there:
        sys.stderr.write(f"no backup in {target}\n")
        return REFUSED
    good = True
    for file in there:
        try:
            heads = ", ".join(map(str, prove(file).values()))
            sys.stdout.write(f"{file.name}: good, {heads}\n")
        except (BackupFailedError, JournalUnreadableError) as problem:
            good = False
            sys.stderr.write(f"{file.name}: NOT good: {problem}\n")
    return OK if good else FAILED


def _copy_keys(folder: Path, target: Path) -> None:
    """Copy the private keys, readable by their owner alone from the first byte on."""
    for name in KEYS:
        with contextlib.suppress(FileNotFoundError):
            content = (folder / name).read_bytes()
            fresh = target / f"{name}.part"
            fresh.unlink(missing_ok=True)
            with os.fdopen(os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600), "wb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
            fresh.replace(target / name)
