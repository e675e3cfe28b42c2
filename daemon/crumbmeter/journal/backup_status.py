"""What is known of a backup: a small file beside it, for people and for the daemon's watch."""

import json
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from crumbmeter.journal.backup import Copied
from crumbmeter.journal.chain import canonical_json

NAME: Final = "backup.json"
_VERSION: Final = 1


@dataclass(frozen=True, slots=True)
class BackupStatus:
    """The newest try, and the newest that was good."""

    tried_us: int
    """[us] UTC since 1970."""
    good_us: int | None
    """[us] When the newest good backup ended; None: there never was one."""
    problem: str
    """Why the newest try failed; empty: it did not."""


def read_status(folder: Path) -> BackupStatus | None:
    """Read the status of a backup folder; None where there is none.

    Raises:
        OSError: the folder cannot be read.
        ValueError: the file is not one that this program wrote.
    """
    try:
        text = (folder / NAME).read_text("utf-8")
    except FileNotFoundError:
        return None
    try:
        said = json.loads(text)
        good_us = said["good_us"]
        return BackupStatus(int(said["tried_us"]), None if good_us is None else int(good_us), str(said["problem"]))
    except (ValueError, KeyError, TypeError) as problem:
        raise ValueError(f"{folder / NAME} is not a backup's status: {type(problem).__name__}: {problem}") from problem


def write_status(folder: Path, now_us: int, copied: Sequence[Copied], problem: str) -> None:
    """Write how a try went; a failed one leaves the time of the newest good one as it was.

    Raises:
        OSError: the disk refuses.
    """
    try:
        before = read_status(folder)
    except ValueError:
        before = None
    said = {
        "v": _VERSION, "tried_us": now_us, "problem": problem, "journals": [_told(one) for one in copied],
        "good_us": now_us if not problem else before.good_us if before else None,
    }  # fmt: skip
    fresh = folder / f"{NAME}.part"
    with fresh.open("wb") as file:
        file.write(canonical_json(said) + b"\n")
        file.flush()
        os.fsync(file.fileno())
    fresh.replace(folder / NAME)


def _told(one: Copied) -> dict[str, Any]:
    heads = {strand: str(head) for strand, head in one.heads.items()}
    return {
        "name": one.name, "journal_id": one.journal_id, "heads": heads, "entries": one.entries,
        "bytes": one.size_bytes, "remark": one.remark,
    }  # fmt: skip
