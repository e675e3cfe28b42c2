"""The contract of ports.FieldLink over the real adapter and over the fake; and, for the real one, every lie of a peer.

The server tests with faults know bytes alone. Whatever comes back, there are three ends only: the right words, a Modbus
exception with its code, or an error after which the link refuses to be used again (REQ-2).
"""

import asyncio
import socket
import time
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from dataclasses import dataclass

import pytest

from crumbmeter.adapters.modbus import make_links, silence_library
from crumbmeter.field.spec import DeviceSpec, RegisterSpec, Table, WordType
from crumbmeter.model.faults import BadReplyError, BugError, DeviceExceptionError, ReconnectError, RetryLaterError
from crumbmeter.ports import FieldLink
from tests import raw_modbus as raw
from tests.fakes import FakeDevice, FakeField, device_spec
from tests.raw_modbus import Fault, RawServer

SPEED = RegisterSpec(Table.HOLDING, 5, WordType.U16)
RATE = RegisterSpec(Table.HOLDING, 10, WordType.F32)
RUN = RegisterSpec(Table.COIL, 3, WordType.BIT)


@pytest.fixture(autouse=True)
def quiet_library() -> None:
    silence_library()


@dataclass
class World:
    """A device as a test sees it, whatever stands behind it."""

    link: FieldLink
    again: Callable[[], FieldLink]
    put: Callable[[Table, int, Sequence[int]], None]
    get: Callable[[Table, int, int], tuple[int, ...]]
    refuse: Callable[[int], None]
    fall_silent: Callable[[], None]
    vanish: Callable[[], Awaitable[None]]


CODES = {Table.COIL: 1, Table.DISCRETE: 2, Table.HOLDING: 3, Table.INPUT: 4}


def _bank(server: RawServer, table: Table) -> list[int]:
    return (server.bits if table.of_bits else server.words)[1, CODES[table]]


def _real(server: RawServer, spec: DeviceSpec) -> World:
    def put(table: Table, address: int, words: Sequence[int]) -> None:
        _bank(server, table)[address : address + len(words)] = words

    def get(table: Table, address: int, count: int) -> tuple[int, ...]:
        return tuple(_bank(server, table)[address : address + count])

    def set_always(fault: Fault) -> None:
        server.always = fault

    return World(
        link=make_links([spec])[0],
        again=lambda: make_links([spec])[0],
        put=put,
        get=get,
        refuse=lambda code: set_always(raw.exception(code)),
        fall_silent=lambda: set_always(raw.hang),
        vanish=server.stop,
    )


def _fake(spec: DeviceSpec) -> World:
    device = FakeDevice()
    field = FakeField(feeder=device)

    def refuse(code: int) -> None:
        device.exception_code = device.write_exception_code = code

    def fall_silent() -> None:
        device.silent = True

    async def vanish() -> None:
        device.reachable = False

    return World(field([spec])[0], lambda: field([spec])[0], device.put, device.get, refuse, fall_silent, vanish)


@pytest.fixture
async def server() -> AsyncIterator[RawServer]:
    server = RawServer()
    await server.start()
    yield server
    await server.stop()


@pytest.fixture(params=["real", "fake"])
async def world(request: pytest.FixtureRequest, server: RawServer) -> AsyncIterator[World]:
    spec = device_spec(port=server.port)
    world = _real(server, spec) if request.param == "real" else _fake(spec)
    yield world
    await world.link.close()


async def test_reads_every_table(world: World) -> None:
    await world.link.connect()
    world.put(Table.HOLDING, 7, (1, 2, 3))
    world.put(Table.INPUT, 7, (4, 65535))
    world.put(Table.COIL, 7, (1, 0, 1))
    world.put(Table.DISCRETE, 7, (0, 1))
    assert await world.link.read(Table.HOLDING, 7, 3) == (1, 2, 3)
    assert await world.link.read(Table.INPUT, 7, 2) == (4, 65535)
    assert await world.link.read(Table.COIL, 7, 3) == (1, 0, 1)
    assert await world.link.read(Table.DISCRETE, 7, 2) == (0, 1)


async def test_a_write_is_in_the_device_when_it_returns(world: World) -> None:
    await world.link.connect()
    await world.link.write(SPEED, (1234,))
    await world.link.write(RATE, (0x4049, 0x0FDB))
    await world.link.write(RUN, (1,))
    assert world.get(Table.HOLDING, 5, 1) == (1234,)
    assert world.get(Table.HOLDING, 10, 2) == (0x4049, 0x0FDB)
    assert world.get(Table.COIL, 3, 1) == (1,)
    assert world.get(Table.COIL, 2, 1) == (0,)


