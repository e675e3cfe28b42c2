"""Writes to memory that wears out: on change alone, seldom, counted for life; a stop always goes (lesson 26)."""

import asyncio
from pathlib import Path
from random import Random
from typing import Self

import pytest

from crumbmeter.field.plan import make_plan
from crumbmeter.field.spec import OutputSpec
from crumbmeter.model.events import Event
from crumbmeter.model.image import WriteStage
from crumbmeter.model.outputs import OutputImage, OutputRole
from crumbmeter.runtime.buffer import InputBuffer
from crumbmeter.runtime.clockwatch import ClockWatch
from crumbmeter.runtime.endurance import DAY_S, HOUR_S, WriteBudget, load_counts, save_counts
from crumbmeter.runtime.link import make_lines
from crumbmeter.runtime.poller import DevicePoller
from crumbmeter.runtime.tally import DeviceTally
from crumbmeter.runtime.writelog import WriteOutcome
from crumbmeter.runtime.writer import OutputWriter
from tests.fakes import FakeClock, FakeDevice, FakeField, Reports, device_spec, output

PERIOD_S = 1.0
SPEED = OutputRole.AUGER_SPEED


def durable(max_per_hour: int = 12, max_per_day: int = 100, endurance_writes: int = 0) -> OutputSpec:
    return output(
        "auger_speed", 5, durable=True, high_si=900.0, confirm_within_s=5.0, deadband_counts=2,
        max_per_hour=max_per_hour, max_per_day=max_per_day, endurance_writes=endurance_writes,
    )  # fmt: skip


class Bench:
    """One device with one setpoint in memory that wears out."""

    def __init__(
        self, spec: OutputSpec, counts: dict[str, int] | None = None, device: FakeDevice | None = None
    ) -> None:
        self.clock, self.device, self.reports = FakeClock(), device or FakeDevice(), Reports()
        specs = [device_spec()]
        plan = make_plan(specs, [], [spec])
        self.buffer = InputBuffer(blocks=1, outputs=1)
        self.lines = make_lines(specs, FakeField(feeder=self.device), self.clock, Random(1).random, Reports())
        self.tally = DeviceTally()
        block = plan.blocks[0]
        blocks = [(0, type(block)(block.device, block.table, block.address, block.count, PERIOD_S))]
        self.poller = DevicePoller(self.lines[0], blocks, self.buffer, self.clock, Reports(), self.tally)
        self.writer = OutputWriter(
            self.lines, [spec], plan.outputs, self.buffer, self.clock, expiry_s=2 * PERIOD_S, report=self.reports,
            tallies={0: self.tally}, counts=counts,
        )  # fmt: skip

    async def __aenter__(self) -> Self:
        loop = asyncio.get_running_loop()
        runs = (self.poller.run(), self.writer.run_device(0), self.lines[0].endpoint.keep())
        self.tasks = [loop.create_task(run) for run in runs]
        await self.clock.advance(2.0)
        return self

    async def __aexit__(self, *_: object) -> None:
        for task in self.tasks:
            task.cancel()
        await asyncio.gather(*self.tasks, return_exceptions=True)

    async def scan(self, value: float, *, stop: bool = False, seconds: float = PERIOD_S) -> None:
        image = OutputImage(write_enabled=True, stop_now=stop, values=((SPEED, value),))
        self.writer.post_nowait(image, self.clock.now_s())
        await self.clock.advance(seconds)

    @property
    def values(self) -> list[int]:
        return [words[0] for _, _, words in self.device.writes]

    def stage(self) -> WriteStage:
        return self.buffer.latch(self.clock.now_s()).writes[0].stage


