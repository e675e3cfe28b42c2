"""Devices on a serial bus, as bytes: over a pseudo-terminal pair (the real serial path) or over TCP. For tests.

Every holding register of a unit holds its own address plus 256 times the unit id, so that a value of another register
or unit cannot look right. What a peer does wrong is scripted, one fault for a request.
"""

import asyncio
import os
import pty
import termios
import tty
from collections import deque
from collections.abc import Callable

from crumbmeter.field.spec import DeviceSpec, Transport
from tests.fakes import device_spec

Fault = Callable[["SerialPeer", bytes, bytes], None]
"""Gets the peer, the request and the right reply, and sends what it likes."""


def crc(data: bytes) -> bytes:
    """Compute the check sum bit by bit: another way than the daemon's."""
    value = 0xFFFF
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = (value >> 1) ^ 0xA001 if value & 1 else value >> 1
    return value.to_bytes(2, "little")


def word_at(unit: int, address: int) -> int:
    """Return what a register holds from the start."""
    return (unit * 256 + address) & 0xFFFF


class SerialPeer:
    """All units of one bus."""

    def __init__(self, units: tuple[int, ...] = (1,)) -> None:
        self.words = {(unit, address): word_at(unit, address) for unit in units for address in range(256)}
        self.units = set(units)
        self.requests: list[bytes] = []
        self.broadcasts: list[bytes] = []
        self.script: deque[Fault | None] = deque()
        self.always: Fault | None = None
        self.dead: set[int] = set()
        self.sink: Callable[[bytes], None] = lambda data: None
        self._buffer = b""
        self._news = asyncio.Event()

    async def until(self, condition: Callable[[], bool], within_s: float = 5.0) -> None:
        async with asyncio.timeout(within_s):
            while not condition():
                await self._news.wait()

    def feed(self, data: bytes) -> None:
        self._buffer += data
        while self._buffer and (length := self._length()) and len(self._buffer) >= length:
            frame, self._buffer = self._buffer[:length], self._buffer[length:]
            if crc(frame[:-2]) != frame[-2:]:
                self._buffer = b""
                return
            self._on_request(frame)
        self._news.set()
        self._news = asyncio.Event()

    def _length(self) -> int:
        if len(self._buffer) < 8:
            return 0
        code = self._buffer[1]
        if code in (15, 16):
            return 9 + self._buffer[6]
        if code == 22:
            return 10
        return 13 + self._buffer[10] if code == 23 and len(self._buffer) > 10 else 8

    def _on_request(self, frame: bytes) -> None:
        self.requests.append(frame)
        unit, pdu = frame[0], frame[1:-2]
        if unit == 0:
            self.broadcasts.append(pdu)
            for each in self.units:
                self.reply(each, pdu)
            return
        if unit not in self.units or unit in self.dead:
            return
        body = bytes([unit]) + self.reply(unit, pdu)
        right = body + crc(body)
        fault = self.script.popleft() if self.script else self.always
        if fault is None:
            self.sink(right)
        else:
            fault(self, frame, right)

    def reply(self, unit: int, pdu: bytes) -> bytes:
        code, address, count = pdu[0], int.from_bytes(pdu[1:3], "big"), int.from_bytes(pdu[3:5], "big")
        if code == 23:
            self._put(unit, int.from_bytes(pdu[5:7], "big"), pdu[10:])
        if code in (3, 4, 23):
            words = b"".join(self.words[unit, address + n].to_bytes(2, "big") for n in range(count))
            return bytes([code, len(words)]) + words
        if code == 6:
            self.words[unit, address] = count
        elif code == 16:
            self._put(unit, address, pdu[6:])
        elif code == 22:
            or_mask = int.from_bytes(pdu[5:7], "big")
            self.words[unit, address] = (self.words[unit, address] & count) | (or_mask & ~count & 0xFFFF)
            return pdu
        else:
            return bytes([code | 0x80, 1])
        return pdu[:5]

    def _put(self, unit: int, address: int, data: bytes) -> None:
        for n in range(len(data) // 2):
            self.words[unit, address + n] = int.from_bytes(data[2 * n : 2 * n + 2], "big")


LINE = {"baud": 115200, "parity": "none"}
"""A pseudo-terminal takes any speed and refuses parity."""


class PtyBus:
    """A bus at one end of a pseudo-terminal pair; the daemon opens the other end as its serial port."""

    transport = Transport.RTU

    def __init__(self, peer: SerialPeer) -> None:
        self.peer = peer
        self._master = self._slave = -1

    async def start(self) -> None:
        self._master, self._slave = pty.openpty()
        # The slave stays open here too, or the pair would hang up whenever the daemon closes its end.
        tty.setraw(self._slave, termios.TCSANOW)
        os.set_blocking(self._master, False)
        asyncio.get_running_loop().add_reader(self._master, self._on_bytes)
        self.peer.sink = self._write

    def spec(self, name: str = "feeder", **changes: object) -> DeviceSpec:
        path = os.ttyname(self._slave)
        return device_spec(name, host=path, port=0, transport=Transport.RTU, **{**LINE, **changes})

    def _on_bytes(self) -> None:
        try:
            data = os.read(self._master, 4096)
        except OSError:
            return
        self.peer.feed(data)

    def _write(self, data: bytes) -> None:
        if self._master >= 0:
            os.write(self._master, data)

    def unplug(self) -> None:
        """The adapter is gone: the port reports its end."""
        if self._master >= 0:
            asyncio.get_running_loop().remove_reader(self._master)
            os.close(self._master)
            self._master = -1

    async def stop(self) -> None:
        self.unplug()
        if self._slave >= 0:
            os.close(self._slave)
            self._slave = -1


class _Line(asyncio.Protocol):
    def __init__(self, bus: "TcpBus") -> None:
        self.bus = bus

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self.bus.accepted += 1
        # A gateway passes what comes from the bus to whoever is connected now: a late reply, too.
        self.bus.lines.append(transport)

    def data_received(self, data: bytes) -> None:
        self.bus.peer.feed(data)

    def connection_lost(self, exc: Exception | None) -> None:
        self.bus.lines = [line for line in self.bus.lines if not line.is_closing()]


class TcpBus:
    """A bus behind a gateway that passes bytes through unseen."""

    transport = Transport.RTU_OVER_TCP

    def __init__(self, peer: SerialPeer) -> None:
        self.peer = peer
        self.lines: list[asyncio.Transport] = []
        self.accepted = 0
        self._server: asyncio.Server | None = None

    async def start(self) -> None:
        loop = asyncio.get_running_loop()
        self._server = await loop.create_server(lambda: _Line(self), "127.0.0.1", 0)
        self.peer.sink = self._write

    def spec(self, name: str = "feeder", **changes: object) -> DeviceSpec:
        assert self._server is not None
        port = self._server.sockets[0].getsockname()[1]
        return device_spec(name, port=port, transport=Transport.RTU_OVER_TCP, **changes)

    def _write(self, data: bytes) -> None:
        if self.lines and not self.lines[-1].is_closing():
            self.lines[-1].write(data)

    def unplug(self) -> None:
        for line in self.lines:
            line.abort()

    async def stop(self) -> None:
        if self._server is not None:
            self._server.close()
        self.unplug()
        for _ in range(5):
            turn = asyncio.get_running_loop().create_future()
            asyncio.get_running_loop().call_soon(turn.set_result, None)
            await turn
