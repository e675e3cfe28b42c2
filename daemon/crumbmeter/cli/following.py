"""Following a running daemon for a guided run: views over the local socket, one line of progress, an end by Ctrl-C."""

import asyncio
import sys
from collections.abc import Callable
from enum import StrEnum
from pathlib import Path
from typing import Any, Final, TextIO

from crumbmeter.adapters.control_line import ControlLine, NoDaemonError
from crumbmeter.cli.screen import folded, room

SILENT_S: Final = 10.0
"""[s] A daemon that says nothing for so long is taken for gone."""
ASKED_S: Final = 5.0


class Ended(StrEnum):
    """How a stretch of following ended."""

    DONE = "done"
    STOPPED = "stopped at the terminal"
    GONE = "the daemon went away"
    REFUSED = "ended by what the daemon showed"


Take = Callable[[dict[str, Any]], Ended | None]
"""Takes a view; returns how it ends, or None to go on."""


def follow(socket: Path, take: Take) -> Ended:
    """Give every view to somebody until he has enough, Ctrl-C, or the daemon's end.

    Raises:
        NoDaemonError: nobody answers at the socket to begin with.
    """
    try:
        return asyncio.run(_follow(socket, take))
    except KeyboardInterrupt:
        return Ended.STOPPED


async def _follow(socket: Path, take: Take) -> Ended:
    async with ControlLine(socket) as line:
        await line.send({"ask": "follow"})
        while True:
            try:
                answer = await line.receive(SILENT_S)
            except (TimeoutError, NoDaemonError):
                return Ended.GONE
            if answer.get("answer") != "view":
                continue
            ended = take(answer)
            if ended is not None:
                return ended


def ask(socket: Path, request: dict[str, Any], within_s: float = ASKED_S) -> dict[str, Any]:
    """Ask one thing.

    Raises:
        NoDaemonError: no answer came.
    """

    async def once() -> dict[str, Any]:
        async with ControlLine(socket) as line:
            return await line.ask(request, within_s)

    return asyncio.run(once())


class Progress:
    """One line that is written over itself in a terminal; elsewhere only what is worth a line of its own."""

    def __init__(self, out: TextIO | None = None) -> None:
        self._out = sys.stderr if out is None else out
        self._width = 0

    def show(self, words: str) -> None:
        """Write the line anew, cut where the terminal ends: what goes on below cannot be written over."""
        if self._out.isatty():
            words = words[: room(self._out) - 1]
            self._out.write("\r" + words.ljust(self._width))
            self._out.flush()
            self._width = len(words)

    def say(self, words: str) -> None:
        """Write something that stays."""
        if self._width:
            self._out.write("\r" + " " * self._width + "\r")
            self._width = 0
        self._out.write(folded(words, self._out) + "\n")
        self._out.flush()
