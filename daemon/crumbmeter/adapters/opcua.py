"""OPC UA over asyncua: one link per device, in the same words as over Modbus (ports.FieldLink).

What a value means is decided in field/opcua.py; how a session is kept, and when it is doubted, in opcua_session.py.
"""

import asyncio
import logging
from collections.abc import Mapping, Sequence
from typing import Any

from asyncua import ua

from crumbmeter.adapters.opcua_session import OpcuaSession
from crumbmeter.field.counts import UnitCounts
from crumbmeter.field.opcua import WORDS, value_of, words_of_node
from crumbmeter.field.spec import DeviceSpec, RegisterSpec, Table
from crumbmeter.model.faults import BugError, StatusRefusedError


class OpcuaLink:
    """The nodes of one device on a shared session. Serves ports.FieldLink."""

    def __init__(self, device: DeviceSpec, shared: OpcuaSession, counts: UnitCounts) -> None:
        if device.opcua is None:
            raise BugError(f"{device.device_id} does not speak OPC UA")
        self._device = device
        self._shared = shared
        self._counts = counts
        self._nodes = {register.address: register for register in device.opcua.nodes}
        self.statuses: dict[str, int] = {}
        """Newest status code of each node that is not plain Good."""

    async def connect(self) -> None:
        """Open the shared session unless it is open. Raises ReconnectError."""
        await self._shared.connect()

    async def get_ready(self) -> None:
        """Make sure that a request would go out at once. Raises ReconnectError."""
        await self._shared.get_ready()

    async def close(self) -> None:
        """Close the shared session."""
        await self._shared.close()

    @property
    def skew_s(self) -> float | None:
        """[s] Return how far the server's clock is ahead of this machine's; None where it is not known."""
        return self._shared.skew_s

    def told(self) -> dict[str, Any]:
        """Say how the session stands, as plain JSON values: status codes verbatim."""
        return {
            "protected": self._shared.protected,
            "clock_skew_s": self._shared.skew_s,
            "notices": self._shared.notices,
            "doubt": self._shared.doubt,
            "statuses": [
                {"node": node, "status": ua.StatusCode(ua.UInt32(status)).name, "code": f"0x{status:08X}"}
                for node, status in sorted(self.statuses.items())
            ],
        }

    async def read(self, table: Table, address: int, count: int) -> tuple[int, ...]:
        """Read the nodes whose places lie in a block, all anew. Raises as ports.FieldReader says.

        The status of a node never raises: it is part of the words.
        """
        if table is not Table.NODE or address % WORDS or count % WORDS:
            raise BugError(f"an OPC UA server has no {table.value} {address} to {address + count - 1}")
        asked = [self._nodes[at] for at in range(address, address + count, WORDS) if at in self._nodes]
        found = await self._shared.read(self._device, asked)
        words = [0] * count
        for register, value in zip(asked, found, strict=True):
            start = register.address - address
            words[start : start + WORDS] = words_of_node(register, value)
            if value.status:
                self.statuses[register.node] = value.status
            else:
                self.statuses.pop(register.node, None)
        return tuple(words)

    async def write(self, register: RegisterSpec, words: Sequence[int], function: int = 0) -> None:
        """Write the value of one node, as the very type that the profile gives it. Raises as ports.FieldWriter says."""
        if register.table is not Table.NODE or function:
            raise BugError(f"function {function} cannot write {register.table.value} {register.address}")
        number, value = value_of(register, tuple(words))
        status = await self._shared.write(self._device, register, ua.Variant(value, ua.VariantType(number)))
        if not status.is_good():
            self._counts.ok -= 1
            self._counts.exceptions[status.value] += 1
            raise StatusRefusedError(status.value, status.name, endpoint=self._shared.endpoint, node=register.node)


class OpcuaLinkMaker:
    """Makes links, new ones for every connection, and keeps what outlives one: counts, and the newest session."""

    def __init__(self, devices: Sequence[DeviceSpec]) -> None:
        """Start counting.

        Args:
            devices: Those of the site that speak OPC UA.
        """
        self.counts: Mapping[str, UnitCounts] = {device.device_id: UnitCounts() for device in devices}
        """By device id."""
        self.links: dict[str, OpcuaLink] = {}
        """The newest one, by device id."""
        self._loop = asyncio.get_running_loop()
        self._started_s = self._loop.time()

    def __call__(self, devices: Sequence[DeviceSpec]) -> tuple[OpcuaLink, ...]:
        """Make links for the devices on one server over one new session, not yet open."""
        endpoints = {device.endpoint for device in devices}
        if len(endpoints) != 1:
            raise BugError(f"one session cannot serve {sorted(endpoints)}")
        shared = OpcuaSession(devices, self.counts)
        made = tuple(OpcuaLink(device, shared, self.counts[device.device_id]) for device in devices)
        self.links.update(zip((device.device_id for device in devices), made, strict=True))
        return made

    def shares(self) -> Mapping[str, float]:
        """Return by device id the share of all time for which it had its connection."""
        elapsed_s = max(self._loop.time() - self._started_s, 1e-9)
        return {device_id: counts.busy_s / elapsed_s for device_id, counts in self.counts.items()}


def silence_library() -> None:
    """Keep the library's own lines out of the log: every fault of a link reaches us as an exception."""
    logging.getLogger("asyncua").setLevel(logging.CRITICAL + 1)
