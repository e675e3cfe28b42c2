"""The rack: all endpoints of a plant, each before or behind a fault proxy, opened and closed as the links demand."""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from crumbmeter_sim.actions import Link
from crumbmeter_sim.channel import dial
from crumbmeter_sim.clock import RealClock
from crumbmeter_sim.faults.kinds import OUTAGES, Fault, Framing
from crumbmeter_sim.faults.proxy import Place, Proxy
from crumbmeter_sim.gate import Gate, PtyGate, TcpGate
from crumbmeter_sim.server import FREE, Device, Endpoint, Pace, Unit

if TYPE_CHECKING:
    from crumbmeter_sim.opcua.house import House
    from crumbmeter_sim.opcua.variable import AnyBank
    from crumbmeter_sim.sockets import SecurityTruth

Framed = Literal["tcp", "rtu_over_tcp", "rtu"]


@dataclass(slots=True)
class _Spot:
    """An endpoint, and the proxy in front of it where faults may strike."""

    endpoint: Endpoint
    proxy: Proxy | None
    up: bool = False
    """Whether the proxy lets masters in."""
    told: dict[tuple[str, Fault], Fault | None] = field(default_factory=dict)
    """What the proxy has been told, by device and fault: as it stands in the deck, or None for an outage."""

    @property
    def gate(self) -> Gate:
        return self.proxy.gate if self.proxy is not None else self.endpoint.gate


class Rack:
    """All endpoints of a plant, by the names of the devices behind them."""

    def __init__(self, host: str, before: Callable[[], None] = lambda: None, folder: Path = Path("var/serial")) -> None:
        self._host = host
        self._before = before
        self._folder = folder
        self._spots: dict[str, _Spot] = {}
        self._buses: dict[str, _Spot] = {}
        self._devices: dict[str, Device] = {}
        self._house: House | None = None

    def add_bus(
        self,
        name: str,
        framed: Framed,
        *,
        port: int = 0,
        path: str = "",
        pace: Pace = FREE,
        faulty: bool = False,
    ) -> None:
        """Add a line that several devices share: a gateway, RTU over TCP, or a serial line.

        Args:
            name: What `add` calls it.
            framed: How frames look on it.
            port: TCP port; 0 for any free one.
            path: Link to the terminal of a serial line, seen from the rack's folder; without one its name.
            pace: How long things take on it.
            faulty: Whether a fault proxy stands before it.
        """
        if framed == "rtu":
            link = self._folder / (path or name)
            outer: Gate = PtyGate(link)
            inner: Gate = PtyGate(link.with_name(link.name + ".inner")) if faulty else outer
        else:
            outer = TcpGate(self._host, port)
            inner = TcpGate(self._host, 0) if faulty else outer
        self._buses[name] = self._spot(outer, inner, "tcp" if framed == "tcp" else "rtu", pace)

    def add(
        self,
        name: str,
        port: int,
        unit_id: int,
        bank: Unit,
        link: Link,
        *,
        bus: str = "",
        faulty: bool = False,
    ) -> None:
        """Add a device, on a bus or on a Modbus TCP port. Devices on one port share it; port 0 is one's own."""
        if bus:
            spot = self._buses[bus]
        else:
            for other in self._spots.values():
                if port and other.gate.port == port:
                    spot = other
                    break
            else:
                outer = TcpGate(self._host, port)
                spot = self._spot(outer, TcpGate(self._host, 0) if faulty else outer, "tcp", FREE)
        device = Device(unit_id, bank, link)
        spot.endpoint.devices.append(device)
        self._spots[name] = spot
        self._devices[name] = device

    def add_opcua(
        self, name: str, port: int, bank: "AnyBank", link: Link, security: "SecurityTruth | None" = None
    ) -> None:
        """Add a device that speaks OPC UA, at a port of its own."""
        if self._house is None:
            from crumbmeter_sim.opcua.house import House  # noqa: PLC0415 - the library is needed by such plants alone

            self._house = House(self._host, self._before, RealClock.stamp_s)
        self._house.add(name, port, bank, link, security)

    @property
    def ports(self) -> dict[str, int]:
        """TCP ports by device name; known once `follow` has opened them."""
        ports = {name: spot.gate.port for name, spot in self._spots.items() if spot.gate.port}
        return ports | (self._house.ports if self._house is not None else {})

    @property
    def serial(self) -> dict[str, str]:
        """Paths of serial lines by device name."""
        return {name: spot.gate.address for name, spot in self._spots.items() if isinstance(spot.gate, PtyGate)}

    def endpoint(self, name: str) -> Endpoint:
        """Return the endpoint of a device."""
        return self._spots[name].endpoint

    def proxy(self, name: str) -> Proxy:
        """Return the fault proxy before a device.

        Raises:
            KeyError: where it has none.
        """
        proxy = self._spots[name].proxy
        if proxy is None:
            raise KeyError(f"no fault proxy before {name}: it was not added as faulty")
        return proxy

    async def follow(self) -> None:
        """Open and close ports as the links demand, and let the faults strike that they ask for."""
        for spot in self._all():
            spot.endpoint.follow()
            proxy, alive = spot.proxy, spot.endpoint.gate.is_open
            if proxy is not None and spot.up != alive:
                spot.up = alive
                if alive:
                    proxy.start()
                else:
                    proxy.close()
        for name, spot in self._spots.items():
            if spot.proxy is not None:
                self._tell(name, spot, spot.proxy)
        if self._house is not None:
            await self._house.follow()

    async def close(self) -> None:
        """Close all."""
        for spot in self._all():
            if spot.proxy is not None:
                spot.proxy.close()
            spot.endpoint.close()
        if self._house is not None:
            await self._house.close()

    def _all(self) -> list[_Spot]:
        return list({id(spot): spot for spot in self._spots.values()}.values())

    def _spot(self, outer: Gate, inner: Gate, framing: Framing, pace: Pace) -> _Spot:
        endpoint = Endpoint(inner, framing, self._before, pace)
        if outer is inner:
            return _Spot(endpoint, None)
        if isinstance(inner, PtyGate):
            return _Spot(endpoint, Proxy(outer, Place("rtu", path=inner.address).dial, framing))
        return _Spot(endpoint, Proxy(outer, lambda: dial(self._host, inner.port), framing))

    def _tell(self, name: str, spot: _Spot, proxy: Proxy) -> None:
        """Tell a proxy which faults of a device have begun, and which are over."""
        device = self._devices[name]
        wanted = {(name, fault) for fault in device.link.faults}
        for key in [key for key in spot.told if key[0] == name and key not in wanted]:
            placed = spot.told.pop(key)
            if placed is None:
                proxy.restore()
            else:
                proxy.remove(placed)
        for key in wanted - set(spot.told):
            fault = key[1]
            if fault.kind in OUTAGES and fault.share is None and not fault.frames and not fault.every:
                proxy.outage(fault.kind)
                spot.told[key] = None
            else:
                shared = len(spot.endpoint.devices) > 1
                spot.told[key] = proxy.deck.add(replace(fault, unit=device.unit_id if shared else fault.unit))