@pytest.mark.parametrize("code", [1, 2, 3, 4, 5, 6, 10, 11])
async def test_an_exception_says_its_code_and_leaves_the_link_sound(world: World, code: int) -> None:
    await world.link.connect()
    world.refuse(code)
    with pytest.raises(DeviceExceptionError) as read:
        await world.link.read(Table.HOLDING, 0, 1)
    with pytest.raises(DeviceExceptionError) as write:
        await world.link.write(SPEED, (1,))
    assert (read.value.code, write.value.code) == (code, code)


async def test_silence_ends_with_retry_later_and_the_link_is_done_with(world: World) -> None:
    await world.link.connect()
    world.fall_silent()
    with pytest.raises(RetryLaterError):
        await world.link.read(Table.HOLDING, 0, 1)
    with pytest.raises(ReconnectError):
        await world.link.read(Table.HOLDING, 0, 1)


async def test_a_peer_that_is_gone_asks_for_a_new_link(world: World) -> None:
    await world.link.connect()
    await world.vanish()
    with pytest.raises(ReconnectError):
        await world.link.read(Table.HOLDING, 0, 1)
    link = world.again()
    with pytest.raises(ReconnectError):
        await link.connect()
    await link.close()


async def test_an_unopened_or_closed_link_is_no_link(world: World) -> None:
    with pytest.raises(ReconnectError):
        await world.link.read(Table.HOLDING, 0, 1)
    link = world.again()
    await link.connect()
    await link.close()
    await link.close()
    with pytest.raises(ReconnectError):
        await link.write(SPEED, (1,))


# From here on: the real adapter against a peer that lies.

LIES = [
    raw.short_reply,
    raw.long_reply,
    raw.wrong_function,
    raw.wrong_unit,
    raw.wrong_transaction,
    raw.transaction_zero,
    raw.wrong_protocol,
    raw.byte_count_lies,
    raw.length_lies,
    raw.huge_length,
    raw.trailing_bytes,
    raw.duplicate,
    raw.garbage,
    raw.bad_exception,
]


@pytest.mark.parametrize("lie", LIES, ids=lambda lie: lie.__name__)
async def test_a_reply_that_is_not_the_answer_is_refused_at_once(server: RawServer, lie: Fault) -> None:
    (link,) = make_links([device_spec(port=server.port, timeout_s=5.0)])
    await link.connect()
    server.words[1, 3][0:4] = [11, 12, 13, 14]
    server.script.append(lie)
    with pytest.raises(BadReplyError) as refused:
        await link.read(Table.HOLDING, 0, 4)
    assert refused.value.evidence
    # The next request finds the link done with, and nothing more is sent on it.
    with pytest.raises(ReconnectError):
        await link.read(Table.HOLDING, 0, 4)
    assert len(server.frames) == 1
    await link.close()
    (link,) = make_links([device_spec(port=server.port)])
    await link.connect()
    assert await link.read(Table.HOLDING, 0, 4) == (11, 12, 13, 14)
    await link.close()


@pytest.mark.parametrize("lie", [raw.other_echo, raw.other_echo_address, raw.wrong_unit, raw.wrong_transaction])
@pytest.mark.parametrize(
    ("register", "words"), [(SPEED, (258,)), (RATE, (1, 2)), (RUN, (1,)), (RUN, (1, 0, 1))], ids=["6", "16", "5", "15"]
)
async def test_an_echo_that_differs_is_no_acknowledgement(
    server: RawServer, lie: Fault, register: RegisterSpec, words: tuple[int, ...]
) -> None:
    (link,) = make_links([device_spec(port=server.port, timeout_s=5.0)])
    await link.connect()
    server.script.append(lie)
    with pytest.raises(BadReplyError):
        await link.write(register, words)
    await link.close()


@pytest.mark.parametrize("fault", [raw.hang, raw.truncated], ids=["hang", "truncated"])
async def test_an_incomplete_reply_ends_at_our_deadline(server: RawServer, fault: Fault) -> None:
    (link,) = make_links([device_spec(port=server.port, timeout_s=0.05)])
    await link.connect()
    server.script.append(fault)
    began_s = time.perf_counter()
    with pytest.raises(RetryLaterError):
        await link.read(Table.HOLDING, 0, 4)
    assert 0.045 < time.perf_counter() - began_s < 0.5
    await link.close()


