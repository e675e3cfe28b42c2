"""A control process in small: the real fan-out, intake and socket around scans that the test hands in."""

import asyncio
import contextlib
import threading
from collections.abc import AsyncIterator, Callable, Iterator
from pathlib import Path
from typing import Any

from crumbmeter.adapters.clock import RealClock
from crumbmeter.adapters.control_socket import ControlSocket
from crumbmeter.model.commands import Command
from crumbmeter.model.events import Event
from crumbmeter.model.scan import ScanResult
from crumbmeter.runtime.fanout import Fanout, Latest
from crumbmeter.runtime.intake import Intake
from tests.unit.outward.samples import NAMES, ORIGIN, scan

SETTINGS = {
    "site_id": "demo_drum",
    "title": "Demo drum",
    "units": "us",
    "simulated": True,
    "settings_id": "5e771d0123456789",
    "mixes": [{"mix_id": "surface_10", "title": "Surface"}],
}


class Small:
    """What stands behind the socket."""

    def __init__(self, path: Path) -> None:
        self.clock = RealClock(start_s=100.0)
        self.events: list[Event] = []
        self.taken: list[Command] = []
        self.latest: Latest[ScanResult] = Latest()
        self.intake = Intake(self.events.append)
        self.fanout: Fanout[ScanResult] = Fanout(self.events.append)
        self.fanout.add("socket", self.latest)
        self.fanout.add("intake", self.intake)
        self.socket = ControlSocket(path, ORIGIN, NAMES, self.latest, self.intake, lambda: SETTINGS, self.clock)
        self.number = 0
        self.outcome: Callable[[Command], Event] | None = None

    def scan(self, **changes: Any) -> None:
        """Finish one scan: take commands, carry them out in the test's way, publish."""
        now_s = self.clock.now_s()
        commands = self.intake.take(now_s)
        self.taken += commands
        events = tuple(self.outcome(command) for command in commands) if self.outcome else ()
        self.number += 1
        self.fanout.publish_nowait(scan(self.number, began_s=now_s, events=events, **changes))

    async def scan_for_ever(self, period_s: float = 0.01) -> None:
        while True:
            self.scan()
            await self.clock.sleep_until(self.clock.now_s() + period_s)


@contextlib.asynccontextmanager
async def small(path: Path) -> AsyncIterator[Small]:
    """Run one inside the test's own loop."""
    made = Small(path)
    async with made.socket:
        yield made


@contextlib.contextmanager
def small_in_thread(path: Path, outcome: Callable[[Command], Event] | None = None) -> Iterator[list[Command]]:
    """Run one with scans in a thread, for clients that block; yields the commands its scans took."""
    taken: list[Command] = []
    up, stop = threading.Event(), asyncio.Event()
    loops: list[asyncio.AbstractEventLoop] = []

    async def live() -> None:
        loops.append(asyncio.get_running_loop())
        async with small(path) as made:
            made.taken, made.outcome = taken, outcome
            made.scan()
            scanning = asyncio.ensure_future(made.scan_for_ever())
            up.set()
            await stop.wait()
            scanning.cancel()
            await asyncio.gather(scanning, return_exceptions=True)

    thread = threading.Thread(target=asyncio.run, args=(live(),))
    thread.start()
    try:
        assert up.wait(10)
        yield taken
    finally:
        loops[0].call_soon_threadsafe(stop.set)
        thread.join(10)
