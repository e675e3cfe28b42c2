"""Thousands of transactions a transport against a peer that lies: no value of another register is ever believed.

Every register encodes unit and address. Now and then the peer delays around the time-out, doubles, swaps the order,
drops, truncates, spoils bits, or lies about unit, function code, byte count or transaction id. All it sends comes
within the worst response time that it promises (lesson 2). Over TCP a stream stays a stream: nothing comes inside a
frame that is sent in pieces, nor after one whose end is lost; inside a frame of Modbus TCP there is no check sum.
"""

import asyncio
import struct
from collections import Counter
from collections.abc import AsyncIterator, Callable
from random import Random

import pytest

from crumbmeter.adapters.modbus import LinkMaker, ModbusLink, silence_library
from crumbmeter.field.spec import DeviceSpec, Table
from crumbmeter.model.faults import CrumbmeterError
from tests import raw_modbus as raw
from tests.fakes import device_spec, turns
from tests.raw_modbus import RawServer
from tests.serial_peers import PtyBus, SerialPeer, TcpBus, crc, word_at

SERIAL_TRANSACTIONS, TCP_TRANSACTIONS = 1_500, 10_000
"""Enough for every kind of lie; on a serial line each lost reply costs its guard.

The ten thousand a transport are in tests/system/test_campaign_small.py, a million by `python -m tests.campaigns`.
"""
UNITS = tuple(range(1, 9))
TIMEOUT_S, GUARD_S, LATEST_S = 0.010, 0.040, 0.025
AT_MOST_S = GUARD_S - 0.005
"""[s] A reply that is older when it would be sent, for the test's own machine was busy, is not sent: a promise that we
break would be no fault found."""
TIMING: dict[str, object] = {
    "timeout_s": TIMEOUT_S, "worst_response_s": GUARD_S, "idle_timeout_s": 0.003, "connect_timeout_s": 2.0,
}  # fmt: skip
FAULTS = (
    "delay", "delay", "double", "double later", "swap", "drop", "truncate", "bit", "unit", "function", "byte count",
    "transaction", "short", "split",
)  # fmt: skip


