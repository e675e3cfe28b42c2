"""A Modbus TCP server of bytes alone, for tests: it shares no code with the daemon nor with any library.

It answers rightly unless a fault is scripted for the next request; it keeps what it received, so that a test can say
what was on the wire. No tasks: one protocol object per connection.
"""

import asyncio
import contextlib
import socket
import struct
from collections import deque
from collections.abc import Callable

Fault = Callable[["Connection", bytes, bytes], None]
"""Gets the connection, the request and the right reply (both whole frames), and does something else."""


class Connection(asyncio.Protocol):
    def __init__(self, server: "RawServer") -> None:
        self.server = server
        self._buffer = b""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self.transport = transport
        self.server.connections.add(self)
        self.server.accepted += 1
        if self.server.banner:
            transport.write(self.server.banner)
        if self.server.hang_up_on_accept:
            self.reset()
        self.server.moved()

    def connection_lost(self, exc: Exception | None) -> None:
        self.server.connections.discard(self)
        self.server.moved()

    def data_received(self, data: bytes) -> None:
        self._buffer += data
        while len(self._buffer) >= 6:
            end = 6 + int.from_bytes(self._buffer[4:6], "big")
            if len(self._buffer) < end:
                return
            request, self._buffer = self._buffer[:end], self._buffer[end:]
            self._answer(request)

    def _answer(self, request: bytes) -> None:
        self.server.frames.append(request)
        reply = request[:4] + struct.pack(">H", 0) + request[6:7] + self.server.reply(request[6], request[7:])
        reply = reply[:4] + struct.pack(">H", len(reply) - 6) + reply[6:]
        fault = self.server.script.popleft() if self.server.script else self.server.always
        if fault is None:
            self.transport.write(reply)
        else:
            fault(self, request, reply)
        self.server.moved()

    def reset(self) -> None:
        sock = self.transport.get_extra_info("socket")
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        self.transport.abort()


