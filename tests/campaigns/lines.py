"""A line with faults for a campaign: devices of the simulator behind its proxy, the daemon's own endpoint before it."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from random import Random

from crumbmeter.adapters.modbus import LinkMaker
from crumbmeter.field.spec import DeviceSpec, Transport
from crumbmeter.model.events import Event
from crumbmeter.ports import Clock, FrameTap
from crumbmeter.runtime.link import DeviceLine, make_lines
from crumbmeter_sim.actions import Link
from crumbmeter_sim.faults.deck import Deck
from crumbmeter_sim.faults.kinds import Framing
from crumbmeter_sim.faults.proxy import Proxy
from crumbmeter_sim.gate import Gate, PtyGate, TcpGate
from crumbmeter_sim.server import FREE, Device, Endpoint, Pace, Unit
from tests.fakes import device_spec

HOST = "127.0.0.1"


@dataclass
class FaultyLine:
    """The far side: what the master connects to, and what stands behind it."""

    proxy: Proxy
    endpoint: Endpoint
    transport: Transport

    def spec(self, name: str, unit: int, **changes: object) -> DeviceSpec:
        """Say how a unit of this line is reached."""
        given: dict[str, object] = {"unit_id": unit, "transport": self.transport, **changes}
        if self.transport is Transport.RTU:
            # A pseudo-terminal takes any speed and refuses parity.
            given |= {"host": self.proxy.address, "port": 0, "baud": 115200, "parity": "none"}
        else:
            given |= {"host": HOST, "port": self.proxy.port}
        return device_spec(name, **given)

    def close(self) -> None:
        self.proxy.close()
        self.endpoint.close()


def open_line(transport: Transport, folder: Path, units: dict[int, Unit], deck: Deck, pace: Pace = FREE) -> FaultyLine:
    """Open the far side of a line.

    Args:
        transport: How frames travel.
        folder: Where serial lines are linked; one folder for each line.
        units: By unit id.
        deck: What strikes the frames.
        pace: How long things take behind the proxy.
    """
    gate: Gate = PtyGate(folder / "device") if transport is Transport.RTU else TcpGate(HOST, 0)
    framing: Framing = "rtu" if transport.serial_frames else "tcp"
    endpoint = Endpoint(gate, framing, lambda: None, pace)
    endpoint.devices += [Device(unit_id, bank, Link()) for unit_id, bank in units.items()]
    gate.open()
    scheme = {Transport.TCP: "tcp", Transport.RTU: "rtu", Transport.RTU_OVER_TCP: "rtutcp"}[transport]
    if transport is Transport.RTU:
        proxy = Proxy.between(f"rtu:{folder / 'master'}", f"rtu:{folder / 'device'}", deck)
    else:
        proxy = Proxy.between(f"{scheme}:{HOST}:0", f"{scheme}:{HOST}:{gate.port}", deck)
    proxy.start()
    return FaultyLine(proxy, endpoint, transport)


def near_side(
    specs: Sequence[DeviceSpec],
    clock: Clock,
    seed: int,
    report: Callable[[Event], None] = lambda _: None,
    tap: FrameTap | None = None,
) -> tuple[LinkMaker, tuple[DeviceLine, ...]]:
    """Make the daemon's own way to devices: the real adapter under the real endpoint."""
    maker = LinkMaker(specs, tap)
    return maker, make_lines(specs, maker, clock, Random(seed).random, report)