async def test_a_noisy_day_stays_within_the_budget() -> None:
    """24 h of a setpoint that is never still."""
    chance = Random(3)
    async with Bench(durable()) as bench:
        for _ in range(round(DAY_S / 5.0)):
            await bench.scan(chance.uniform(200.0, 400.0), seconds=5.0)
        assert len(bench.values) == 100
        assert bench.writer.budget.lifetime(0) == 100
        hour_s = [written.at_s // HOUR_S for written in bench.writer.log]
        assert max(hour_s.count(hour) for hour in hour_s) <= 13  # an hour by the clock may touch two budgets' hours


@pytest.mark.parametrize("edge", [2.0, 1.4])
async def test_ping_pong_at_the_edge_of_the_deadband_writes_nothing(edge: float) -> None:
    async with Bench(durable()) as bench:
        for turn in range(500):
            await bench.scan(300.0 + (edge if turn % 2 else -edge + 2.0 if edge == 2.0 else 0.0))
        assert len(bench.values) == 1


async def test_a_spent_budget_holds_back_says_so_and_never_stops_a_stop() -> None:
    async with Bench(durable(max_per_hour=3)) as bench:
        for value in (100.0, 200.0, 300.0, 400.0, 500.0, 600.0):
            for _ in range(3):
                await bench.scan(value)
        assert bench.values == [100, 200, 300]
        assert bench.stage() is WriteStage.HELD_BACK
        assert bench.reports.names == ["writes_spent"]
        assert bench.tally.writes_withheld == 1
        for _ in range(20):
            await bench.scan(600.0)
        assert bench.stage() is WriteStage.HELD_BACK  # the device keeps the older value: no failure
        for _ in range(3):
            await bench.scan(0.0)
        assert bench.values[-1] == 0
        assert bench.stage() is WriteStage.CONFIRMED
        await bench.scan(700.0, stop=True)
        assert bench.values[-1] == 700


async def test_after_the_hour_it_is_written_again() -> None:
    async with Bench(durable(max_per_hour=2)) as bench:
        for value in (100.0, 200.0, 300.0):
            await bench.scan(value)
        assert bench.values == [100, 200]
        for _ in range(round(HOUR_S)):
            await bench.scan(300.0)
        assert bench.values == [100, 200, 300]
        assert bench.stage() is WriteStage.CONFIRMED


async def test_a_wish_that_comes_back_to_what_the_device_holds_is_confirmed_again() -> None:
    async with Bench(durable(max_per_hour=1)) as bench:
        for value in (100.0, 100.0, 100.0, 500.0, 500.0):
            await bench.scan(value)
        assert bench.stage() is WriteStage.HELD_BACK
        for _ in range(3):
            await bench.scan(100.0)
        assert bench.stage() is WriteStage.CONFIRMED
        assert bench.values == [100]


async def test_what_the_device_already_holds_is_not_written_again_after_a_new_connection_or_a_restart() -> None:
    device = FakeDevice()
    async with Bench(durable(), device=device) as bench:
        for _ in range(3):
            await bench.scan(300.0)
        device.reachable = False
        for _ in range(5):
            await bench.scan(300.0)
        device.reachable = True
        for _ in range(20):
            await bench.scan(300.0)
        assert bench.values == [300]
        assert bench.stage() is WriteStage.CONFIRMED
    async with Bench(durable(), device=device) as again:
        for _ in range(10):
            await again.scan(300.0)
        assert again.values == [300]
        assert again.stage() is WriteStage.CONFIRMED


async def test_a_device_that_lost_what_it_held_is_written_to() -> None:
    device = FakeDevice()
    async with Bench(durable(), device=device) as bench:
        for _ in range(3):
            await bench.scan(300.0)
        device.reachable = False
        await bench.scan(300.0)
        bench.device.put(bench.writer._outputs[0].register.table, 5, (17,))
        device.reachable = True
        for _ in range(30):
            await bench.scan(300.0)
        assert bench.values == [300, 300]
        assert bench.stage() is WriteStage.CONFIRMED


async def test_wear_is_told_at_half_and_at_four_fifths() -> None:
    spec = durable(endurance_writes=1000, max_per_hour=0, max_per_day=0)
    key = "auger_speed feeder holding 5"
    for lifetime, percent in ((0, 0), (498, 0), (499, 50), (798, 50), (799, 80), (999, 100)):
        async with Bench(spec, {key: lifetime}) as bench:
            for _ in range(3):
                await bench.scan(300.0)
            assert bench.buffer.latch(0.0).writes[0].wear_percent == percent
            assert bench.writer.budget.counts() == {key: lifetime + 1}


async def test_the_log_of_the_writer_agrees_with_the_devices_own() -> None:
    chance = Random(5)
    async with Bench(durable(max_per_hour=0, max_per_day=0)) as bench:
        for _ in range(300):
            bench.device.reachable = chance.random() > 0.1
            bench.device.write_exception_code = chance.choice((0, 0, 0, 0, 4))
            await bench.scan(chance.uniform(100.0, 900.0))
        taken = [w.words[0] for w in bench.writer.log if w.outcome is WriteOutcome.ACKNOWLEDGED]
        assert taken == bench.values
        assert {written.outcome for written in bench.writer.log} >= {WriteOutcome.ACKNOWLEDGED, WriteOutcome.REFUSED}
        sent = sum(written.outcome is not WriteOutcome.NOT_SENT for written in bench.writer.log)
        assert bench.writer.budget.lifetime(0) == sent
        last = bench.writer.log.last_acknowledged("auger_speed")
        assert last is None or last[0] == bench.values[-1]


def test_counts_survive_and_another_register_begins_at_zero(tmp_path: Path) -> None:
    path = tmp_path / "journal" / "write-counts.json"
    spec = durable()
    budget = WriteBudget([spec], ["auger_speed feeder holding 5"], load_counts(path))
    for turn in range(7):
        budget.sent(0, 100.0 * turn)
    save_counts(path, budget.counts())
    again = WriteBudget([spec], ["auger_speed feeder holding 5"], load_counts(path))
    assert again.lifetime(0) == 7
    moved = WriteBudget([spec], ["auger_speed feeder holding 9"], load_counts(path))
    assert moved.lifetime(0) == 0
    assert moved.counts()["auger_speed feeder holding 5"] == 7


@pytest.mark.parametrize("text", ["", "[]", "{", '{"a": -1, "b": "x", "c": 1.5}'])
def test_a_damaged_file_begins_at_zero(tmp_path: Path, text: str) -> None:
    path = tmp_path / "write-counts.json"
    path.write_text(text)
    assert load_counts(path) == {}


def test_a_stepped_wall_clock_is_told_once_and_marked_before_it_is() -> None:
    order: list[str] = []
    errors_s = [0.0, 0.5, 1.9, 3600.0, 3600.2, 0.0, -1e9, -1e9]
    places = iter(errors_s)

    def report(happened: Event) -> None:
        order.append(f"{happened.name} {happened.get('step_s')}")

    watch = ClockWatch(lambda: next(places), FakeClock(), report, lambda: order.append("marked"))
    for _ in errors_s:
        watch.look()
    told = [entry for entry in order if entry != "marked"]
    assert told == ["clock_step 3598.1", "clock_step -3600.2", "clock_step -1000000000.0"]
    assert order[::2] == ["marked"] * 3