async def test_a_late_reply_is_never_taken_for_the_next(server: RawServer) -> None:
    server.words[1, 3][0], server.words[1, 3][1] = 100, 200
    (link,) = make_links([device_spec(port=server.port, timeout_s=0.05)])
    await link.connect()
    server.script.append(raw.late(0.1))
    with pytest.raises(RetryLaterError):
        await link.read(Table.HOLDING, 0, 1)
    with pytest.raises(ReconnectError):
        await link.read(Table.HOLDING, 1, 1)
    await link.close()
    (link,) = make_links([device_spec(port=server.port, timeout_s=1.0)])
    await link.connect()
    assert await link.read(Table.HOLDING, 1, 1) == (200,)
    await link.close()


@pytest.mark.parametrize("fault", [raw.close, raw.reset], ids=["FIN", "RST"])
async def test_a_dropped_connection_fails_the_request_at_once(server: RawServer, fault: Fault) -> None:
    (link,) = make_links([device_spec(port=server.port, timeout_s=20.0)])
    await link.connect()
    server.script.append(fault)
    began_s = time.perf_counter()
    with pytest.raises(ReconnectError):
        await link.read(Table.HOLDING, 0, 1)
    assert time.perf_counter() - began_s < 2.0
    await link.close()


async def test_bytes_that_nobody_asked_for_end_the_link(server: RawServer) -> None:
    server.banner = b"SSH-2.0-x\r\n"
    (link,) = make_links([device_spec(port=server.port, timeout_s=0.2)])
    await link.connect()
    with pytest.raises((ReconnectError, RetryLaterError)):
        await link.read(Table.HOLDING, 0, 1)
    await link.close()


async def test_a_reply_in_single_bytes_is_fine(server: RawServer) -> None:
    server.words[1, 4][0:3] = [1, 2, 3]
    (link,) = make_links([device_spec(port=server.port, timeout_s=2.0)])
    await link.connect()
    server.script.append(raw.split)
    assert await link.read(Table.INPUT, 0, 3) == (1, 2, 3)
    assert await link.read(Table.INPUT, 1, 1) == (2,)
    await link.close()


async def test_an_abandoned_request_ends_the_link(server: RawServer) -> None:
    (link,) = make_links([device_spec(port=server.port, timeout_s=20.0)])
    await link.connect()
    server.script.append(raw.hang)
    with pytest.raises(TimeoutError):
        async with asyncio.timeout(0.05):
            await link.read(Table.HOLDING, 0, 1)
    with pytest.raises(ReconnectError, match="abandoned"):
        await link.read(Table.HOLDING, 0, 1)
    await link.close()


async def test_a_cancellation_in_the_moment_of_the_reply_is_not_lost(server: RawServer) -> None:
    (link,) = make_links([device_spec(port=server.port, timeout_s=5.0)])
    await link.connect()
    went_on = False

    async def poll() -> None:
        nonlocal went_on
        await link.read(Table.HOLDING, 0, 1)
        went_on = True

    async with asyncio.TaskGroup() as group:
        task = group.create_task(poll())
        answered = link._shared.client.ctx
        await server.until(lambda: len(server.frames) == 1)
        # The turn of the loop in which the reply has arrived and the one who waits has not run yet.
        answered.response_future.add_done_callback(lambda _: task.cancel())
    assert task.cancelled()
    assert not went_on
    await link.close()


async def test_units_of_one_endpoint_share_one_connection() -> None:
    server = RawServer(units=(1, 2))
    await server.start()
    server.words[1, 3][0], server.words[2, 3][0] = 10, 20
    specs = [device_spec("one", port=server.port, unit_id=1), device_spec("two", port=server.port, unit_id=2)]
    one, two = make_links(specs)
    await one.connect()
    await two.connect()
    assert await one.read(Table.HOLDING, 0, 1) == (10,)
    assert await two.read(Table.HOLDING, 0, 1) == (20,)
    assert server.accepted == 1
    await one.close()
    await server.stop()


async def test_one_connection_cannot_serve_two_endpoints() -> None:
    with pytest.raises(BugError):
        make_links([device_spec(port=1), device_spec(port=2)])


async def test_a_table_that_no_master_writes_is_a_mistake(server: RawServer) -> None:
    (link,) = make_links([device_spec(port=server.port)])
    await link.connect()
    with pytest.raises(BugError):
        await link.write(RegisterSpec(Table.INPUT, 0, WordType.U16), (1,))
    assert server.frames == []
    await link.close()


async def test_the_kernel_watches_the_connection(server: RawServer) -> None:
    (link,) = make_links([device_spec(port=server.port, timeout_s=0.4)])
    await link.connect()
    sock = link._shared.raw_socket()
    assert sock is not None
    assert sock.getsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE) == 1
    assert sock.getsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT) == 800
    await link.close()
