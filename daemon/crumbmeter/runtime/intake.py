"""Commands on their way into the next scan: bounded, each id once, none after its time (REQ-25).

Accepted here means only "will be seen by the next scan". What became of a command is in the events of the scan that saw
it, by its `command_id`; `wait_outcome` tells whoever asked.
"""

import asyncio
import contextlib
from collections import OrderedDict, deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from crumbmeter.model.commands import Command, CommandKind
from crumbmeter.model.events import Event, event
from crumbmeter.model.scan import ScanResult

STOPPING = frozenset({CommandKind.STOP_FEED, CommandKind.HOLD_FEED, CommandKind.MONITOR_ONLY})
"""Kinds that make the plant safer. A full queue never refuses them."""

REMEMBERED = 1000
"""So many ids are remembered, in order to know a repetition."""


@dataclass(frozen=True, slots=True)
class Receipt:
    """What the asker is told at once."""

    accepted: bool
    why: str


class Intake:
    """Bounded queue of commands in front of the scan. One loop only; nothing here waits but `wait_outcome`."""

    def __init__(self, report: Callable[[Event], None], limit: int = 32) -> None:
        """Start empty.

        Args:
            report: gets an event for each command that was dropped unseen.
            limit: commands that may wait for one scan.
        """
        self._report = report
        self._limit = limit
        self._queue: deque[Command] = deque()
        self._known: OrderedDict[str, None] = OrderedDict()
        self._askers: dict[str, asyncio.Future[Event]] = {}
        self.accepted = 0
        self.refused = 0
        self.expired = 0

    def offer(self, command: Command, now_s: float) -> Receipt:
        """Queue a command for the next scan, or refuse it and say why.

        Args:
            command: what is asked for.
            now_s: [s] Process time.
        """
        if command.command_id in self._known:
            self.refused += 1
            return Receipt(accepted=False, why=f"id {command.command_id} has been taken before; it is not done twice")
        if now_s >= command.expires_s:
            self.refused += 1
            return Receipt(accepted=False, why="its time had run out when it came")
        if len(self._queue) >= self._limit and not self._make_room(command):
            self.refused += 1
            return Receipt(accepted=False, why=f"{self._limit} commands are waiting already; ask again")
        self._known[command.command_id] = None
        while len(self._known) > REMEMBERED:
            self._known.popitem(last=False)
        self._queue.append(command)
        self.accepted += 1
        return Receipt(accepted=True, why="the next scan will see it")

    def take(self, now_s: float) -> tuple[Command, ...]:
        """Take everything that waits and is still in time, in the order it came.

        Args:
            now_s: [s] Process time.
        """
        taken: list[Command] = []
        while self._queue:
            command = self._queue.popleft()
            if now_s >= command.expires_s:
                self.expired += 1
                self._tell(command, "command_expired", "its time ran out before a scan could see it")
            else:
                taken.append(command)
        return tuple(taken)

    def offer_nowait(self, result: ScanResult) -> bool:
        """Fan-out's side: tell askers what became of their commands."""
        if self._askers:
            self.settle(result.events)
        return True

    def settle(self, events: Sequence[Event]) -> None:
        """Answer askers from events that name a `command_id`."""
        for happening in events:
            asker = self._askers.get(str(happening.get("command_id") or happening.get("id")))
            if asker is not None and not asker.done():
                asker.set_result(happening)

    async def wait_outcome(self, command_id: str, within_s: float) -> Event | None:
        """Wait for the first event that names the command; None where none came in time.

        Args:
            command_id: id of a command that was accepted.
            within_s: [s] Loop time.
        """
        asker: asyncio.Future[Event] = asyncio.get_running_loop().create_future()
        self._askers[command_id] = asker
        try:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(within_s):
                    return await asker
            return None
        finally:
            self._askers.pop(command_id, None)

    def _make_room(self, command: Command) -> bool:
        """Let a stopping command push out the newest one that is not."""
        if command.kind not in STOPPING:
            return False
        for index in range(len(self._queue) - 1, -1, -1):
            if self._queue[index].kind not in STOPPING:
                pushed = self._queue[index]
                del self._queue[index]
                self._tell(pushed, "command_displaced", f"{command.kind.value} needed its place")
                return True
        return len(self._queue) < 2 * self._limit  # nothing but stops are waiting

    def _tell(self, command: Command, name: str, why: str) -> None:
        happening = event(name, command=command.kind.value, who=command.who, command_id=command.command_id, why=why)
        self.settle((happening,))
        self._report(happening)
