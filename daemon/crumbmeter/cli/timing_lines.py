"""Lines that a test proposes for the site file: written on a typed yes, with every comment and other line kept."""

import sys
from collections.abc import Callable, Sequence
from pathlib import Path

from crumbmeter.cli.saving import read_text, save_text
from crumbmeter.estimation.travel.findings import SiteLine
from crumbmeter.site.editing import EditRefusedError, with_values


def offer(path: Path, lines: Sequence[SiteLine], who: str, answer: Callable[[str], str]) -> bool:
    """Ask whether the lines are to be written, and write them; tell whether they were.

    The file as it was is kept beside it. The daemon goes on with the settings that it has until it takes the new ones.

    Args:
        path: The site file.
        lines: What is proposed.
        who: For the comment of what was kept.
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
    before = read_text(path)
    changes = {(*one.table.split("."), one.key): _value(one) for one in lines}
    try:
        after = with_values(before, changes)
    except EditRefusedError as refused:
        sys.stderr.write(f"nothing was written: {refused}\n")
        return False
    kept = path.with_name(path.name + ".before-timing")
    save_text(kept, before)
    save_text(path, after)
    sys.stdout.write(
        f"Written, by {who}; the file as it was is {kept.name}. Check it with `crumbmeter check {path}`; the daemon "
        "goes on with its present settings until it is given these.\n"
    )
    return True


def _value(line: SiteLine) -> float:
    return round(line.value) if line.whole else round(line.value, 1)
