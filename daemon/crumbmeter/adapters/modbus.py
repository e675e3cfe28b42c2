"""Modbus over pymodbus: TCP, a serial bus, and a serial bus behind a TCP gateway. One link per device.

What a reply must be is decided in field/replies.py and field/frames.py; how a connection is kept free of late replies,
in modbus_wire.py. The library carries bytes and builds requests: its retries, reconnecting and judgement are off.
"""

import asyncio
import logging
import secrets
from collections.abc import Mapping, Sequence

from crumbmeter.adapters.modbus_requests import Ask, read_request, write_request
from crumbmeter.adapters.modbus_wire import Wire
from crumbmeter.field.counts import UnitCounts
from crumbmeter.field.owed import Owed
from crumbmeter.field.spec import DeviceSpec, RegisterSpec, Table
from crumbmeter.model.faults import BugError
from crumbmeter.ports import FrameTap


class ModbusLink:
    """One device (unit id) on a shared connection. Serves ports.FieldLink."""

    def __init__(self, device: DeviceSpec, shared: Wire) -> None:
        self._device = device
        self._shared = shared

    async def connect(self) -> None:
        """Open the shared connection unless it is open. Raises ReconnectError."""
        await self._shared.connect()

    async def get_ready(self) -> None:
        """Wait until a request would go out at once. Raises ReconnectError."""
        await self._shared.get_ready()

    async def close(self) -> None:
        """Close the shared connection at once, with whatever it still holds."""
        self._shared.close()

    async def read(self, table: Table, address: int, count: int) -> tuple[int, ...]:
        """Read words or bits. Raises as ports.FieldReader says."""
        request = read_request(table, address, count, self._device.unit_id)
        reply = await self._shared.exchange(Ask(self._device, request, address, reads=True))
        return reply.words

    async def write(self, register: RegisterSpec, words: Sequence[int], function: int = 0) -> None:
        """Write the words of one register and check the echo. Raises as ports.FieldWriter says."""
        request = write_request(register, words, function, self._device.unit_id)
        await self._shared.exchange(Ask(self._device, request, register.address, reads=False))


class LinkMaker:
    """Makes links, new ones for every connection, and keeps what outlives one: counts, trace, replies still owed."""

    def __init__(self, devices: Sequence[DeviceSpec], tap: FrameTap | None = None) -> None:
        """Start counting.

        Args:
            devices: All devices of the site.
            tap: Sees every frame.
        """
        self.counts: Mapping[str, UnitCounts] = {device.device_id: UnitCounts() for device in devices}
        """By device id."""
        self._loop = asyncio.get_running_loop()
        self._started_s = self._loop.time()
        self._tap = tap
        self._owed: dict[str, Owed] = {}
        """By endpoint."""

    def __call__(self, devices: Sequence[DeviceSpec]) -> tuple[ModbusLink, ...]:
        """Make links for the devices of one endpoint over one new connection, not yet open (REQ-12, REQ-19)."""
        endpoints = {(device.endpoint, device.transport) for device in devices}
        if len(endpoints) != 1:
            raise BugError(f"one connection cannot serve {sorted(endpoints)}")
        owed = self._owed.setdefault(devices[0].endpoint, Owed(secrets.randbelow(1 << 16)))
        shared = Wire(devices, self.counts, owed, self._tap)
        return tuple(ModbusLink(device, shared) for device in devices)

    def shares(self) -> Mapping[str, float]:
        """Return by device id the share of all time for which it had its connection."""
        elapsed_s = max(self._loop.time() - self._started_s, 1e-9)
        return {device_id: counts.busy_s / elapsed_s for device_id, counts in self.counts.items()}


def make_links(devices: Sequence[DeviceSpec]) -> tuple[ModbusLink, ...]:
    """Make links for the devices of one endpoint, with counts of their own."""
    return LinkMaker(devices)(devices)


def silence_library() -> None:
    """Keep the library's multi-line hex dumps out of the log: every fault of a link reaches us as an exception."""
    logging.getLogger("pymodbus").setLevel(logging.CRITICAL + 1)
