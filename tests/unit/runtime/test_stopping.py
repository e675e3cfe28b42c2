"""The stop at the end: zero on every device that can be reached, proved by it, and no waiting for the dead."""

import asyncio
import time
from random import Random

import pytest

from crumbmeter.field.plan import make_plan
from crumbmeter.field.spec import RegisterSpec, Table, WordType
from crumbmeter.model.outputs import MONITOR_ONLY, OutputImage, OutputRole
from crumbmeter.runtime.buffer import InputBuffer
from crumbmeter.runtime.link import make_lines
from crumbmeter.runtime.stopping import StopReport, stop_all
from crumbmeter.runtime.tally import DeviceTally
from crumbmeter.runtime.writer import OutputWriter
from tests.fakes import FakeClock, FakeDevice, FakeField, Reports, device_spec, output, settle

HOLDING, COIL = Table.HOLDING, Table.COIL
OUTPUTS = [
    output("auger_speed", 5),
    output("feed_run", 3, register=RegisterSpec(COIL, 3, WordType.BIT), high_si=1.0),
    output("heartbeat", 8),
    output("blower_run", 1, device=1, register=RegisterSpec(COIL, 1, WordType.BIT), high_si=1.0),
    output("plant_healthy", 0, device=2, register=RegisterSpec(COIL, 0, WordType.BIT), high_si=1.0),
]
RUNNING = OutputImage(
    write_enabled=True,
    stop_now=False,
    values=(
        (OutputRole.AUGER_SPEED, 120.0),
        (OutputRole.FEED_RUN, 1.0),
        (OutputRole.HEARTBEAT, 5.0),
        (OutputRole.BLOWER_RUN, 1.0),
        (OutputRole.PLANT_HEALTHY, 1.0),
    ),
)


class Bench:
    def __init__(self) -> None:
        self.clock = FakeClock()
        self.feeder, self.blower, self.plant = FakeDevice(), FakeDevice(), FakeDevice()
        specs = [device_spec("feeder"), device_spec("blower", port=1503), device_spec("plant", port=1504)]
        field = FakeField(feeder=self.feeder, blower=self.blower, plant=self.plant)
        self.lines = make_lines(specs, field, self.clock, Random(1).random, Reports())
        plan = make_plan(specs, [], OUTPUTS)
        self.plan = plan
        self.buffer = InputBuffer(blocks=len(plan.blocks), outputs=len(OUTPUTS))
        self.writer = OutputWriter(
            self.lines,
            OUTPUTS,
            plan.outputs,
            self.buffer,
            self.clock,
            expiry_s=0.4,
            report=Reports(),
            tallies={n: DeviceTally() for n in range(3)},
        )

    async def run(self, image: OutputImage = RUNNING) -> None:
        """Bring the plant into operation, then leave everything as if the core had raised: no task runs any more."""
        for line in self.lines:
            await line.endpoint.revive()
        for index, block in enumerate(self.plan.blocks):  # all has been read before anything is written
            self.buffer.put_words(index, (0,) * block.count, self.clock.now_s())
        async with asyncio.TaskGroup() as group:
            tasks = [group.create_task(self.writer.run_device(device)) for device in range(3)]
            self.writer.post_nowait(image, self.clock.now_s())
            await settle()
            for task in tasks:
                task.cancel()

    async def stop(self, deadline_s: float = 2.0) -> StopReport:
        """Stop, with process time going on by itself."""
        async with asyncio.TaskGroup() as group:
            stop = group.create_task(stop_all(self.writer, self.lines, OUTPUTS, self.clock, deadline_s=deadline_s))
            while not stop.done():
                await self.clock.advance(0.05)
        return stop.result()


async def test_everything_is_at_rest_and_proved() -> None:
    bench = Bench()
    await bench.run()
    assert (bench.feeder.get(HOLDING, 5), bench.plant.get(COIL, 0)) == ((120,), (1,))
    report = await bench.stop()
    assert report.confirmed
    assert not report.skipped
    assert [result.role for result in report.results] == ["auger_speed", "feed_run", "plant_healthy"]
    assert all(result.read_back_words == (0,) and not result.cause for result in report.results)
    assert bench.feeder.get(HOLDING, 5) == bench.feeder.get(COIL, 3) == bench.plant.get(COIL, 0) == (0,)
    # The line is cleared by the blower; the heartbeat just ends.
    assert bench.blower.get(COIL, 1) == (1,)
    assert bench.feeder.get(HOLDING, 8) == (5,)


