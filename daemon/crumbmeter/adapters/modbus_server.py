"""A Modbus TCP server: the plant's controller reads this process, and asks for what the site lets it.

The bytes are field/served.py's. The library's own server is not used: it answers one request of several that come
together, and a count that cannot be with the wrong exception. In the control loop, so that a loop that hangs answers
nobody, which a controller takes for a stop request.
"""

import asyncio
import socket
from collections import Counter
from collections.abc import Callable, Sequence
from typing import Self

from crumbmeter.field.served import TARGET_SILENT, Asked, Bank, BrokenStreamError, answer, framed, refusal, split
from crumbmeter.model.events import Event, event
from crumbmeter.model.faults import CrumbmeterError

MOST_CLIENTS = 8
MOST_A_SECOND = 100
"""Requests that one client has answered in a second of loop time; it waits with the rest, and the scans do not."""
MOST_UNSENT_BYTES = 65536
"""[bytes] A client that asks and never reads is dropped beyond this."""
QUIET_S, PROBE_S, PROBES = 20, 5, 4
"""[s], [s], [1] A client that is quiet is probed; one that lost its power has its place given up in 40 s, not in hours:
eight such, and a controller that comes back finds none."""


class OfferedPortBusyError(CrumbmeterError):
    """The port of the Modbus server cannot be had."""

    def __init__(self, address: str, port: int, cause: str) -> None:
        super().__init__(
            f"the Modbus server cannot be had on {address}:{port} ({cause}). If another program holds the port, stop "
            f"it or give publish.modbus another port; below 1024 the service needs CAP_NET_BIND_SERVICE."
        )


class _Client(asyncio.Protocol):
    """One connection. What it asks is answered at once, in order."""

    def __init__(self, server: "ModbusServer") -> None:
        self._server = server
        self._rest = b""
        self._loop = asyncio.get_running_loop()
        self._left = MOST_A_SECOND
        self._until_s = 0.0
        """[s] Loop time at which the second ends in which `_left` more are answered."""
        self.transport: asyncio.Transport | None = None
        self.peer = ""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Let it in, or hang up."""
        assert isinstance(transport, asyncio.Transport)  # noqa: S101 - a TCP server makes no other
        self.transport, self.peer = transport, str(transport.get_extra_info("peername")[0])
        opened: socket.socket = transport.get_extra_info("socket")
        opened.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
        opened.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPIDLE, QUIET_S)
        opened.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPINTVL, PROBE_S)
        opened.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPCNT, PROBES)
        opened.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        if not self._server.let_in(self):
            transport.abort()

    def data_received(self, data: bytes) -> None:
        """Answer every whole request."""
        self._rest += data
        self._serve()

    def _serve(self) -> None:
        if self.transport is None or self.transport.is_closing():
            return
        now_s = self._loop.time()
        if now_s >= self._until_s:
            self._left, self._until_s = MOST_A_SECOND, now_s + 1.0
        try:
            asked, self._rest = split(self._rest, self._left)
        except BrokenStreamError:
            self._server.counts["broken"] += 1
            self.transport.abort()
            return
        self._left -= len(asked)
        for one in asked:
            self.transport.write(framed(one, self._server.answered(one, self.peer)))
        if self.transport.get_write_buffer_size() > MOST_UNSENT_BYTES:
            self._server.counts["stalled"] += 1
            self.transport.abort()
        elif not self._left:
            self._server.counts["held back"] += 1
            self.transport.pause_reading()
            self._loop.call_at(self._until_s, self._go_on)

    def _go_on(self) -> None:
        if self.transport is not None and not self.transport.is_closing():
            self.transport.resume_reading()
            self._serve()

    def connection_lost(self, _fault: Exception | None) -> None:
        """Forget it."""
        self._server.let_go(self)


class ModbusServer:
    """The server. Use as `async with`: the port is open inside the block."""

    def __init__(
        self,
        address: str,
        port: int,
        unit_id: int,
        clients: Sequence[str],
        bank_for: Callable[[str], Bank],
        report: Callable[[Event], None],
    ) -> None:
        """Prepare.

        Args:
            address: To listen on.
            port: To listen on; 0 takes a free one.
            unit_id: Whose requests are answered. 255 always is: what TCP clients send that know no unit.
            clients: IP addresses that are let in; empty: all.
            bank_for: Gives what is read and written, for the address of a client.
            report: Gets an event when a client is refused, or comes for the first time.
        """
        self._bank_for = bank_for
        self.counts: Counter[str] = Counter()
        """Requests answered and refused; broken streams; clients refused, held back, dropped as stalled."""
        self.port = port
        self._address = address
        self._unit_id = unit_id
        self._clients = frozenset(clients)
        self._report = report
        self._open: set[_Client] = set()
        self._known: set[str] = set()
        self._server: asyncio.Server | None = None

    @property
    def connected(self) -> int:
        """Count the clients that are connected."""
        return len(self._open)

    async def __aenter__(self) -> Self:
        """Open the port.

        Raises:
            OfferedPortBusyError: it cannot be had.
        """
        loop = asyncio.get_running_loop()
        try:
            self._server = await loop.create_server(lambda: _Client(self), self._address, self.port)
        except OSError as fault:
            raise OfferedPortBusyError(self._address, self.port, fault.strerror or str(fault)) from fault
        self.port = self._server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(self, *_: object) -> None:
        """Close the port and hang up on everyone."""
        if self._server is not None:
            self._server.close()
            for client in tuple(self._open):
                if client.transport is not None:
                    client.transport.abort()
            await self._server.wait_closed()

    def answered(self, asked: Asked, peer: str) -> bytes:
        """Answer one request: the PDU, which may be an exception."""
        ours = asked.unit_id in (self._unit_id, 255)
        pdu = answer(asked.pdu, self._bank_for(peer)) if ours else refusal(asked.pdu, TARGET_SILENT)
        self.counts["refused" if pdu[0] & 0x80 else "answered"] += 1
        return pdu

    def let_in(self, client: _Client) -> bool:
        """Take a client, or refuse it: not one of those the site names, or one too many."""
        stranger = bool(self._clients) and client.peer not in self._clients
        if stranger or len(self._open) >= MOST_CLIENTS:
            self.counts["clients refused"] += 1
            self._note(client.peer, "controller_refused", "not among the clients" if stranger else "too many clients")
            return False
        self._open.add(client)
        self._note(client.peer, "controller_connected", "")
        return True

    def let_go(self, client: _Client) -> None:
        """Forget a client."""
        self._open.discard(client)

    def _note(self, peer: str, name: str, why: str) -> None:
        """Report each address once a run: a controller may connect for every request."""
        if f"{name} {peer}" in self._known or len(self._known) >= 64:
            return
        self._known.add(f"{name} {peer}")
        if name == "controller_refused":
            self._report(event("controller_refused", address=peer, why=why))
        else:
            self._report(event("controller_connected", address=peer))
