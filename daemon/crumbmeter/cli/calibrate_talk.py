"""`crumbmeter calibrate`: the terminal that it talks to, and the answers that come without one."""

import sys
from collections.abc import Sequence
from pathlib import Path


class Terminal:
    """A person at this process's terminal."""

    def __init__(self) -> None:
        self._progressing = False

    def say(self, text: str) -> None:
        """Show lines."""
        self._end_progress()
        sys.stdout.write(f"{text}\n")

    def ask(self, prompt: str) -> str:
        """Ask for one line. Raises EOFError where nobody is there any more."""
        self._end_progress()
        return input(prompt)

    def progress(self, text: str) -> None:
        """Show how far it is, in place of what was shown last."""
        self._progressing = True
        sys.stdout.write(f"\r{text:<60}")
        sys.stdout.flush()

    def _end_progress(self) -> None:
        if self._progressing:
            self._progressing = False
            sys.stdout.write("\n")


def read_answers(pairs: Sequence[str], file: Path | None) -> dict[str, str]:
    """Read NAME=VALUE pairs of the command line and of a file, in which empty lines and # comments are passed over.

    Raises:
        OSError: the file cannot be read.
        ValueError: a line has no equals sign.
    """
    lines: list[str] = []
    if file is not None:
        text = sys.stdin.read() if str(file) == "-" else file.read_text("utf-8")
        lines = [line for line in text.splitlines() if line.strip() and not line.lstrip().startswith("#")]
    found = {}
    for line in (*lines, *pairs):
        name, mark, value = line.partition("=")
        if not mark:
            raise ValueError(f"{line!r}: found no equals sign; expected NAME=VALUE. Put it in quotes if it has spaces.")
        found[name.strip()] = value.strip()
    return found
