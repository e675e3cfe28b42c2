"""The link to control: one line that follows the views, and short ones for what is asked. All over the local socket."""

import asyncio
import contextlib
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final, NoReturn

from crumbmeter.adapters.control_line import ControlLine, NoDaemonError
from crumbmeter.model.events import Event, event
from crumbmeter.ports import Clock
from crumbmeter.web.faults import DeskError

RETRY_S: Final = 1.0
"""[s] Between two attempts to reach control again."""
UP_WITHIN_S: Final = 3.0
"""[s] The link is up while a view has come within this: three heartbeats."""
ASKED_AT_A_TIME: Final = 4
MOST_WAITING: Final = 16

Json = dict[str, Any]


class ControlLink:
    """What the desk knows of control."""

    def __init__(self, socket: Path, clock: Clock, report: Callable[[Event], None]) -> None:
        """Start without having heard anything.

        Args:
            socket: Control's local socket.
            clock: Process time.
            report: Is told when the link comes and goes.
        """
        self.view: Json | None = None
        """The newest view, as control sent it."""
        self.settings: Json | None = None
        """Control's settings, asked for anew with every connection."""
        self.on_view: Callable[[], None] = lambda: None
        self._socket = socket
        self._clock = clock
        self._report = report
        self._connected = False
        self._came_s = clock.now_s()
        self._told_up: bool | None = None
        self._places = asyncio.Semaphore(ASKED_AT_A_TIME)
        self._waiting = 0

    @property
    def silent_s(self) -> float:
        """[s] Return how long no view has come."""
        return max(0.0, self._clock.now_s() - self._came_s)

    @property
    def up(self) -> bool:
        """Tell whether what is known of control is of now."""
        return self._connected and self.view is not None and self.silent_s <= UP_WITHIN_S

    def body(self) -> Json:
        """Make the JSON of how the link is."""
        return {"up": self.up, "silent_s": round(self.silent_s, 2)}

    def look(self) -> None:
        """Tell of a link that has come or gone since the last look."""
        if self.up != self._told_up:
            self._told_up = self.up
            down = event("control_link_down", silent_s=round(self.silent_s, 1))
            self._report(event("control_link_up") if self.up else down)

    async def run(self) -> NoReturn:
        """Follow control for ever."""
        while True:
            with contextlib.suppress(NoDaemonError):
                await self._follow()
            self._connected = False
            await self._clock.sleep_until(self._clock.now_s() + RETRY_S)

    async def _follow(self) -> NoReturn:
        async with ControlLine(self._socket) as line:
            self.settings = await line.ask({"ask": "settings"})
            await line.send({"ask": "follow"})
            while True:
                with contextlib.suppress(TimeoutError):  # it is silent: `silent_s` says so
                    answer = await line.receive()
                    if answer.get("answer") == "view":
                        self.heard(answer)

    def heard(self, view: Json) -> None:
        """Take a view as the newest."""
        self.view = view
        self._connected = True
        self._came_s = self._clock.now_s()
        self.on_view()

    async def ask(self, request: Json, within_s: float = 5.0) -> Json:
        """Ask control something.

        Raises:
            DeskError: 503 where control does not answer, or too many ask at once; 422 where it cannot make sense of it.
        """
        if self._waiting >= MOST_WAITING:
            raise DeskError(
                503, "control", f"{self._waiting} requests wait already", f"at most {MOST_WAITING}",
                "Try again in a moment.", retry_after_s=2,
            )  # fmt: skip
        self._waiting += 1
        try:
            async with self._places, ControlLine(self._socket) as line:
                answer = await line.ask(request, within_s)
        except NoDaemonError as fault:
            raise DeskError(
                503, "control", str(fault), "an answer from control",
                "Nothing is known to have been done. See whether control runs.", retry_after_s=2,
            ) from fault  # fmt: skip
        finally:
            self._waiting -= 1
        if answer.get("answer") == "error":
            raise DeskError(
                422, "body", "a request that control does not know", str(answer.get("why")),
                "See docs/socket.md, and whether control and desk are of one version.",
            )  # fmt: skip
        return answer
