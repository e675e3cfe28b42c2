"""One endpoint's connection on virtual time: when it connects, what makes it let go, and what it says about it."""

import asyncio
import contextlib
import itertools
from collections.abc import AsyncIterator
from random import Random

import pytest

from crumbmeter.field.spec import RegisterSpec, Table, WordType
from crumbmeter.model.faults import DeviceExceptionError, ReconnectError, RetryLaterError
from crumbmeter.model.image import ReadOutcome
from crumbmeter.runtime.link import DeviceLine, NotConnectedError, make_lines, outcome_of
from tests.fakes import FakeClock, FakeDevice, FakeField, Reports, device_spec, settle

REGISTER = RegisterSpec(Table.HOLDING, 5, WordType.U16)


class Bench:
    """An endpoint with its keeper running."""

    def __init__(self, **changes: object) -> None:
        self.clock = FakeClock()
        self.device = FakeDevice()
        self.reports = Reports()
        specs = [device_spec(**changes)]  # type: ignore[arg-type]
        (self.line,) = make_lines(specs, FakeField(feeder=self.device), self.clock, Random(1).random, self.reports)
        self.endpoint = self.line.endpoint

    async def read(self) -> ReadOutcome:
        try:
            await self.line.read(Table.HOLDING, 0, 1)
        except (DeviceExceptionError, RetryLaterError, ReconnectError) as fault:
            return outcome_of(fault)
        return ReadOutcome.OK


@pytest.fixture
async def bench() -> AsyncIterator[Bench]:
    bench = Bench()
    async with asyncio.TaskGroup() as group:
        keeper = group.create_task(bench.endpoint.keep())
        yield bench
        keeper.cancel()


async def test_connects_at_once_and_says_so_with_the_first_answer(bench: Bench) -> None:
    await settle()
    assert bench.endpoint.up
    assert bench.reports.names == []
    assert await bench.read() is ReadOutcome.OK
    assert bench.reports.names == ["link_up"]


async def test_attempts_never_end_and_never_rush(bench: Bench) -> None:
    bench.device.reachable = False
    assert await bench.read() is ReadOutcome.NO_CONNECTION
    await bench.clock.advance(3600.0)
    # Back-off up to 8 s, with jitter down to the half of it.
    assert 3600 / 8 <= bench.device.connects <= 3600 / 4 + 5
    assert bench.reports.names == ["link_down"]
    bench.device.reachable = True
    await bench.clock.advance(8.0)
    assert bench.endpoint.up
    assert await bench.read() is ReadOutcome.OK
    assert bench.reports.names == ["link_down", "link_up"]


async def test_no_two_attempts_within_a_second(bench: Bench) -> None:
    times: list[float] = []
    bench.device.reachable = False
    await bench.read()
    for _ in range(300):
        before = bench.device.connects
        await bench.clock.advance(0.1)
        times += [bench.clock.now_s()] * (bench.device.connects - before)
    gaps = [later - earlier for earlier, later in itertools.pairwise(times)]
    assert len(gaps) >= 5
    assert min(gaps) > 0.95


async def test_from_one_attempt_to_the_next_is_never_longer_than_the_cap(bench: Bench) -> None:
    # The device accepts, swallows the request and keeps it for two seconds: that is part of the time, not on top of it.
    bench.device.silent = True
    times: list[float] = []
    for _ in range(20):
        while not bench.endpoint.up:
            await bench.clock.advance(0.1)
        times.append(bench.clock.now_s())
        bench.device.gate = asyncio.Event()
        reading = asyncio.ensure_future(bench.read())
        await bench.clock.advance(2.0)
        bench.device.gate.set()
        assert await reading is ReadOutcome.TIMEOUT
    gaps = [later - earlier for earlier, later in itertools.pairwise(times)]
    assert 6.0 < max(gaps) <= 8.0 + 0.1 + 1e-9
    assert min(gaps) >= 2.0 - 1e-9


async def test_a_working_connection_that_breaks_is_back_within_a_second(bench: Bench) -> None:
    await settle()
    await bench.read()
    await bench.clock.advance(10.0)
    bench.device.silent = True
    assert [await bench.read(), bench.endpoint.up] == [ReadOutcome.TIMEOUT, False]
    bench.device.silent = False
    await settle()
    assert [await bench.read(), bench.endpoint.up] == [ReadOutcome.OK, True]
    assert bench.endpoint.tally.connects == 2
    assert bench.reports.names == ["link_up", "link_down", "link_up"]


async def test_a_device_that_accepts_and_hangs_is_left_alone_for_longer_and_longer(bench: Bench) -> None:
    bench.device.silent = True
    for _ in range(3000):
        await bench.clock.advance(0.2)
        await bench.read()
    # Ten minutes: with the longest back-off of 8 s, halved at worst by jitter.
    assert bench.device.connects <= 600 / 4 + 10
    assert bench.reports.names == ["link_down"]


