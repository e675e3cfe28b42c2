"""A serial bus, over a pseudo-terminal pair and behind a TCP gateway: the same three ends as over TCP, and silence.

A reply has no transaction id here. What the bytes cannot tell apart is kept apart by time (lessons 2, 40, 51, 52).
"""

import asyncio
import itertools
from collections.abc import AsyncIterator, Awaitable, Callable
from dataclasses import replace
from pathlib import Path

import pytest

from crumbmeter.adapters.modbus import LinkMaker, ModbusLink, make_links, silence_library
from crumbmeter.field.spec import DeviceSpec, RegisterSpec, Table, WordType
from crumbmeter.model.faults import BadReplyError, BugError, DeviceExceptionError, ReconnectError, RetryLaterError
from tests.serial_peers import Fault, PtyBus, SerialPeer, TcpBus, crc, word_at


@pytest.fixture(autouse=True)
def quiet_library() -> None:
    """Keep the library's hex dumps out of the report; at import time it would reach other modules' tests too."""
    silence_library()


SPEED = RegisterSpec(Table.HOLDING, 5, WordType.U16)
RATE = RegisterSpec(Table.HOLDING, 10, WordType.F32)
GUARD_S = 0.06
Bus = PtyBus | TcpBus


def with_crc(body: bytes) -> bytes:
    return body + crc(body)


def silent(peer: SerialPeer, request: bytes, right: bytes) -> None:
    """Say nothing."""


def wrong_crc(peer: SerialPeer, request: bytes, right: bytes) -> None:
    peer.sink(right[:-1] + bytes([right[-1] ^ 1]))


def wrong_unit(peer: SerialPeer, request: bytes, right: bytes) -> None:
    peer.sink(with_crc(bytes([right[0] ^ 2]) + right[1:-2]))


def wrong_function(peer: SerialPeer, request: bytes, right: bytes) -> None:
    peer.sink(with_crc(right[:1] + bytes([7 - right[1]]) + right[2:-2]))


def short_reply(peer: SerialPeer, request: bytes, right: bytes) -> None:
    peer.sink(with_crc(right[:2] + bytes([right[2] - 2]) + right[3:-4]))


def byte_count_lies(peer: SerialPeer, request: bytes, right: bytes) -> None:
    peer.sink(with_crc(right[:2] + bytes([right[2] - 2]) + right[3:-2]))


def long_reply(peer: SerialPeer, request: bytes, right: bytes) -> None:
    peer.sink(with_crc(right[:2] + bytes([right[2] + 2]) + right[3:-2] + b"\x12\x34"))


def truncated(peer: SerialPeer, request: bytes, right: bytes) -> None:
    peer.sink(right[:-1])


def doubled(peer: SerialPeer, request: bytes, right: bytes) -> None:
    peer.sink(right + right)


def noise_before(peer: SerialPeer, request: bytes, right: bytes) -> None:
    peer.sink(b"\x00\xff" + right)


def echoed(peer: SerialPeer, request: bytes, right: bytes) -> None:
    """Two wires with the receiver left on: our own bytes come back first."""
    peer.sink(request + right)


def second_talker(peer: SerialPeer, request: bytes, right: bytes) -> None:
    """Another master's request and its answer fall between ours."""
    peer.sink(with_crc(bytes([7, 3, 0, 0, 0, 1])) + with_crc(bytes([7, 3, 2, 0, 9])))


def late(after_s: float) -> Fault:
    def fault(peer: SerialPeer, request: bytes, right: bytes) -> None:
        asyncio.get_running_loop().call_later(after_s, lambda: peer.sink(right))

    return fault


def copy_after(after_s: float) -> Fault:
    """The right reply, and the same once more."""

    def fault(peer: SerialPeer, request: bytes, right: bytes) -> None:
        peer.sink(right)
        asyncio.get_running_loop().call_later(after_s, lambda: peer.sink(right))

    return fault


