"""How wide the words of a command may be: what a narrow terminal breaks anywhere, nobody can read as a table."""

import os
import sys
import textwrap
from typing import Final, TextIO

MOST: Final = 100
"""[letters] Of a line, also into a file or a pipe."""
LEAST: Final = 72
"""[letters] Narrower than this nothing is set."""


def columns() -> int:
    """Return how many letters a line of standard output may have: those of the terminal, from LEAST to MOST."""
    return max(LEAST, min(MOST, room(sys.stdout)))


def room(out: TextIO) -> int:
    """Return how many letters a line of the terminal has; MOST where there is none (a file, a pipe)."""
    try:
        return os.get_terminal_size(out.fileno()).columns or MOST
    except (OSError, ValueError):
        return MOST


def folded(words: str, out: TextIO) -> str:
    """Break lines that are longer than a terminal's between words; elsewhere they stay as they are."""
    if not out.isatty():
        return words
    return "\n".join(_folded(line, room(out)) for line in words.splitlines())


def _folded(line: str, width: int) -> str:
    """Break one line; what follows stands as far in as its beginning."""
    before = line[: len(line) - len(line.lstrip(" -"))]
    further = " " * len(before)
    whole = line[len(before) :]
    return "\n".join(
        textwrap.wrap(whole, width, initial_indent=before, subsequent_indent=further, break_on_hyphens=False)
    )
