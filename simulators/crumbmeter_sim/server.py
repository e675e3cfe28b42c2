"""Modbus TCP over the banks: small, exact, and able to misbehave on order.

One endpoint per port; several devices may share one, told apart by their unit id. Requests that arrive together are
answered together, in order. A link that is *dead* has no open port; one that *hangs* takes requests and never answers.
"""

import asyncio
import struct
from collections.abc import Callable
from dataclasses import dataclass

from crumbmeter_sim.actions import Link
from crumbmeter_sim.bank import Bank
from crumbmeter_sim.pdu import answer, exception

_GATEWAY_TARGET_SILENT = 0x0B
_MAX_LENGTH = 254


@dataclass(slots=True)
class Device:
    """One unit behind an endpoint."""

    unit_id: int
    bank: Bank
    link: Link


class Conversation(asyncio.Protocol):
    """One master's connection."""

    def __init__(self, endpoint: "Endpoint") -> None:
        self._endpoint = endpoint
        self._buffer = b""
        self._transport: asyncio.Transport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)  # noqa: S101 - told to the type checker
        self._transport = transport
        self._endpoint.open_conversations.add(self)

    def connection_lost(self, exc: Exception | None) -> None:  # noqa: ARG002 - asyncio's signature
        self._endpoint.open_conversations.discard(self)

    def data_received(self, data: bytes) -> None:
        self._buffer += data
        answers = []
        while len(self._buffer) >= 8:
            transaction, protocol, length, unit = struct.unpack(">HHHB", self._buffer[:7])
            if protocol != 0 or not 2 <= length <= _MAX_LENGTH:
                self.drop()
                return
            if len(self._buffer) < 6 + length:
                break
            request, self._buffer = self._buffer[7 : 6 + length], self._buffer[6 + length :]
            reply = self._endpoint.reply(unit, request)
            if reply is not None:
                head = struct.pack(">HHHB", transaction, 0, len(reply[0]) + 1, unit)
                answers.append((head + reply[0], reply[1]))
        for frame, delay_s in answers:
            self._send(frame, delay_s)

    def drop(self) -> None:
        """Cut the connection."""
        if self._transport is not None:
            self._transport.abort()

    def _send(self, frame: bytes, delay_s: float) -> None:
        transport = self._transport
        if transport is None or transport.is_closing():
            return
        if delay_s > 0.0:
            asyncio.get_running_loop().call_later(delay_s, self._send, frame, 0.0)
        else:
            transport.write(frame)


class Endpoint:
    """One port with the devices behind it."""

    def __init__(self, host: str, port: int, before: Callable[[], None]) -> None:
        self.host = host
        self.port = port
        self.devices: list[Device] = []
        self.open_conversations: set[Conversation] = set()
        self.requests = 0
        self._before = before
        self._server: asyncio.Server | None = None

    async def follow(self) -> None:
        """Open or close the port as the links of its devices demand. A port is dead when all behind it are."""
        alive = any(device.link.mode != "dead" for device in self.devices)
        if alive and self._server is None:
            loop = asyncio.get_running_loop()
            self._server = await loop.create_server(lambda: Conversation(self), self.host, self.port)
            self.port = self._server.sockets[0].getsockname()[1]
        elif not alive:
            await self.close()

    async def close(self) -> None:
        """Close the port and cut every connection."""
        server, self._server = self._server, None
        if server is not None:
            server.close()
            for conversation in list(self.open_conversations):
                conversation.drop()
            await server.wait_closed()

    def reply(self, unit: int, request: bytes) -> tuple[bytes, float] | None:
        """Return the answer and how late it goes out [s]; None for silence."""
        self._before()
        self.requests += 1
        for device in self.devices:
            if device.unit_id == unit:
                if device.link.mode != "up":
                    return None
                return answer(device.bank, request), device.link.delay_s
        return exception(request[0], _GATEWAY_TARGET_SILENT), 0.0


class Rack:
    """All endpoints of a plant."""

    def __init__(self, host: str, before: Callable[[], None] = lambda: None) -> None:
        self._host = host
        self._before = before
        self._endpoints: dict[str, Endpoint] = {}

    def add(self, name: str, port: int, unit_id: int, bank: Bank, link: Link) -> None:
        """Add a device. Devices on one port share its endpoint; port 0 means any free port of its own."""
        for endpoint in self._endpoints.values():
            if port and endpoint.port == port:
                break
        else:
            endpoint = Endpoint(self._host, port, self._before)
        endpoint.devices.append(Device(unit_id, bank, link))
        self._endpoints[name] = endpoint

    @property
    def ports(self) -> dict[str, int]:
        """Ports by device name; known once `follow` has opened them."""
        return {name: endpoint.port for name, endpoint in self._endpoints.items()}

    async def follow(self) -> None:
        """Open and close ports as the links demand."""
        for endpoint in set(self._endpoints.values()):
            await endpoint.follow()

    async def close(self) -> None:
        """Close all."""
        for endpoint in set(self._endpoints.values()):
            await endpoint.close()