def chunked(size: int, every_s: float) -> Fault:
    def fault(peer: SerialPeer, request: bytes, right: bytes) -> None:
        for number, at in enumerate(range(0, len(right), size)):
            asyncio.get_running_loop().call_later(number * every_s, peer.sink, right[at : at + size])

    return fault


@pytest.fixture(params=[PtyBus, TcpBus], ids=["serial", "over tcp"])
async def bus(request: pytest.FixtureRequest) -> AsyncIterator[Bus]:
    bus: Bus = request.param(SerialPeer((1, 2)))
    await bus.start()
    yield bus
    await bus.stop()


def spec_of(bus: Bus, name: str = "feeder", **changes: object) -> DeviceSpec:
    given: dict[str, object] = {"timeout_s": 0.04, "worst_response_s": GUARD_S, "idle_timeout_s": 0.02, **changes}
    return bus.spec(name, **given)


@pytest.fixture
async def open_link(bus: Bus) -> AsyncIterator[Callable[..., Awaitable[ModbusLink]]]:
    links: list[ModbusLink] = []

    async def open_one(**changes: object) -> ModbusLink:
        (link,) = make_links([replace(spec_of(bus), **changes)])  # type: ignore[arg-type]
        links.append(link)
        await link.connect()
        return link

    yield open_one
    for link in links:
        await link.close()


Opener = Callable[..., Awaitable[ModbusLink]]


async def test_reads_and_writes_by_every_function(bus: Bus, open_link: Opener) -> None:
    link = await open_link()
    assert await link.read(Table.HOLDING, 7, 3) == tuple(word_at(1, 7 + n) for n in range(3))
    assert await link.read(Table.INPUT, 9, 1) == (word_at(1, 9),)
    await link.write(SPEED, (1234,))
    await link.write(RATE, (0x4049, 0x0FDB))
    assert [bus.peer.words[1, at] for at in (5, 10, 11)] == [1234, 0x4049, 0x0FDB]
    await link.write(SPEED, (77,), 16)
    await link.write(SPEED, (0x1200,), 23)
    await link.write(RegisterSpec(Table.HOLDING, 5, WordType.BIT, bit=3), (1,), 22)
    assert bus.peer.words[1, 5] == 0x1208
    await link.write(RegisterSpec(Table.HOLDING, 5, WordType.BIT, bit=9), (0,), 22)
    assert bus.peer.words[1, 5] == 0x1008
    await link.write(SPEED, (4660,), 22)
    assert bus.peer.words[1, 5] == 4660
    assert [request[1] for request in bus.peer.requests] == [3, 4, 6, 16, 16, 23, 22, 22, 22]


async def test_an_exception_says_its_code_and_leaves_the_link_sound(bus: Bus, open_link: Opener) -> None:
    link = await open_link()
    bus.peer.script.append(lambda peer, request, right: peer.sink(with_crc(bytes([1, 0x83, 2]))))
    with pytest.raises(DeviceExceptionError) as refused:
        await link.read(Table.HOLDING, 0, 1)
    assert refused.value.code == 2
    assert await link.read(Table.HOLDING, 0, 1) == (256,)


LIES = [
    wrong_crc, wrong_unit, wrong_function, short_reply, byte_count_lies, long_reply, truncated, doubled, noise_before,
    echoed, second_talker,
]  # fmt: skip


@pytest.mark.parametrize("lie", LIES, ids=lambda lie: lie.__name__)
async def test_a_reply_that_is_not_the_answer_is_refused_and_the_bus_falls_silent(
    bus: Bus, open_link: Opener, lie: Fault
) -> None:
    link = await open_link(timeout_s=0.05)
    bus.peer.script.append(lie)
    loop = asyncio.get_running_loop()
    with pytest.raises(BadReplyError) as refused:
        await link.read(Table.HOLDING, 0, 4)
    assert refused.value.evidence
    failed_s, asked = loop.time(), len(bus.peer.requests)
    if not refused.value.link_sound:
        with pytest.raises(ReconnectError):
            await link.read(Table.HOLDING, 1, 4)
        assert len(bus.peer.requests) == asked
        await link.close()
        link = await open_link()
    assert await link.read(Table.HOLDING, 20, 4) == tuple(word_at(1, 20 + n) for n in range(4))
    assert refused.value.link_sound or loop.time() - failed_s >= GUARD_S