class Liar:
    """Decides what becomes of a right reply; the same for all transports but for the envelope."""

    def __init__(self, seed: int, *, serial: bool) -> None:
        self.random = Random(seed)
        self.serial = serial
        self.done: Counter[str] = Counter()
        self.held: list[tuple[float, bytes]] = []
        """When it was asked for, and the reply."""
        self.told = ""
        """The newest lie."""
        self.asked_s = 0.0
        """[s] Loop time at which the daemon sent the request in hand."""

    def frame(self, device_id: str, data: bytes, *, sent: bool) -> None:
        """Take the time from the daemon's own trace. Serves ports.FrameTap."""
        if sent:
            self.asked_s = asyncio.get_running_loop().time()

    def answer(self, right: bytes, now: Callable[[bytes], None], late: Callable[[bytes], None]) -> None:
        """Send what becomes of a right reply: by `now`, or later by `late`."""
        loop = asyncio.get_running_loop()

        def send(by: Callable[[bytes], None], data: bytes, asked_s: float) -> None:
            if loop.time() < asked_s + AT_MOST_S:
                by(data)

        if self.held:
            # Alone, so that it has every chance to be taken for the answer.
            asked_s, held = self.held.pop()
            send(now, held, asked_s)
            loop.call_later(0.002, send, late, right, self.asked_s)
            return
        for after_s, data in self.pieces(right):
            if after_s and self.told == "split":
                loop.call_later(after_s, now, data)
            elif after_s:
                loop.call_later(after_s, send, late, data, self.asked_s)
            else:
                send(now, data, self.asked_s)

    def pieces(self, right: bytes) -> list[tuple[float, bytes]]:
        """Return what to send, and how long after the request [s]."""
        fault = self.random.choice(FAULTS) if self.random.random() < 0.04 else ""
        self.done[fault] += 1
        self.told = fault
        delay_s = self.random.uniform(0.0, LATEST_S)
        if fault in ("swap", "double later"):
            # It comes with the next request, before the right reply to that; after the promised time it never comes.
            self.held.append((self.asked_s, right))
            asyncio.get_running_loop().call_later(LATEST_S, self.held.clear)
            return [] if fault == "swap" else [(0.0, right)]
        at = self.random.randrange(1, len(right))
        plain: dict[str, list[tuple[float, bytes]]] = {
            "": [(0.0, right)],
            "drop": [],
            "delay": [(delay_s, right)],
            "double": [(0.0, right), (0.0, right)],
            "truncate": [(0.0, right[:at])],
            "split": [(0.0, right[:at]), (0.001, right[at:])],
        }
        if fault in plain:
            return plain[fault]
        return [(0.0 if self.random.random() < 0.5 else delay_s, self._lie(fault, right))]

    def _lie(self, fault: str, right: bytes) -> bytes:
        if fault == "bit":
            at = self.random.randrange(len(right)) if self.serial else self.random.randrange(9)
            return right[:at] + bytes([right[at] ^ 1 << self.random.randrange(8)]) + right[at + 1 :]
        if fault == "transaction" and not self.serial:
            tid = int.from_bytes(right[:2], "big") + self.random.choice((-1, 1, 2, self.random.randrange(1, 65535)))
            return struct.pack(">H", tid & 0xFFFF) + right[2:]
        body = bytearray(right[:-2] if self.serial else right[6:])
        if fault == "unit":
            body[0] = self.random.choice([unit for unit in UNITS if unit != body[0]])
        elif fault == "function":
            body[1] = self.random.choice((1, 2, 6, 16, 0x83, 7 - body[1]))
        elif fault == "byte count":
            body[2] = self.random.choice((body[2] - 1, body[2] + 2, 0, 255)) & 0xFF
        elif fault == "short" and body[2] > 2:
            body[2] -= 2
            del body[-2:]
        elif fault == "short":
            body.append(0)
        if self.serial:
            return bytes(body) + crc(bytes(body))
        return right[:4] + struct.pack(">H", len(body)) + bytes(body)


class SerialWorld:
    def __init__(self, make: type[PtyBus] | type[TcpBus]) -> None:
        self.bus = make(SerialPeer(UNITS))
        self.liar = Liar(1, serial=True)
        self.bus.peer.always = self._answer

    def _answer(self, peer: SerialPeer, request: bytes, right: bytes) -> None:
        self.liar.answer(right, peer.sink, peer.sink)

    async def start(self) -> None:
        await self.bus.start()

    async def stop(self) -> None:
        await self.bus.stop()

    def spec(self, unit: int) -> DeviceSpec:
        return self.bus.spec(f"u{unit}", unit_id=unit, **TIMING)


class TcpWorld:
    def __init__(self, units: tuple[int, ...]) -> None:
        self.server = RawServer(UNITS)
        for (unit, _), words in self.server.words.items():
            words[:] = [word_at(unit, address) for address in range(256)]
        self.liar = Liar(2 + len(units), serial=False)
        self.newest = b""
        self.begun: set[bytes] = set()
        """Requests to which a reply is under way in pieces."""
        self.waiting: dict[raw.Connection, list[bytes]] = {}
        self.cut: set[raw.Connection] = set()
        self.server.always = self._answer

    def _answer(self, connection: raw.Connection, request: bytes, right: bytes) -> None:
        def write(data: bytes) -> None:
            if not (connection.transport.is_closing() or connection in self.cut):
                connection.transport.write(data)

        def send(data: bytes) -> None:
            waiting = self.waiting.get(connection)
            if waiting is None:
                write(data)
            else:
                waiting.append(data)

        def now(data: bytes) -> None:
            # Of a frame in two pieces: the second lets through what has come in between.
            if request in self.begun:
                self.begun.remove(request)
                for late in (data, *self.waiting.pop(connection, ())):
                    write(late)
            else:
                send(data)

        def send_late(data: bytes) -> None:
            # Every other time as a gateway does that stamps whatever comes with the newest id it was given.
            whole = int.from_bytes(data[4:6], "big") == len(data) - 6
            send(self.newest + data[2:] if whole and self.liar.random.random() < 0.5 else data)

        self.newest = request[:2]
        self.liar.told = ""
        self.liar.answer(right, now, send_late)
        if self.liar.told == "split":
            self.begun.add(request)
            self.waiting.setdefault(connection, [])
        elif self.liar.told == "truncate":
            self.cut.add(connection)

    async def start(self) -> None:
        await self.server.start()

    async def stop(self) -> None:
        await self.server.stop()

    def spec(self, unit: int) -> DeviceSpec:
        return device_spec(f"u{unit}", port=self.server.port, unit_id=unit, **TIMING)


