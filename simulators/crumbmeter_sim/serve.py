"""Play a rig on real sockets: absolute deadlines, and the plant brought up to date before every answer."""

import asyncio
import json
import signal
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from crumbmeter_sim.clock import RealClock
from crumbmeter_sim.orders import take_orders
from crumbmeter_sim.playback import Playback
from crumbmeter_sim.rack import Rack
from crumbmeter_sim.server import Pace
from crumbmeter_sim.stage import Stage
from crumbmeter_sim.tables import RecordWriter, write_truth

_TICK_REAL_S = 0.02


@dataclass(frozen=True, slots=True)
class ServeOptions:
    """How a run is served, and what it leaves behind."""

    host: str = "127.0.0.1"
    rate: float = 1.0
    port_offset: int = 0
    free_ports: bool = False
    exit_at_end: bool = False
    hold_at_end: bool = False
    """Plant time stands still at the scenario's end, while the devices go on answering until a signal comes."""
    hold_until_request: bool = False
    """Plant time begins with the first request of a master."""
    faulty: bool = False
    """A fault proxy stands before every device, whether the scenario has faults of the wire or not."""
    orders: bool = False
    """Take orders on standard input (`orders.py`)."""
    serial_folder: Path = Path("var/serial")
    """Where the links to the terminals of serial lines are put."""
    score: Path | None = None
    truth: Path | None = None
    record: Path | None = None
    record_period_s: float = 0.2


class Progress(Protocol):
    """Something that shows how far a run is."""

    def __call__(self, now_s: float, duration_s: float) -> None:
        """Show it."""
        ...


class Player:
    """A rig tied to a clock."""

    def __init__(self, rig: Stage[Any, Any] | Playback, options: ServeOptions) -> None:
        self.rig = rig
        self._options = options
        self._clock = RealClock(options.rate)
        self._started = not options.hold_until_request
        self._recorder = RecordWriter(rig, options.record, options.record_period_s) if options.record else None

    def request_came(self) -> None:
        """Bring the plant up to date before a request is answered."""
        if not self._started:
            self._started = True
            self._clock.restart()
        self.catch_up()

    def catch_up(self) -> None:
        """Let the plant's time pass that the clock says has passed."""
        if not self._started:
            return
        rig = self.rig
        target_s = self._clock.now_s()
        if self._options.exit_at_end or self._options.hold_at_end:
            target_s = min(target_s, rig.duration_s)
        if self._recorder is None:
            rig.advance_to(target_s)
            return
        while target_s - rig.now_s >= rig.step_s:
            rig.advance_to(min(target_s, rig.now_s + self._recorder.until_next_s()))
            self._recorder.take()

    async def play(self, rack: Rack, progress: Progress | None, stop: asyncio.Event) -> None:
        """Play until the scenario ends or `stop` is set."""
        due_s = 0.0
        while not stop.is_set() and not (self._options.exit_at_end and self.rig.finished):
            self.catch_up()
            await rack.follow()
            if progress is not None:
                progress(self.rig.now_s, self.rig.duration_s)
            now_s, tick_s = self._clock.now_s(), _TICK_REAL_S * self._options.rate
            due_s = min(max(due_s + tick_s, now_s), now_s + tick_s)  # the first request lets time begin anew
            await self._clock.sleep_until(due_s)

    def finish(self) -> None:
        """Write what the run leaves behind."""
        if self._recorder is not None:
            self._recorder.close()
        if not isinstance(self.rig, Stage):
            return
        if self._options.truth is not None:
            write_truth(self.rig, self._options.truth)
        if self._options.score is not None:
            self._options.score.write_text(json.dumps(self.rig.score(), indent=2) + "\n", encoding="utf-8")


def build_rack(rig: Stage[Any, Any] | Playback, options: ServeOptions, before: Callable[[], None]) -> Rack:
    """Put every device of a rig on its port or its line, with a fault proxy before it where faults are to come.

    What a bus takes for an exchange is plant time, as all else that happens: at 10x it takes a tenth.
    """
    rack = Rack(options.host, before, options.serial_folder)
    faulty = {server.name for server in rig.servers if options.faulty or rig.is_faulty(server.name)}
    for bus in rig.buses:
        rack.add_bus(
            bus.name,
            bus.framing,
            port=_port(bus.port, options),
            path=bus.path,
            pace=Pace(bus.turnaround_s / options.rate, round(bus.baud * options.rate), bus.silent_s / options.rate),
            faulty=any(server.bus == bus.name for server in rig.servers if server.name in faulty),
        )
    for server in rig.servers:
        name = server.name
        if server.unit_id is None:
            rack.add_opcua(name, _port(server.port, options), rig.banks[name], rig.links[name], server.security)
            continue
        rack.add(
            name, _port(server.port, options), server.unit_id, rig.banks[name], rig.links[name],
            bus=server.bus, faulty=name in faulty,
        )  # fmt: skip
    return rack


def _port(port: int, options: ServeOptions) -> int:
    return 0 if options.free_ports or not port else port + options.port_offset


async def serve(rig: Stage[Any, Any] | Playback, options: ServeOptions, progress: Progress | None = None) -> None:
    """Serve a rig until its scenario ends or a signal comes. Prints READY with the ports once all are open."""
    player = Player(rig, options)
    rack = build_rack(rig, options, player.request_came)
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for sign in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(sign, stop.set)
    await rack.follow()
    ready: dict[str, object] = {"ports": rack.ports, "seed": rig.seed, "rate": options.rate}
    if rack.serial:
        ready["serial"] = rack.serial
    sys.stdout.write("READY " + json.dumps(ready) + "\n")
    sys.stdout.flush()
    try:
        async with asyncio.TaskGroup() as group:
            taking = group.create_task(take_orders(rig)) if options.orders and isinstance(rig, Stage) else None
            await player.play(rack, progress, stop)
            if taking is not None:
                taking.cancel()
    finally:
        await rack.close()
        player.finish()
