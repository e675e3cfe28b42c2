"""Modbus TCP over pymodbus. Moves bytes and maps errors; what a reply must be is decided in field/replies.py.

The library accepts replies with another function code, a short count or a lying byte count, lets a request wait out its
time after the peer has gone, and repeats requests by itself. So its framer is replaced by one that judges the raw bytes
against the request that was really sent, retries and reconnecting are off, and every exchange has a deadline of ours.
Links of one endpoint share one socket; after any doubt all of them are done with, and the owner asks for new ones.
"""

import asyncio
import logging
import socket
import struct
from collections.abc import Awaitable, Callable, Sequence

from pymodbus.client import AsyncModbusTcpClient
from pymodbus.exceptions import ModbusException
from pymodbus.framer.socket import FramerSocket
from pymodbus.pdu import DecodePDU, ModbusPDU

from crumbmeter.field.replies import Accepted, Expected, Mismatch, SaysNo, Verdict, expect, judge_tcp
from crumbmeter.field.spec import DeviceSpec, RegisterSpec, Table
from crumbmeter.model.faults import BadReplyError, BugError, DeviceExceptionError, ReconnectError, RetryLaterError

_KEEPALIVE_IDLE_S = 5
_KEEPALIVE_INTERVAL_S = 2
_KEEPALIVE_PROBES = 3
_LIBRARY_FACTOR = 4.0
"""The library's own time-out is this much longer than ours, so that ours decides."""


def _cancellations() -> int:
    """Count how often the present task has been told to end."""
    task = asyncio.current_task()
    return task.cancelling() if task else 0


def _raise_lost_cancellation(before: int) -> None:
    """Raise a cancellation that came since and was swallowed.

    The library waits with `asyncio.wait_for`, which in Python 3.11 returns its result and forgets a cancellation that
    comes in the same turn of the loop: a task told to end would go on for ever.
    """
    if _cancellations() > before:
        raise asyncio.CancelledError


class _Judged(ModbusPDU):
    """Carries a verdict through the library to the one who asked."""

    def __init__(self, expected: Expected, verdict: Verdict) -> None:
        super().__init__(dev_id=expected.unit, transaction_id=expected.transaction)
        self.verdict = verdict


class _StrictFramer(FramerSocket):
    """Remembers the request as it goes out and judges what comes back against it."""

    def __init__(self) -> None:
        super().__init__(DecodePDU(False))
        self.expected: Expected | None = None
        self.doubt = ""
        """Why nothing more may be asked on this connection; empty while it is sound."""

    def buildFrame(self, message: ModbusPDU) -> bytes:  # noqa: N802 (the library's name)
        pdu = message.function_code.to_bytes(1, "big") + message.encode()
        self.expected = expect(message.transaction_id, message.dev_id, pdu)
        return self.encode(pdu, message.dev_id, message.transaction_id)

    def handleFrame(  # noqa: N802 (the library's name)
        self,
        data: bytes,
        exp_devid: int,  # noqa: ARG002 (the request itself says more)
        exp_tid: int,  # noqa: ARG002
    ) -> tuple[int, ModbusPDU | None]:
        expected = self.expected
        if expected is None:
            self.doubt = f"bytes that nobody asked for: {data[:24].hex(' ')}"
            return len(data), None
        verdict = judge_tcp(expected, data)
        if verdict is None:
            return 0, None
        self.expected = None
        if isinstance(verdict, Mismatch):
            self.doubt = verdict.what
        return len(data), _Judged(expected, verdict)