World = SerialWorld | TcpWorld


@pytest.fixture(autouse=True)
def quiet_library() -> None:
    """The library's hex dumps of every lie would fill the report."""
    silence_library()


@pytest.fixture(params=["tcp", "tcp gateway", "rtu", "rtu over tcp"])
async def world(request: pytest.FixtureRequest) -> AsyncIterator[tuple[tuple[int, ...], World]]:
    made: World
    units = UNITS[:1] if request.param == "tcp" else UNITS
    if request.param.startswith("rtu"):
        made = SerialWorld(PtyBus if request.param == "rtu" else TcpBus)
    else:
        made = TcpWorld(units)
    await made.start()
    yield units, made
    await made.stop()


@pytest.mark.slow
async def test_no_value_of_another_register_is_believed(world: tuple[tuple[int, ...], World]) -> None:
    units, peer = world
    random = Random(7)
    specs = [peer.spec(unit) for unit in units]
    maker = LinkMaker(specs, peer.liar)
    links: tuple[ModbusLink, ...] = ()
    ends: Counter[str] = Counter()
    position, table, count, failed = 0, Table.HOLDING, 4, False
    wrong: list[str] = []
    withheld = 0
    transactions = SERIAL_TRANSACTIONS if isinstance(peer, SerialWorld) else TCP_TRANSACTIONS
    while sum(ends.values()) < transactions:
        if not links:
            links = maker(specs)
            try:
                await links[0].connect()
            except CrumbmeterError:
                await links[0].close()
                links = ()
                ends["no connection"] += 1
                continue
        if not failed and random.random() > 0.1:
            position, count = random.randrange(len(units)), random.randrange(1, 13)
            table = random.choice((Table.HOLDING, Table.INPUT))
        # Else the worst that can be asked next: what only address and time tell from the request before.
        address, failed = random.randrange(200), False
        try:
            words = await links[position].read(table, address, count)
        except CrumbmeterError as fault:
            failed = not fault.withheld
            if fault.withheld:
                withheld += 1
                await turns(1)  # what the peer has to send meanwhile is sent
                continue
            ends[type(fault).__name__] += 1
            if not fault.link_sound:
                await links[0].close()
                links = ()
            continue
        ends["ok"] += 1
        if words != tuple(word_at(units[position], address + n) for n in range(count)):
            wrong.append(f"unit {units[position]} {table} {address} x {count}: {words}")
    if links:
        await links[0].close()
    assert not wrong
    assert ends["ok"] > 0.6 * transactions  # a busy machine times some out; how many says nothing
    # Every kind of lie was really told.
    assert set(peer.liar.done) >= set(FAULTS)
    for counts in maker.counts.values():
        ended = counts.ok + counts.timeouts + counts.lost + counts.exceptions.total() + counts.mismatches.total()
        assert counts.sent == ended
    assert sum(counts.withheld for counts in maker.counts.values()) == withheld