async def test_any_doubt_makes_a_new_link(bench: Bench) -> None:
    await settle()
    first = bench.endpoint._links
    bench.device.silent = True
    await bench.read()
    bench.device.silent = False
    await bench.clock.advance(2.0)
    assert bench.endpoint.up
    assert bench.endpoint._links[0] is not first[0]
    assert bench.endpoint.generation == 2


async def test_an_exception_keeps_the_connection(bench: Bench) -> None:
    await settle()
    bench.device.exception_code = 2
    assert await bench.read() is ReadOutcome.EXCEPTION
    assert bench.endpoint.up
    assert bench.endpoint.generation == 1


async def test_without_a_connection_nothing_is_sent_and_the_cause_stands(bench: Bench) -> None:
    await settle()
    await bench.read()
    bench.device.silent = True
    await bench.read()
    asked = bench.device.reads
    with pytest.raises(NotConnectedError) as refused:
        await bench.line.read(Table.HOLDING, 0, 1)
    assert refused.value.outcome is ReadOutcome.TIMEOUT
    assert bench.device.reads == asked


async def test_a_cancelled_exchange_lets_the_connection_go(bench: Bench) -> None:
    await settle()
    bench.device.gate = asyncio.Event()
    async with asyncio.TaskGroup() as group:
        task = group.create_task(bench.line.read(Table.HOLDING, 0, 1))
        await settle()
        task.cancel()
    assert not bench.endpoint.up


async def test_a_waiting_write_goes_before_waiting_reads(bench: Bench) -> None:
    await settle()
    bench.device.gate = asyncio.Event()
    order: list[str] = []

    async def read(line: DeviceLine, name: str) -> None:
        await line.read(Table.HOLDING, 0, 1)
        order.append(name)

    async def write() -> None:
        await bench.line.write(REGISTER, lambda: (7,))
        order.append("write")

    async with asyncio.TaskGroup() as group:
        for name in ("first", "second", "third"):
            group.create_task(read(bench.line, name))
        await settle()
        group.create_task(write())
        await settle()
        bench.device.gate.set()
    assert order == ["first", "write", "second", "third"]


async def test_a_write_takes_what_is_newest_when_its_turn_comes(bench: Bench) -> None:
    await settle()
    bench.device.gate = asyncio.Event()
    newest = [(1,)]
    async with asyncio.TaskGroup() as group:
        group.create_task(bench.line.read(Table.HOLDING, 0, 1))
        await settle()
        group.create_task(bench.line.write(REGISTER, lambda: newest[0]))
        await settle()
        newest[0] = (2,)
        bench.device.gate.set()
    assert bench.device.writes == [(Table.HOLDING, 5, (2,))]


async def test_a_write_that_is_not_due_any_more_sends_nothing(bench: Bench) -> None:
    await settle()
    assert await bench.line.write(REGISTER, lambda: None) is None
    assert bench.device.writes == []
    assert bench.endpoint.up


async def test_the_device_gets_its_silence_between_requests() -> None:
    bench = Bench(request_gap_s=0.05)
    assert await bench.endpoint.revive()
    await bench.read()
    async with asyncio.TaskGroup() as group:
        task = group.create_task(bench.read())
        await bench.clock.advance(0.04)
        assert not task.done()
        await bench.clock.advance(0.02)
        assert task.done()


async def test_a_mistake_inside_an_exchange_does_not_block_the_queue(bench: Bench) -> None:
    await settle()

    def wrong() -> tuple[int, ...] | None:
        raise KeyError("a mistake")

    with pytest.raises(KeyError):
        await bench.line.write(REGISTER, wrong)
    await bench.clock.advance(2.0)
    assert await bench.read() is ReadOutcome.OK


async def test_devices_of_one_endpoint_share_it_and_others_do_not() -> None:
    specs = [device_spec("a", unit_id=1), device_spec("b", port=1503), device_spec("c", unit_id=3)]
    devices = {name: FakeDevice() for name in "abc"}
    for number, name in enumerate("abc"):
        devices[name].put(Table.HOLDING, 0, (number,))
    a, b, c = make_lines(specs, FakeField(**devices), FakeClock(), Random(1).random, Reports())
    assert a.endpoint is c.endpoint
    assert a.endpoint is not b.endpoint
    for line in (a, b):
        assert await line.endpoint.revive()
    assert [await line.read(Table.HOLDING, 0, 1) for line in (a, b, c)] == [(0,), (1,), (2,)]
    with contextlib.suppress(ReconnectError):
        await a.endpoint.close()
    assert not c.endpoint.up
