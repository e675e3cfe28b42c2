"""Modbus over the banks: small, exact, and able to misbehave on order. Modbus TCP, RTU over TCP, RTU on a terminal.

One endpoint per port, gateway or serial line; several devices may share one, told apart by their unit id. Requests that
arrive together are answered together, in order. A link that is *dead* has no open port; one that *hangs* takes requests
and never answers. On a bus there is one request at a time, and each takes the time that it takes.
"""

import asyncio
import struct
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from crumbmeter_sim.actions import Link
from crumbmeter_sim.channel import Channel
from crumbmeter_sim.faults.kinds import Framing
from crumbmeter_sim.gate import Gate
from crumbmeter_sim.pdu import exception, is_write
from crumbmeter_sim.rtu import FrameSearch, request_length, seal

_GATEWAY_TARGET_SILENT = 0x0B
_MAX_LENGTH = 254
_BITS_PER_CHARACTER = 11
_SILENCE_S = 0.05
"""[s] An RTU request that has stopped half-way for so long is given up. Generous: masters' bytes come in pieces."""

Respond = Callable[[int, bytes], None]


class Unit(Protocol):
    """Something that answers requests: a bank, or a bank that misbehaves."""

    def answer(self, request: bytes) -> bytes | None:
        """Return the reply; None for silence."""
        ...


@dataclass(slots=True)
class Device:
    """One unit behind an endpoint."""

    unit_id: int
    bank: Unit
    link: Link


@dataclass(frozen=True, slots=True)
class Pace:
    """How long things take on a line that several units share. All zero: nothing takes any time."""

    turnaround_s: float = 0.0
    """[s] From the request's end to the reply's beginning."""
    baud: int = 0
    """Speed of the wire; 0 for none."""
    silent_s: float = 0.0
    """[s] How long a gateway waits for a unit that does not answer."""

    @property
    def is_bus(self) -> bool:
        """Whether one request at a time is on the line."""
        return self.turnaround_s > 0.0 or self.baud > 0 or self.silent_s > 0.0

    def takes_s(self, asked: int, told: int) -> float:
        """[s] Return the time of one exchange.

        Args:
            asked: Bytes of the request's PDU.
            told: Bytes of the reply's PDU; 0 where there is none.
        """
        wire_s = _BITS_PER_CHARACTER * (asked + told + 6) / self.baud if self.baud else 0.0
        return wire_s + (self.turnaround_s if told else self.silent_s)


FREE = Pace()
"""Nothing takes any time."""


class Conversation:
    """One master's connection."""

    def __init__(self, endpoint: "Endpoint", channel: Channel) -> None:
        self._endpoint = endpoint
        self._channel = channel
        self._buffer = b""
        self._search = FrameSearch(request_length)
        self._silence: asyncio.TimerHandle | None = None
        channel.on_data = self._take_tcp if endpoint.framing == "tcp" else self._take_rtu
        channel.on_end = lambda: endpoint.open_conversations.discard(self)

    def drop(self) -> None:
        """Cut the connection."""
        self._endpoint.open_conversations.discard(self)
        if self._silence is not None:
            self._silence.cancel()
        self._channel.reset()

    def _take_tcp(self, data: bytes) -> None:
        self._buffer += data
        while len(self._buffer) >= 8:
            transaction, protocol, length, unit = struct.unpack(">HHHB", self._buffer[:7])
            if protocol != 0 or not 2 <= length <= _MAX_LENGTH:
                self.drop()
                return
            if len(self._buffer) < 6 + length:
                break
            request, self._buffer = self._buffer[7 : 6 + length], self._buffer[6 + length :]
            self._endpoint.ask(unit, request, self._tell_tcp(transaction))

    def _tell_tcp(self, transaction: int) -> Respond:
        def tell(unit: int, reply: bytes) -> None:
            self._channel.write(struct.pack(">HHHB", transaction, 0, len(reply) + 1, unit) + reply)

        return tell

    def _take_rtu(self, data: bytes) -> None:
        if self._silence is not None:
            self._silence.cancel()
            self._silence = None
        self._ask_all(self._search.feed(data))
        if self._search.waiting:
            self._silence = asyncio.get_running_loop().call_later(_SILENCE_S, self._fall_silent)

    def _fall_silent(self) -> None:
        self._silence = None
        self._ask_all(self._search.silence()[0])

    def _ask_all(self, frames: list[bytes]) -> None:
        for frame in frames:
            self._endpoint.ask(frame[0], frame[1:-2], self._tell_rtu)

    def _tell_rtu(self, unit: int, reply: bytes) -> None:
        self._channel.write(seal(bytes((unit,)) + reply))