class RawServer:
    """Coils, discrete inputs, input and holding registers per unit, 256 of each."""

    def __init__(self, units: tuple[int, ...] = (1,)) -> None:
        self.units = units
        self.bits = {(unit, code): [0] * 256 for unit in units for code in (1, 2)}
        self.words = {(unit, code): [0] * 256 for unit in units for code in (3, 4)}
        self.frames: list[bytes] = []
        self.connections: set[Connection] = set()
        self.accepted = 0
        self.banner = b""
        self.hang_up_on_accept = False
        self.script: deque[Fault] = deque()
        self.always: Fault | None = None
        self.canned: dict[bytes, bytes] = {}
        """Reply PDU by request PDU, before anything else."""
        self.port = 0
        self._news = asyncio.Event()
        self._server: asyncio.Server | None = None

    @property
    def codes(self) -> list[int]:
        """Function codes in the order of their coming."""
        return [frame[7] for frame in self.frames]

    async def start(self, port: int = 0) -> None:
        loop = asyncio.get_running_loop()
        self._server = await loop.create_server(lambda: Connection(self), "127.0.0.1", port or self.port)
        self.port = self._server.sockets[0].getsockname()[1]

    async def stop(self) -> None:
        if self._server is not None:
            self._server.close()
            self._server = None
        for connection in tuple(self.connections):
            connection.transport.abort()
        await self.until(lambda: not self.connections)

    def moved(self) -> None:
        self._news.set()
        self._news = asyncio.Event()

    async def until(self, condition: Callable[[], bool], within_s: float = 5.0) -> None:
        """Wait for something that happens at this server."""
        async with asyncio.timeout(within_s):
            while not condition():
                await self._news.wait()

    def reply(self, unit: int, pdu: bytes) -> bytes:
        if pdu in self.canned:
            return self.canned[pdu]
        code, address, count = struct.unpack_from(">BHH", pdu)
        if code in (1, 2):
            return self._bits_reply(code, self.bits[unit, code][address : address + count])
        if code in (3, 4):
            words = self.words[unit, code][address : address + count]
            return struct.pack(f">BB{count}H", code, 2 * count, *words)
        if code == 5:
            self.bits[unit, 1][address] = 1 if count else 0
        elif code == 6:
            self.words[unit, 3][address] = count
        elif code == 15:
            whole = int.from_bytes(pdu[6:], "little")
            self.bits[unit, 1][address : address + count] = [(whole >> n) & 1 for n in range(count)]
        elif code == 16:
            self.words[unit, 3][address : address + count] = struct.unpack_from(f">{count}H", pdu, 6)
        else:
            return bytes([code | 0x80, 1])
        return pdu[:5]

    @staticmethod
    def _bits_reply(code: int, bits: list[int]) -> bytes:
        whole = sum(bit << position for position, bit in enumerate(bits))
        data = whole.to_bytes((len(bits) + 7) // 8, "little")
        return bytes([code, len(data)]) + data


def _length(frame: bytes) -> bytes:
    return frame[:4] + struct.pack(">H", len(frame) - 6) + frame[6:]


def reply_rightly(connection: Connection, request: bytes, reply: bytes) -> None:
    connection.transport.write(reply)


def short_reply(connection: Connection, request: bytes, reply: bytes) -> None:
    """One word less than asked, with a byte count and a length that agree with each other."""
    cut = reply[:8] + bytes([reply[8] - 2]) + reply[9:-2]
    connection.transport.write(_length(cut))


def long_reply(connection: Connection, request: bytes, reply: bytes) -> None:
    connection.transport.write(_length(reply[:8] + bytes([reply[8] + 2]) + reply[9:] + b"\x12\x34"))


def wrong_function(connection: Connection, request: bytes, reply: bytes) -> None:
    connection.transport.write(reply[:7] + bytes([7 - reply[7]]) + reply[8:])


def wrong_unit(connection: Connection, request: bytes, reply: bytes) -> None:
    connection.transport.write(reply[:6] + bytes([reply[6] + 1]) + reply[7:])


def wrong_transaction(connection: Connection, request: bytes, reply: bytes) -> None:
    connection.transport.write(struct.pack(">H", int.from_bytes(reply[:2], "big") - 1 & 0xFFFF) + reply[2:])


def transaction_zero(connection: Connection, request: bytes, reply: bytes) -> None:
    connection.transport.write(b"\x00\x00" + reply[2:])


def wrong_protocol(connection: Connection, request: bytes, reply: bytes) -> None:
    connection.transport.write(reply[:2] + b"\x00\x01" + reply[4:])


def byte_count_lies(connection: Connection, request: bytes, reply: bytes) -> None:
    connection.transport.write(reply[:8] + bytes([reply[8] - 2]) + reply[9:])


def length_lies(connection: Connection, request: bytes, reply: bytes) -> None:
    connection.transport.write(reply[:4] + struct.pack(">H", len(reply) - 6 - 2) + reply[6:])


def huge_length(connection: Connection, request: bytes, reply: bytes) -> None:
    connection.transport.write(reply[:4] + b"\x7f\xff" + reply[6:])


def trailing_bytes(connection: Connection, request: bytes, reply: bytes) -> None:
    connection.transport.write(reply + b"\x00")


def duplicate(connection: Connection, request: bytes, reply: bytes) -> None:
    connection.transport.write(reply + reply)


def garbage(connection: Connection, request: bytes, reply: bytes) -> None:
    connection.transport.write(b"HTTP/1.1 400 Bad Request\r\n\r\n")


def bad_exception(connection: Connection, request: bytes, reply: bytes) -> None:
    connection.transport.write(_length(reply[:7] + bytes([reply[7] | 0x80])))


def truncated(connection: Connection, request: bytes, reply: bytes) -> None:
    connection.transport.write(reply[:-1])


def hang(connection: Connection, request: bytes, reply: bytes) -> None:
    """Say nothing."""


def close(connection: Connection, request: bytes, reply: bytes) -> None:
    connection.transport.close()


def reset(connection: Connection, request: bytes, reply: bytes) -> None:
    connection.reset()


def other_echo(connection: Connection, request: bytes, reply: bytes) -> None:
    """Echo of a write with another value (or count) in it."""
    connection.transport.write(reply[:-1] + bytes([reply[-1] ^ 1]))


def other_echo_address(connection: Connection, request: bytes, reply: bytes) -> None:
    connection.transport.write(reply[:9] + bytes([reply[9] ^ 1]) + reply[10:])


def split(connection: Connection, request: bytes, reply: bytes) -> None:
    """The right reply, a byte at a time."""
    sock = connection.transport.get_extra_info("socket")
    sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    loop = asyncio.get_running_loop()
    for position in range(len(reply)):
        loop.call_later(0.0005 * position, connection.transport.write, reply[position : position + 1])


def late(after_s: float) -> Fault:
    """The right reply, too late; nothing where the connection is gone by then."""

    def fault(connection: Connection, request: bytes, reply: bytes) -> None:
        def send() -> None:
            with contextlib.suppress(OSError):
                if not connection.transport.is_closing():
                    connection.transport.write(reply)

        asyncio.get_running_loop().call_later(after_s, send)

    return fault


def exception(code: int) -> Fault:
    def fault(connection: Connection, request: bytes, reply: bytes) -> None:
        connection.transport.write(_length(reply[:7] + bytes([request[7] | 0x80, code])))

    return fault