@pytest.mark.parametrize("after_s", [0.045, 0.06, 0.09])
async def test_the_late_reply_of_one_is_never_the_answer_of_another(
    bus: Bus, open_link: Opener, after_s: float
) -> None:
    # Found with the library alone: asked 500..503, got 10..13, no error (same unit, function and length).
    link = await open_link()
    bus.peer.script.append(late(after_s))
    with pytest.raises(RetryLaterError) as silence:
        await link.read(Table.HOLDING, 10, 4)
    if not silence.value.link_sound:
        await link.close()
        link = await open_link()
    assert await link.read(Table.HOLDING, 50, 4) == tuple(word_at(1, 50 + n) for n in range(4))


@pytest.mark.parametrize("after_s", [0.0, 0.005, 0.02, 0.05])
async def test_a_second_copy_is_never_the_answer_of_another(bus: Bus, open_link: Opener, after_s: float) -> None:
    link = await open_link()
    right = 0
    for address in (10, 50, 90, 130, 10, 60):
        bus.peer.script.append(copy_after(after_s))
        try:
            words = await link.read(Table.HOLDING, address, 4)
        except (BadReplyError, ReconnectError) as fault:
            if not fault.link_sound:
                await link.close()
                link = await open_link()
        else:
            assert words == tuple(word_at(1, address + n) for n in range(4))
            right += 1
    assert right >= (0 if after_s == 0.0 else 3)


@pytest.mark.parametrize(("size", "every_s"), [(1, 0.001), (2, 0.008), (4, 0.016)])
async def test_lumps_as_an_adapter_makes_them_are_fine(bus: Bus, open_link: Opener, size: int, every_s: float) -> None:
    link = await open_link(timeout_s=1.0, idle_timeout_s=0.1)
    bus.peer.script.append(chunked(size, every_s))
    assert await link.read(Table.HOLDING, 3, 4) == tuple(word_at(1, 3 + n) for n in range(4))


async def test_the_bus_has_its_silence_between_frames(open_link: Opener) -> None:
    link = await open_link()
    loop = asyncio.get_running_loop()
    times = []
    for _ in range(5):
        await link.read(Table.HOLDING, 0, 1)
        times.append(loop.time())
    assert min(later - earlier for earlier, later in itertools.pairwise(times)) >= 0.00175


async def test_equal_reads_of_one_unit_stand_apart_and_others_do_not_wait(bus: Bus) -> None:
    one, two = make_links([spec_of(bus, "one"), spec_of(bus, "two", unit_id=2)])
    await one.connect()
    loop = asyncio.get_running_loop()
    began_s = loop.time()
    for _ in range(5):
        await one.read(Table.HOLDING, 0, 2)
        await two.read(Table.HOLDING, 7, 2)
        await one.read(Table.HOLDING, 7, 3)
    assert loop.time() - began_s < GUARD_S
    await one.read(Table.HOLDING, 40, 2)
    assert loop.time() - began_s >= GUARD_S
    await one.close()


async def test_bytes_that_nobody_asked_for_are_counted_and_waited_out(bus: Bus) -> None:
    maker = LinkMaker([spec_of(bus)])
    (link,) = maker([spec_of(bus)])
    await link.connect()
    await link.read(Table.HOLDING, 0, 1)
    bus.peer.sink(with_crc(bytes([1, 3, 2, 9, 9])))
    loop = asyncio.get_running_loop()
    began_s = loop.time()
    while not link._shared.framer.buffer:
        await asyncio.wait_for(link._shared.framer.news.wait(), 1.0)
    assert await link.read(Table.HOLDING, 3, 1) == (word_at(1, 3),)
    assert loop.time() - began_s >= GUARD_S
    assert maker.counts["feeder"].unasked_bytes == 7
    await link.close()