async def test_monitor_only_is_not_stopped_either() -> None:
    bench = Bench()
    await bench.run(MONITOR_ONLY)
    bench.feeder.put(HOLDING, 5, (300,))  # somebody else's setpoint
    report = await bench.stop()
    assert report == StopReport((), skipped=True)
    assert bench.feeder.writes == bench.plant.writes == []


async def test_nothing_that_waited_follows_the_stop() -> None:
    bench = Bench()
    await bench.run()
    bench.writer.post_nowait(OutputImage(True, False, ((OutputRole.AUGER_SPEED, 500.0),)), bench.clock.now_s())
    report = await bench.stop()
    async with asyncio.TaskGroup() as group:
        task = group.create_task(bench.writer.run_device(0))
        await bench.clock.advance(5.0)
        task.cancel()
    assert report.confirmed
    assert [words for _, at, words in bench.feeder.writes if at == 5] == [(120,), (0,)]


@pytest.mark.parametrize("how", ["hangs", "gone"])
async def test_a_dead_device_delays_no_other_and_is_reported(how: str) -> None:
    bench = Bench()
    await bench.run()
    if how == "hangs":
        bench.feeder.gate = asyncio.Event()
    else:
        bench.feeder.reachable = False
    began_s = time.perf_counter()
    report = await bench.stop(deadline_s=0.1)
    assert time.perf_counter() - began_s < 1.0
    by_role = {result.role: result for result in report.results}
    assert by_role["plant_healthy"].confirmed
    assert not by_role["auger_speed"].confirmed
    assert by_role["auger_speed"].cause
    assert not report.confirmed
    assert bench.plant.get(COIL, 0) == (0,)


async def test_a_lost_connection_is_made_again_for_the_stop() -> None:
    bench = Bench()
    await bench.run()
    await bench.lines[0].endpoint.close()
    report = await bench.stop()
    assert report.confirmed
    assert bench.feeder.get(HOLDING, 5) == (0,)


async def test_a_device_that_ignores_the_stop_is_not_said_to_have_stopped() -> None:
    bench = Bench()
    await bench.run()
    bench.feeder.ignores_writes = True
    report = await bench.stop(deadline_s=0.1)
    by_role = {result.role: result for result in report.results}
    assert by_role["auger_speed"].acknowledged
    assert not by_role["auger_speed"].confirmed
    assert by_role["auger_speed"].read_back_words == (120,)


async def test_a_device_that_applies_late_is_waited_for() -> None:
    bench = Bench()
    await bench.run()
    bench.feeder.applies_later = []
    async with asyncio.TaskGroup() as group:
        stop = group.create_task(stop_all(bench.writer, bench.lines, OUTPUTS, bench.clock, deadline_s=5.0))
        await bench.clock.advance(0.3)
        assert not stop.done()
        for apply in bench.feeder.applies_later:
            apply()
        await bench.clock.advance(0.3)
        assert stop.done()
    assert stop.result().confirmed


async def test_a_read_back_that_is_withheld_is_waited_for_and_nothing_is_written_again() -> None:
    bench = Bench()
    await bench.run()
    bench.feeder.withheld = {5}
    async with asyncio.TaskGroup() as group:
        stop = group.create_task(stop_all(bench.writer, bench.lines, OUTPUTS, bench.clock, deadline_s=5.0))
        await bench.clock.advance(0.5)
        assert not stop.done()
        bench.feeder.withheld = set()
        await bench.clock.advance(0.2)
    assert stop.result().confirmed
    assert [words for _, at, words in bench.feeder.writes if at == 5] == [(120,), (0,)]


async def test_a_refused_stop_is_tried_until_the_end() -> None:
    bench = Bench()
    await bench.run()
    bench.feeder.write_exception_code = 6
    async with asyncio.TaskGroup() as group:
        stop = group.create_task(stop_all(bench.writer, bench.lines, OUTPUTS, bench.clock, deadline_s=5.0))
        await bench.clock.advance(0.3)
        bench.feeder.write_exception_code = 0
        await bench.clock.advance(0.3)
        assert stop.done()
    assert stop.result().confirmed


async def test_a_fault_that_nobody_foresaw_ends_the_stop_of_its_own_device_alone(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    bench = Bench()
    await bench.run()

    async def revive(*, at_once: bool) -> bool:
        raise UnicodeError(f"label empty or too long, at once {at_once}")  # as of a host name with two dots

    monkeypatch.setattr(bench.lines[2].endpoint, "revive", revive)
    report = await bench.stop()
    by_role = {result.role: result for result in report.results}
    assert by_role["auger_speed"].confirmed
    assert by_role["feed_run"].confirmed
    assert bench.feeder.get(HOLDING, 5) == (0,)
    assert "label empty or too long" in by_role["plant_healthy"].cause
    assert not report.confirmed