class _Socket:
    """One connection to one endpoint, shared by the links of its units."""

    def __init__(self, host: str, port: int, *, connect_timeout_s: float, longest_timeout_s: float) -> None:
        self.endpoint = f"{host}:{port}"
        self._connect_timeout_s = connect_timeout_s
        self._framer = _StrictFramer()
        self.client = AsyncModbusTcpClient(
            host,
            port=port,
            timeout=_LIBRARY_FACTOR * max(connect_timeout_s, longest_timeout_s),
            retries=0,
            reconnect_delay=0,
            name=self.endpoint,
            trace_connect=self._on_connection,
        )
        self.client.ctx.framer = self._framer
        self._user_timeout_ms = round(1000.0 * 2.0 * longest_timeout_s)
        self._up = False

    def _on_connection(self, connected: bool) -> None:
        self._up = connected
        waiting = self.client.ctx.response_future
        if not connected and not waiting.done():
            waiting.set_exception(ConnectionResetError("the peer closed the connection"))
            # Nobody may be waiting any more; an exception that nobody fetches would be reported as a leak.
            waiting.exception()

    async def connect(self) -> None:
        if self._up:
            return
        cancellations = _cancellations()
        try:
            async with asyncio.timeout(self._connect_timeout_s):
                connected = await self.client.connect()
                _raise_lost_cancellation(cancellations)
        except TimeoutError as error:
            self.close()
            raise ReconnectError(f"{self.endpoint}: no connection within {self._connect_timeout_s} s") from error
        if not connected:
            hint = "refused or unreachable; another master may hold this device"
            raise ReconnectError(f"{self.endpoint}: {hint}")
        self._guard_socket()

    def _guard_socket(self) -> None:
        """Let the kernel find a peer that vanished without a word (REQ-15)."""
        sock = self._raw_socket()
        if sock is None:
            return
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPIDLE, _KEEPALIVE_IDLE_S)
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPINTVL, _KEEPALIVE_INTERVAL_S)
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPCNT, _KEEPALIVE_PROBES)
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, self._user_timeout_ms)

    def _raw_socket(self) -> socket.socket | None:
        transport = self.client.ctx.transport
        sock: socket.socket | None = transport.get_extra_info("socket") if transport is not None else None
        return sock

    def close(self) -> None:
        """Drop the connection with a reset: nothing that lies in a buffer may reach the device later (REQ-25)."""
        transport = self.client.ctx.transport
        sock = self._raw_socket()
        if sock is not None and sock.fileno() >= 0:
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        self.client.close()
        if isinstance(transport, asyncio.WriteTransport):
            transport.abort()
        self._framer.expected = None
        if not self._framer.doubt:
            self._framer.doubt = "closed"
        self._on_connection(False)

    def ensure_sound(self) -> None:
        if self._framer.doubt or not self._up:
            raise ReconnectError(f"{self.endpoint}: {self._framer.doubt or 'not connected'}")

    async def exchange(self, device: DeviceSpec, address: int, ask: Callable[[], Awaitable[ModbusPDU]]) -> Accepted:
        """Ask once and wait for the reply within the device's time."""
        self.ensure_sound()
        cancellations = _cancellations()
        try:
            async with asyncio.timeout(device.timeout_s):
                reply = await ask()
                _raise_lost_cancellation(cancellations)
        except TimeoutError as error:
            self._framer.doubt = "a reply is overdue"
            raise RetryLaterError(f"{self.endpoint} unit {device.unit_id}: silent for {device.timeout_s} s") from error
        except asyncio.CancelledError:
            self._framer.doubt = "a request was abandoned"
            raise
        except (ModbusException, OSError) as error:
            self._framer.doubt = "the connection is gone"
            raise ReconnectError(f"{self.endpoint} unit {device.unit_id}: {error}") from error
        return self._read_verdict(device, address, reply)

    def _read_verdict(self, device: DeviceSpec, address: int, reply: ModbusPDU) -> Accepted:
        if not isinstance(reply, _Judged):
            raise BugError(f"a reply passed by the framer: {reply!r}")
        verdict = reply.verdict
        if isinstance(verdict, Accepted):
            return verdict
        if isinstance(verdict, SaysNo):
            raise DeviceExceptionError(verdict.code, endpoint=self.endpoint, unit=device.unit_id, address=address)
        raise BadReplyError(
            verdict.what, endpoint=self.endpoint, unit=device.unit_id, address=address, evidence=verdict.evidence
        )


class ModbusLink:
    """One device (unit id) on a shared connection. Serves ports.FieldLink."""

    def __init__(self, device: DeviceSpec, shared: _Socket) -> None:
        self._device = device
        self._shared = shared
        client = shared.client
        self._readers = {
            Table.COIL: client.read_coils,
            Table.DISCRETE: client.read_discrete_inputs,
            Table.HOLDING: client.read_holding_registers,
            Table.INPUT: client.read_input_registers,
        }

    async def connect(self) -> None:
        """Open the shared connection unless it is open. Raises ReconnectError."""
        await self._shared.connect()

    async def close(self) -> None:
        """Close the shared connection at once, with whatever it still holds."""
        self._shared.close()

    async def read(self, table: Table, address: int, count: int) -> tuple[int, ...]:
        """Read words or bits. Raises as ports.FieldReader says."""
        reader, unit = self._readers[table], self._device.unit_id
        reply = await self._shared.exchange(self._device, address, lambda: reader(address, count=count, device_id=unit))
        return reply.words

    async def write(self, register: RegisterSpec, words: Sequence[int]) -> None:
        """Write the words of one register and check the echo: function 5 or 6 for one word, 15 or 16 for more."""
        client, unit, address = self._shared.client, self._device.unit_id, register.address
        if not register.table.writable:
            raise BugError(f"no master writes a {register.table.value}")
        ask: Callable[[], Awaitable[ModbusPDU]]
        if register.table is Table.COIL:
            bits = [bool(word) for word in words]
            if len(bits) == 1:
                ask = lambda: client.write_coil(address, bits[0], device_id=unit)  # noqa: E731
            else:
                ask = lambda: client.write_coils(address, bits, device_id=unit)  # noqa: E731
        elif len(words) == 1:
            ask = lambda: client.write_register(address, words[0], device_id=unit)  # noqa: E731
        else:
            ask = lambda: client.write_registers(address, list(words), device_id=unit)  # noqa: E731
        await self._shared.exchange(self._device, address, ask)


def make_links(devices: Sequence[DeviceSpec]) -> tuple[ModbusLink, ...]:
    """Make links for the devices of one endpoint over one new connection, not yet open (REQ-12, REQ-19)."""
    endpoints = {device.endpoint for device in devices}
    if len(endpoints) != 1:
        raise BugError(f"one connection cannot serve {sorted(endpoints)}")
    shared = _Socket(
        devices[0].host,
        devices[0].port,
        connect_timeout_s=max(device.connect_timeout_s for device in devices),
        longest_timeout_s=max(device.timeout_s for device in devices),
    )
    return tuple(ModbusLink(device, shared) for device in devices)


def silence_library() -> None:
    """Keep the library's multi-line hex dumps out of the log: every fault of a link reaches us as an exception."""
    logging.getLogger("pymodbus").setLevel(logging.CRITICAL + 1)
