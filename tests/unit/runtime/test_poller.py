"""The read loop of a device on virtual time: deadlines, outcomes, and how it treats a device that does not answer."""

import asyncio
from collections.abc import AsyncIterator
from random import Random

import pytest

from crumbmeter.field.spec import BlockSpec, Table
from crumbmeter.model.image import RawBlock, ReadOutcome
from crumbmeter.runtime.buffer import InputBuffer
from crumbmeter.runtime.link import make_lines
from crumbmeter.runtime.poller import DevicePoller
from crumbmeter.runtime.tally import DeviceTally
from tests.fakes import FakeClock, FakeDevice, FakeField, Reports, device_spec

BLOCKS = [BlockSpec(0, Table.INPUT, 0, 2, 0.2), BlockSpec(0, Table.HOLDING, 5, 1, 1.0)]


class Bench:
    def __init__(self, **changes: object) -> None:
        self.clock = FakeClock()
        self.device = FakeDevice()
        self.device.put(Table.INPUT, 0, (1, 2))
        self.device.put(Table.HOLDING, 5, (9,))
        self.reports = Reports()
        self.buffer = InputBuffer(blocks=2, outputs=0)
        self.tally = DeviceTally()
        (self.line,) = make_lines(
            [device_spec(**changes)],  # type: ignore[arg-type]
            FakeField(feeder=self.device),
            self.clock,
            Random(1).random,
            Reports(),
        )
        self.poller = DevicePoller(
            self.line, list(enumerate(BLOCKS)), self.buffer, self.clock, self.reports, self.tally
        )

    @property
    def blocks(self) -> tuple[RawBlock, ...]:
        return self.buffer.latch(self.clock.now_s()).blocks


@pytest.fixture
async def bench() -> AsyncIterator[Bench]:
    bench = Bench()
    async with asyncio.TaskGroup() as group:
        tasks = [group.create_task(bench.line.endpoint.keep()), group.create_task(bench.poller.run())]
        yield bench
        for task in tasks:
            task.cancel()


async def test_each_block_is_read_at_its_period(bench: Bench) -> None:
    await bench.clock.advance(0.2)
    bench.tally.reads.clear()
    await bench.clock.advance(10.0)
    # 50 rounds of the fast block and 10 of the slow one.
    assert bench.tally.reads[ReadOutcome.OK] == pytest.approx(60, abs=1)
    assert bench.tally.skipped == 0
    assert [block.words for block in bench.blocks] == [(1, 2), (9,)]


async def test_words_carry_the_time_of_their_reply(bench: Bench) -> None:
    await bench.clock.advance(1.05)
    fast, slow = bench.blocks
    assert fast.received_s == pytest.approx(1001.0)
    assert slow.received_s == pytest.approx(1001.0)
    bench.device.put(Table.INPUT, 0, (3, 4))
    await bench.clock.advance(0.1)
    assert bench.blocks[0].words == (1, 2)
    await bench.clock.advance(0.1)
    assert bench.blocks[0].words == (3, 4)


async def test_what_is_due_during_a_slow_exchange_is_skipped_and_counted(bench: Bench) -> None:
    await bench.clock.advance(1.1)
    bench.device.gate = asyncio.Event()
    before = bench.tally.reads[ReadOutcome.OK]
    await bench.clock.advance(2.0)
    assert bench.tally.reads[ReadOutcome.OK] == before
    bench.device.gate.set()
    await bench.clock.advance(0.0)
    assert bench.tally.skipped >= 8
    assert bench.tally.longest_pass_s >= 1.8
    # On the old deadlines again, not shifted by the delay.
    await bench.clock.advance(0.35)
    assert (bench.blocks[0].received_s - 1000.0) % 0.2 == pytest.approx(0.0, abs=1e-6) or (
        bench.blocks[0].received_s - 1000.0
    ) % 0.2 == pytest.approx(0.2, abs=1e-6)


async def test_an_exception_marks_its_block_alone(bench: Bench) -> None:
    await bench.clock.advance(1.05)
    bench.device.exception_code = 4
    await bench.clock.advance(0.2)
    assert bench.blocks[0] == RawBlock((1, 2), pytest.approx(1001.0), ReadOutcome.EXCEPTION, 4)  # type: ignore[arg-type]
    assert bench.blocks[1].outcome is ReadOutcome.OK
    await bench.clock.advance(2.0)
    assert bench.reports.names == ["read_refused", "read_refused"]
    bench.device.exception_code = 0
    await bench.clock.advance(1.2)
    assert bench.reports.names == ["read_refused"] * 2 + ["read_accepted"] * 2
    assert bench.tally.exceptions[4] >= 10


