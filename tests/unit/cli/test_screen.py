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
