"""`crumbmeter show`: a running daemon in the terminal, over its local socket."""

import asyncio
import contextlib
import json
import sys
from pathlib import Path
from typing import Any, Final, NoReturn

from rich.console import Console
from rich.live import Live
from rich.text import Text

from crumbmeter.adapters.control_line import ControlLine, NoDaemonError
from crumbmeter.cli.board import HEIGHT, WIDTH, Link, board
from crumbmeter.cli.display import Body

SHOWN: Final = 0
NO_DAEMON: Final = 3

REDRAW_S = 0.25
"""[s] At most so often is the board drawn anew."""
RETRY_S = 1.0
"""[s] Between two attempts to reach the daemon again."""


def show(socket: Path, *, as_json: bool = False, once: bool = False, console: Console | None = None) -> int:
    """Show a running daemon until Ctrl-C.

    Args:
        socket: The daemon's local socket.
        as_json: Print views as JSON lines, in SI, instead of the board.
        once: Print one view and leave. Also done where the output is no terminal, unless JSON is asked for.
        console: Where to draw; the terminal unless a test says otherwise.

    Returns:
        Exit code: 0 shown, 3 no daemon answers (with `once` or JSON; else the board waits for it).
    """
    where = console if console is not None else Console()
    try:
        if as_json:
            asyncio.run(_print_json(socket, once=once))
        elif once or not where.is_terminal:
            asyncio.run(_print_once(socket, where))
        else:
            asyncio.run(_Board(socket, where).run())
    except NoDaemonError as fault:
        sys.stderr.write(f"{fault}\n")
        return NO_DAEMON
    except KeyboardInterrupt:
        pass
    return SHOWN


async def _print_json(socket: Path, *, once: bool) -> None:
    async with ControlLine(socket) as line:
        await line.send({"ask": "view" if once else "follow"})
        while True:
            with contextlib.suppress(TimeoutError):
                answer = await line.receive()
                sys.stdout.write(json.dumps(answer, allow_nan=False) + "\n")
                sys.stdout.flush()
                if once:
                    _view_of(answer)
                    return


async def _print_once(socket: Path, console: Console) -> None:
    async with ControlLine(socket) as line:
        settings = await line.ask({"ask": "settings"})
        view = _view_of(await line.ask({"ask": "view"}))
    for text in board(view, settings, Link(up=True, silent_s=0.0), console.width, height=1000)[:-1]:
        console.print(text, no_wrap=True, overflow="ellipsis", crop=True, highlight=False)


def _view_of(answer: Body) -> Body:
    """Return the view in an answer.

    Raises:
        NoDaemonError: it is none yet.
    """
    if answer.get("answer") != "view":
        raise NoDaemonError(f"the daemon has nothing to show: {answer.get('why')}")
    return answer


class _Board:
    """The live view: one task reads, one draws. The drawing goes on while the link is away."""

    def __init__(self, socket: Path, console: Console) -> None:
        self._socket = socket
        self._console = console
        self._view: Body | None = None
        self._settings: dict[str, Any] = {}
        self._up = False
        self._came_s = 0.0
        self._changed = asyncio.Event()

    async def run(self) -> None:
        """Draw until cancelled."""
        self._came_s = asyncio.get_running_loop().time()
        with Live(console=self._console, auto_refresh=False, vertical_overflow="crop") as live:
            async with asyncio.TaskGroup() as group:
                group.create_task(self._keep_reading(), name="show reads")
                group.create_task(self._draw(live), name="show draws")

    async def _keep_reading(self) -> NoReturn:
        never = asyncio.Event()
        while True:
            with contextlib.suppress(NoDaemonError):
                await self._read()
            self._up = False
            self._changed.set()
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(RETRY_S):
                    await never.wait()

    async def _read(self) -> NoReturn:
        async with ControlLine(self._socket) as line:
            self._settings = await line.ask({"ask": "settings"})
            await line.send({"ask": "follow"})
            self._up = True
            while True:
                with contextlib.suppress(TimeoutError):
                    answer = await line.receive()
                    if answer.get("answer") == "view":
                        self._view = answer
                        self._came_s = asyncio.get_running_loop().time()
                        self._changed.set()

    async def _draw(self, live: Live) -> NoReturn:
        never = asyncio.Event()
        while True:
            self._changed.clear()
            live.update(self._picture(), refresh=True)
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(REDRAW_S):
                    await never.wait()
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(RETRY_S):
                    await self._changed.wait()

    def _picture(self) -> Text:
        silent_s = asyncio.get_running_loop().time() - self._came_s
        size = self._console.size
        lines = board(
            self._view, self._settings, Link(self._up, silent_s), size.width or WIDTH, (size.height or HEIGHT) - 1
        )
        return Text("\n", no_wrap=True, overflow="ellipsis").join(lines)
