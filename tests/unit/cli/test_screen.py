"""How wide the words of a command are: as wide as the terminal, within limits; 100 columns where there is none."""

import fcntl
import os
import pty
import struct
import sys
import termios
from pathlib import Path

import pytest

from crumbmeter.cli.check_text import table
from crumbmeter.cli.following import Progress
from crumbmeter.cli.screen import LEAST, MOST, columns


@pytest.mark.parametrize(("there", "said"), [(80, 80), (40, LEAST), (240, MOST), (0, MOST)])
def test_as_wide_as_the_terminal_within_limits(monkeypatch: pytest.MonkeyPatch, there: int, said: int) -> None:
    inner, outer = pty.openpty()
    fcntl.ioctl(outer, termios.TIOCSWINSZ, struct.pack("HHHH", 24, there, 0, 0))
    with os.fdopen(inner, "w"), os.fdopen(outer, "w") as screen:
        monkeypatch.setattr(sys, "stdout", screen)
        assert columns() == said
        wrapped = table([["what", "why"], ["hopper_mass", "word " * 60]])
    assert max(len(line) for line in wrapped.splitlines()) in range(said - 5, said + 1)


def test_a_file_has_100_columns(monkeypatch: pytest.MonkeyPatch) -> None:
    with Path(os.devnull).open("w", encoding="utf-8") as nowhere:
        monkeypatch.setattr(sys, "stdout", nowhere)
        assert columns() == MOST


def test_a_line_that_is_written_over_ends_where_the_terminal_ends() -> None:
    inner, outer = pty.openpty()
    fcntl.ioctl(outer, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
    with os.fdopen(inner, "rb", buffering=0) as seen, os.fdopen(outer, "w") as screen:
        progress = Progress(screen)
        progress.show("far " * 40)
        progress.say("one word after another " * 6)
        told = ""
        while not told.endswith("another\r\n"):
            told += seen.read(1000).decode()
    assert next(len(line) for line in told.split("\r") if line.strip()) == 79
    assert max(map(len, told.splitlines())) <= 80
    assert "one word after another one word after another one word\r\nafter" in told