async def test_a_silent_device_is_probed_less_and_less_and_comes_back(bench: Bench) -> None:
    await bench.clock.advance(1.05)
    bench.device.silent = True
    await bench.clock.advance(3.0)
    assert {block.outcome for block in bench.blocks} == {ReadOutcome.TIMEOUT}
    assert [block.words for block in bench.blocks] == [(1, 2), (9,)]
    await bench.clock.advance(60.0)
    probes = bench.device.reads
    await bench.clock.advance(60.0)
    assert 60 / 10 <= bench.device.reads - probes <= 60 / 4 + 2
    assert bench.reports.names == ["device_lost"]
    bench.device.silent = False
    # Within the back-off's cap and a poll (the link and the device wait at the same time, not one after the other).
    await bench.clock.advance(8.0 + 8.0 + 0.2)
    assert bench.reports.names == ["device_lost", "device_back"]
    assert bench.reports.events[1].get("lost_s") == pytest.approx(123.0 + 8.0, abs=8.5)
    assert {block.outcome for block in bench.blocks} == {ReadOutcome.OK}


async def test_one_lost_reply_costs_one_poll(bench: Bench) -> None:
    await bench.clock.advance(10.05)
    bench.device.silent = True
    await bench.clock.advance(0.2)
    bench.device.silent = False
    outcomes = [bench.blocks[0].outcome]
    await bench.clock.advance(0.2)
    assert [*outcomes, bench.blocks[0].outcome] == [ReadOutcome.TIMEOUT, ReadOutcome.OK]


async def test_no_connection_is_an_outcome_of_its_own() -> None:
    bench = Bench()
    bench.device.reachable = False
    async with asyncio.TaskGroup() as group:
        tasks = [group.create_task(bench.line.endpoint.keep()), group.create_task(bench.poller.run())]
        await bench.clock.advance(2.0)
        assert {block.outcome for block in bench.blocks} == {ReadOutcome.NO_CONNECTION}
        assert all(block.words is None for block in bench.blocks)
        assert bench.reports.names == ["device_lost"]
        for task in tasks:
            task.cancel()


async def test_a_retry_gets_the_value_in_the_same_round() -> None:
    bench = Bench(read_retries=1)
    await bench.line.endpoint.revive()
    async with asyncio.TaskGroup() as group:
        task = group.create_task(bench.poller.run())
        await bench.clock.advance(5.05)
        links = bench.line.endpoint._links
        await links[0].close()  # the peer closed it while idle
        before = bench.tally.reads[ReadOutcome.OK]
        await bench.clock.advance(0.2)
        assert bench.tally.reads[ReadOutcome.OK] == before + 1
        assert sum(bench.tally.reads.values()) == bench.tally.reads[ReadOutcome.OK]
        assert bench.line.endpoint.generation == 2
        task.cancel()


async def test_a_block_that_is_withheld_keeps_no_other_from_being_read() -> None:
    bench = Bench(read_retries=1)
    await bench.line.endpoint.revive()
    async with asyncio.TaskGroup() as group:
        task = group.create_task(bench.poller.run())
        await bench.clock.advance(5.05)
        bench.device.withheld = {0}
        before, asked = bench.tally.reads.copy(), bench.device.reads
        await bench.clock.advance(2.0)
        assert bench.tally.reads[ReadOutcome.OK] == before[ReadOutcome.OK] + 2
        assert bench.tally.reads.total() == bench.tally.reads[ReadOutcome.OK], "nothing was sent, so nothing failed"
        assert bench.blocks[0].received_s < bench.clock.now_s() - 1.9, "its age tells"
        assert bench.device.reads - asked == 12, "what is withheld is not tried again at once"
        assert bench.reports.names == []
        assert bench.line.endpoint.generation == 1
        task.cancel()


async def test_an_hour_counts_every_poll_once(bench: Bench) -> None:
    rng = Random(7)
    for _ in range(360):
        bench.device.silent = rng.random() < 0.05
        bench.device.exception_code = 6 if rng.random() < 0.1 else 0
        await bench.clock.advance(10.0)
    polled = sum(bench.tally.reads.values()) + bench.tally.skipped
    # 5 + 1 a second; at the last moment one round may be under way or missed.
    assert polled == pytest.approx(6 * 3600, abs=120)
