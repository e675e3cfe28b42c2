"""What every protocol promises alike through ports.FieldLink: Modbus TCP, a serial bus, OPC UA.

A link is used here as poller, writer and stop use it: a value is read with all that belongs to it, and read back as the
device holds it. What only one protocol has is in its own tests.
"""

import asyncio
import signal
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from dataclasses import dataclass

import pytest

from crumbmeter.adapters.field_links import FieldLinkMaker
from crumbmeter.field.opcua import read_back
from crumbmeter.field.spec import DeviceSpec, RegisterSpec, Table, WordType
from crumbmeter.field.words import encode_raw
from crumbmeter.model.faults import DeviceExceptionError, ReconnectError, RetryLaterError
from crumbmeter.ports import FieldLink
from tests import raw_modbus as raw
from tests.fakes import device_spec
from tests.opcua_server import ServerProcess, opcua_spec, registers, served
from tests.raw_modbus import RawServer
from tests.serial_peers import PtyBus, SerialPeer, crc

NODES = {
    "Speed": {"kind": "UInt16", "value": 0, "writable": True},
    "Rate": {"kind": "Float", "value": 0.0, "writable": True},
}


@dataclass
class World:
    """A device behind one protocol, as a test sees it."""

    spec: DeviceSpec
    speed: RegisterSpec
    """A whole number of 16 bits."""
    rate: RegisterSpec
    """A float of 32 bits."""
    put: Callable[[RegisterSpec, float], None]
    refuse_writes: Callable[[], None]
    fall_silent: Callable[[], None]
    vanish: Callable[[], Awaitable[None]]

    def link(self) -> FieldLink:
        """Make a link over a new connection."""
        (link,) = FieldLinkMaker([self.spec])([self.spec])
        return link


async def held(link: FieldLink, register: RegisterSpec) -> tuple[int, ...]:
    """Read a register with what belongs to it, and return its own words."""
    span = register.span
    words = await link.read(register.table, span.first, span.end - span.first)
    return read_back(register, words, register.address - span.first)


@pytest.fixture(scope="module")
def opcua() -> Iterator[ServerProcess]:
    """Run one OPC UA server for all; who kills it starts it again."""
    with served(NODES) as server:
        yield server


async def _over_tcp() -> AsyncIterator[World]:
    server = RawServer()
    await server.start()
    speed, rate = RegisterSpec(Table.HOLDING, 5, WordType.U16), RegisterSpec(Table.HOLDING, 10, WordType.F32)

    def put(register: RegisterSpec, value: float) -> None:
        words = encode_raw(register, value)
        server.words[1, 3][register.address : register.address + len(words)] = words

    def always(fault: raw.Fault) -> None:
        server.always = fault

    yield World(
        device_spec(port=server.port, timeout_s=0.3), speed, rate, put,
        refuse_writes=lambda: always(raw.exception(2)), fall_silent=lambda: always(raw.hang), vanish=server.stop,
    )  # fmt: skip
    await server.stop()


async def _over_serial() -> AsyncIterator[World]:
    peer = SerialPeer()
    bus = PtyBus(peer)
    await bus.start()
    speed, rate = RegisterSpec(Table.HOLDING, 5, WordType.U16), RegisterSpec(Table.HOLDING, 10, WordType.F32)

    def put(register: RegisterSpec, value: float) -> None:
        for place, word in enumerate(encode_raw(register, value)):
            peer.words[1, register.address + place] = word

    def refuse(peer: SerialPeer, request: bytes, right: bytes) -> None:
        body = bytes([request[0], request[1] | 0x80, 2])
        peer.sink(body + crc(body))

    def always(fault: Callable[[SerialPeer, bytes, bytes], None]) -> None:
        peer.always = fault

    async def vanish() -> None:
        await bus.stop()

    yield World(
        bus.spec(timeout_s=0.1, worst_response_s=0.1), speed, rate, put,
        refuse_writes=lambda: always(refuse), fall_silent=lambda: always(lambda peer, request, right: None),
        vanish=vanish,
    )  # fmt: skip
    await bus.stop()


