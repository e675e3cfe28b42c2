"""How wide the words of a command may be: what a narrow terminal breaks anywhere, nobody can read as a table."""

import os
import sys
from typing import Final

MOST: Final = 100
"""[letters] Of a line, also into a file or a pipe."""
LEAST: Final = 72
"""[letters] Narrower than this nothing is set."""


def columns() -> int:
    """Return how many letters a line of standard output may have: those of the terminal, from LEAST to MOST."""
    try:
        there = os.get_terminal_size(sys.stdout.fileno()).columns
    except (OSError, ValueError):  # a file, a pipe, nothing at all
        return MOST
    return max(LEAST, min(MOST, there or MOST))
