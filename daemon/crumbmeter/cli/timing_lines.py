"""Lines that a test proposes for the site file: written on a typed yes, with every comment and other line kept."""

import sys
from collections.abc import Callable, Sequence
from pathlib import Path

from crumbmeter.cli.into_site_file import into_site_file
from crumbmeter.commission.site_values import Change
from crumbmeter.estimation.travel.findings import SiteLine
from crumbmeter.ledger.quality import NotRecordedError
from crumbmeter.site import SiteRefusedError, report
from crumbmeter.site.editing import EditRefusedError


def offer(
    path: Path, folder: Path, lines: Sequence[SiteLine], found_by: str, who: str, answer: Callable[[str], str]
) -> bool:
    """Ask whether the lines are to be written, and write them; tell whether they were.

    The file as it was is a version on record. The daemon goes on with the settings that it has until it takes the new
    ones.

    Args:
        path: The site file.
        folder: Of the quality record.
        lines: What is proposed.
        found_by: What found them, with its entry in the quality record.
        who: Who is asked.
        answer: Asks the person at the terminal.
    """
    sys.stdout.write(f"\nFor {path}:\n")
    for one in lines:
        sys.stdout.write(f"  {one.table}.{one.text}   (was {one.in_force:g})\n")
    try:
        meant = answer("Write these lines? Type yes: ").strip().lower() in {"y", "yes"}
    except EOFError:
        meant = False
    if not meant:
        sys.stdout.write("Nothing was written.\n")
        return False
    changes = [Change((*one.table.split("."), one.key), one.in_force, _value(one), one.basis) for one in lines]
    try:
        told = into_site_file(path, folder, changes, found_by, who)
    except (EditRefusedError, NotRecordedError, OSError) as refused:
        sys.stderr.write(f"nothing was written: {refused}\n")
        return False
    except SiteRefusedError as refused:
        sys.stderr.write(f"nothing was written:\n{report(refused.problems)}\n")
        return False
    sys.stdout.write(f"{told}\n")
    return True


def _value(line: SiteLine) -> float:
    return round(line.value) if line.whole else round(line.value, 1)