async def _over_opcua(server: ServerProcess) -> AsyncIterator[World]:
    speed, rate = registers(("Speed", "uint16"), ("Rate", "float"))
    names = {speed.address: "Speed", rate.address: "Rate"}

    def lock() -> None:
        server.do("lock", locked=True)

    async def vanish() -> None:
        server.stop()

    yield World(
        opcua_spec(server, (speed, rate), timeout_s=0.3), speed, rate,
        put=lambda register, value: server.put(names[register.address], value),
        refuse_writes=lock,
        fall_silent=lambda: server.send(signal.SIGSTOP),
        vanish=vanish,
    )  # fmt: skip
    server.revive()


@pytest.fixture(params=["tcp", "serial", "opcua"])
async def world(request: pytest.FixtureRequest) -> AsyncIterator[World]:
    if request.param == "opcua":
        worlds = _over_opcua(request.getfixturevalue("opcua"))
    else:
        worlds = _over_tcp() if request.param == "tcp" else _over_serial()
    async for one in worlds:
        yield one


async def test_what_the_device_holds_is_read(world: World) -> None:
    link = world.link()
    await link.connect()
    world.put(world.speed, 1234)
    world.put(world.rate, 2.5)
    assert await held(link, world.speed) == (1234,)
    assert await held(link, world.rate) == (0x4020, 0)
    await link.close()


async def test_a_write_is_in_the_device_when_it_returns(world: World) -> None:
    link = world.link()
    await link.connect()
    await link.get_ready()
    await link.write(world.speed, (4321,))
    await link.write(world.rate, (0x4049, 0x0FDB))
    await link.close()
    again = world.link()
    await again.connect()
    assert await held(again, world.speed) == (4321,)
    assert await held(again, world.rate) == (0x4049, 0x0FDB)
    await again.close()


async def test_a_write_that_the_device_refuses_says_so_and_leaves_the_link_sound(world: World) -> None:
    link = world.link()
    await link.connect()
    world.put(world.speed, 7)
    world.refuse_writes()
    for _ in range(2):
        with pytest.raises(DeviceExceptionError) as refused:
            await link.write(world.speed, (8,))
        assert refused.value.code
    await link.close()


async def test_silence_ends_with_retry_later_and_the_link_is_done_with(world: World) -> None:
    link = world.link()
    await link.connect()
    await held(link, world.speed)
    world.fall_silent()
    with pytest.raises(RetryLaterError) as silent:
        await held(link, world.speed)
    if not silent.value.link_sound:
        with pytest.raises(ReconnectError):
            await held(link, world.speed)
    await link.close()


async def test_a_peer_that_is_gone_asks_for_a_new_link(world: World) -> None:
    link = world.link()
    await link.connect()
    await world.vanish()
    with pytest.raises((ReconnectError, RetryLaterError)):
        await held(link, world.speed)
    await link.close()
    another = world.link()
    with pytest.raises(ReconnectError):
        await another.connect()
    await another.close()


async def test_an_unopened_or_closed_link_is_no_link(world: World) -> None:
    link = world.link()
    with pytest.raises(ReconnectError):
        await held(link, world.speed)
    await link.connect()
    await link.close()
    await link.close()
    with pytest.raises(ReconnectError):
        await link.write(world.speed, (1,))


async def test_an_abandoned_request_ends_the_link_or_leaves_it_sound(world: World) -> None:
    link = world.link()
    await link.connect()
    world.put(world.speed, 99)
    world.fall_silent()
    with pytest.raises(TimeoutError):
        async with asyncio.timeout(0.02):
            await held(link, world.speed)
    with pytest.raises((ReconnectError, RetryLaterError)):
        await held(link, world.speed)
    await link.close()