class Endpoint:
    """One port, gateway or serial line with the devices behind it."""

    def __init__(self, gate: Gate, framing: Framing, before: Callable[[], None], pace: Pace = FREE) -> None:
        self.gate = gate
        self.framing: Framing = framing
        self.pace = pace
        self.devices: list[Device] = []
        self.open_conversations: set[Conversation] = set()
        self.requests = 0
        self._before = before
        self._queue: deque[tuple[int, bytes, Respond]] = deque()
        self._busy: asyncio.TimerHandle | None = None
        gate.on_visitor = lambda channel: self.open_conversations.add(Conversation(self, channel))

    def follow(self) -> None:
        """Open or close the port as the links of its devices demand. A port is dead when all behind it are."""
        alive = any(device.link.mode != "dead" for device in self.devices)
        if not alive:
            self.close()
        elif not self.gate.is_open:
            self.gate.open()

    def close(self) -> None:
        """Close the port and cut every connection."""
        self.gate.close()
        for conversation in list(self.open_conversations):
            conversation.drop()
        self._queue.clear()
        if self._busy is not None:
            self._busy.cancel()
            self._busy = None

    def ask(self, unit: int, request: bytes, respond: Respond) -> None:
        """Take a request; the answer goes to `respond`, now or when the line has done its part."""
        if self.pace.is_bus:
            self._queue.append((unit, request, respond))
            if self._busy is None:
                self._next()
            return
        reply = self.reply(unit, request)
        if reply is None:
            return
        if reply[1] > 0.0:
            asyncio.get_running_loop().call_later(reply[1], respond, unit, reply[0])
        else:
            respond(unit, reply[0])

    def reply(self, unit: int, request: bytes) -> tuple[bytes, float] | None:
        """Return the answer and how late it goes out [s]; None for silence."""
        self._before()
        self.requests += 1
        if unit == 0 and self.framing == "rtu":
            self._broadcast(request)
            return None
        for device in self.devices:
            if device.unit_id == unit:
                told = device.bank.answer(request) if device.link.mode == "up" else None
                return None if told is None else (told, device.link.delay_s)
        return None if self.framing == "rtu" else (exception(request[0], _GATEWAY_TARGET_SILENT), 0.0)

    def _broadcast(self, request: bytes) -> None:
        """Let every unit do a write, and none answer (Modbus over Serial Line v1.02, section 2.1)."""
        if is_write(request):
            for device in self.devices:
                if device.link.mode == "up":
                    device.bank.answer(request)

    def _next(self) -> None:
        if not self._queue:
            self._busy = None
            return
        unit, request, respond = self._queue.popleft()
        reply = self.reply(unit, request)
        told, late_s = (b"", 0.0) if reply is None else reply
        takes_s = self.pace.takes_s(len(request), len(told)) + late_s
        if reply is None and self.framing == "tcp" and self.pace.silent_s > 0.0:
            told = exception(request[0], _GATEWAY_TARGET_SILENT)
        self._busy = asyncio.get_running_loop().call_later(takes_s, self._done, unit, told, respond)

    def _done(self, unit: int, told: bytes, respond: Respond) -> None:
        if told:
            respond(unit, told)
        self._next()