async def test_a_bus_that_is_never_silent_is_given_up(bus: Bus, open_link: Opener) -> None:
    link = await open_link()
    loop = asyncio.get_running_loop()
    chatter: list[asyncio.TimerHandle] = []

    def chat() -> None:
        bus.peer.sink(b"\x55")
        chatter[:] = [loop.call_later(0.01, chat)]

    chat()
    try:
        with pytest.raises((ReconnectError, RetryLaterError)) as noise:
            await link.read(Table.HOLDING, 0, 1)
        assert not noise.value.link_sound
    finally:
        chatter[0].cancel()


async def test_a_broadcast_is_a_write_by_opt_in_and_nobody_answers(bus: Bus) -> None:
    (link,) = make_links([spec_of(bus, unit_id=0, broadcast=True)])
    await link.connect()
    await link.write(SPEED, (321,))
    await bus.peer.until(lambda: bool(bus.peer.broadcasts))
    assert [bus.peer.words[unit, 5] for unit in (1, 2)] == [321, 321]
    with pytest.raises(BugError):
        await link.read(Table.HOLDING, 0, 1)
    await link.close()
    (link,) = make_links([spec_of(bus, unit_id=0)])
    await link.connect()
    with pytest.raises(BugError):
        await link.write(SPEED, (1,))
    await link.close()


async def test_an_unplugged_adapter_ends_the_request_at_once(bus: Bus, open_link: Opener) -> None:
    link = await open_link(timeout_s=20.0)
    bus.peer.script.append(lambda peer, request, right: bus.unplug())
    async with asyncio.timeout(2.0):
        with pytest.raises(ReconnectError):
            await link.read(Table.HOLDING, 0, 1)
    with pytest.raises(ReconnectError):
        await link.read(Table.HOLDING, 0, 1)


async def test_an_abandoned_request_ends_the_link(bus: Bus, open_link: Opener) -> None:
    link = await open_link(timeout_s=20.0)
    bus.peer.script.append(silent)
    with pytest.raises(TimeoutError):
        async with asyncio.timeout(0.05):
            await link.read(Table.HOLDING, 0, 1)
    with pytest.raises(ReconnectError, match="abandoned"):
        await link.read(Table.HOLDING, 0, 1)


async def test_units_of_one_bus_outlive_a_dead_one(bus: Bus) -> None:
    maker = LinkMaker([spec_of(bus, "one"), spec_of(bus, "two", unit_id=2)])
    one, two = maker([spec_of(bus, "one"), spec_of(bus, "two", unit_id=2)])
    await one.connect()
    bus.peer.dead.add(2)
    for _ in range(4):
        assert await one.read(Table.HOLDING, 1, 1) == (word_at(1, 1),)
        with pytest.raises(RetryLaterError) as silence:
            await two.read(Table.HOLDING, 1, 1)
        assert silence.value.link_sound
    bus.peer.dead.clear()
    assert await two.read(Table.HOLDING, 1, 1) == (word_at(2, 1),)
    assert (maker.counts["one"].ok, maker.counts["two"].ok, maker.counts["two"].timeouts) == (4, 1, 4)
    assert maker.counts["two"].busy_s >= 4 * (0.04 + GUARD_S)
    await one.close()


async def test_a_port_that_is_not_there_says_so(tmp_path: Path) -> None:
    peer = PtyBus(SerialPeer())
    await peer.start()
    (link,) = make_links([spec_of(peer)])
    (again,) = make_links([spec_of(peer)])
    await link.connect()
    with pytest.raises(ReconnectError, match="another master may hold this device"):
        await again.connect()
    await link.close()
    (gone,) = make_links([replace(spec_of(peer), host=str(tmp_path / "none"))])
    with pytest.raises(ReconnectError, match="plugged in"):
        await gone.connect()
    await peer.stop()
