"""`crumbmeter export-record`: a period of the record as a file that proves itself; and `crumbmeter key`."""

import sys
from pathlib import Path
from typing import Final

from crumbmeter.cli.entries_file import NoMomentError, moment
from crumbmeter.cli.exits import OK, REFUSED
from crumbmeter.cli.verify import verify
from crumbmeter.journal.errors import JournalUnreadableError
from crumbmeter.journal.exported import NothingToExportError, export
from crumbmeter.journal.reader import Reader
from crumbmeter.journal.signing import KeyRefusedError, load_key

NAMES: Final = {"journal": "the plant's record", "quality": "the quality record"}
"""File names without their ends, of the databases and their keys."""


def export_record(folder: Path, from_when: str, to_when: str, output: Path, *, quality: bool = False) -> int:
    """Write a period of a record to a file, and verify it there.

    Args:
        folder: Where the journals lie, or one journal's file.
        from_when: Beginning, as a date and time with its zone; empty: the first entry.
        to_when: End, likewise; empty: the last one.
        output: The file.
        quality: The quality record instead of the plant's.

    Returns:
        Exit code: 0 written and whole, 1 written, and its chain is broken, 2 nothing was written.
    """
    file = folder / ("quality.db" if quality else "journal.db") if folder.is_dir() else folder
    try:
        with Reader(file) as reader:
            export(reader, moment("--from", from_when), moment("--to", to_when), output)
    except (JournalUnreadableError, NothingToExportError, NoMomentError, OSError) as problem:
        sys.stderr.write(f"not exported: {problem}\n")
        return REFUSED
    return verify(output)


def public_keys(folder: Path) -> int:
    """Print the public keys of the journals in a folder: whoever has them can tell what was signed there.

    Returns:
        Exit code: 0 printed, 2 there is no key, or it cannot be read.
    """
    found = [(name, folder / f"{name}.key") for name in NAMES if (folder / f"{name}.key").exists()]
    if not found:
        sys.stderr.write(f"no key in {folder}: `crumbmeter run` makes journal.key at its first start\n")
        return REFUSED
    for name, file in found:
        try:
            public = load_key(file).public.hex()
        except (KeyRefusedError, OSError) as problem:
            sys.stderr.write(f"cannot read a key: {problem}\n")
            return REFUSED
        sys.stdout.write(f"{public}  {name}: {NAMES[name]}\n")
    return OK
