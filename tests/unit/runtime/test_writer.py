"""The writer against devices that ignore, clamp, refuse, delay and get overwritten (field lessons 3, 25, 31)."""

import asyncio
import math
from collections.abc import AsyncIterator
from random import Random

import pytest

from crumbmeter.field.plan import make_plan
from crumbmeter.field.spec import RegisterSpec, Table, WordType
from crumbmeter.model.image import ReadOutcome, WriteStage, WriteStatus
from crumbmeter.model.outputs import MONITOR_ONLY, OutputImage, OutputRole
from crumbmeter.runtime.buffer import InputBuffer
from crumbmeter.runtime.link import make_lines
from crumbmeter.runtime.poller import DevicePoller
from crumbmeter.runtime.tally import DeviceTally
from crumbmeter.runtime.writer import OutputWriter
from tests.fakes import FakeClock, FakeDevice, FakeField, Reports, device_spec, output

SPEED, RATE, RUN, BEAT = OutputRole.AUGER_SPEED, OutputRole.FEED_RATE, OutputRole.FEED_RUN, OutputRole.HEARTBEAT
HOLDING, COIL = Table.HOLDING, Table.COIL
RUN_COIL = RegisterSpec(COIL, 3, WordType.BIT, unit="contact")
OUTPUTS = [
    output("auger_speed", 5, high_si=900.0),
    output("feed_rate", 6, min_interval_s=1.0, deadband_counts=3),
    output("feed_run", 3, register=RUN_COIL, high_si=1.0),
    output("heartbeat", 8, min_interval_s=5.0, high_si=65535.0),
]
PERIOD_S = 0.2


class Bench:
    """One device with four outputs, its poller and its writer, scanned by the test."""

    def __init__(self) -> None:
        self.clock = FakeClock()
        self.device = FakeDevice()
        self.reports = Reports()
        devices = [device_spec()]
        plan = make_plan(devices, [], OUTPUTS)
        # Read back at the pace of the scan.
        self.buffer = InputBuffer(blocks=len(plan.blocks), outputs=len(OUTPUTS))
        self.lines = make_lines(devices, FakeField(feeder=self.device), self.clock, Random(1).random, Reports())
        self.tally = DeviceTally()
        blocks = [
            (n, type(block)(block.device, block.table, block.address, block.count, PERIOD_S))
            for n, block in enumerate(plan.blocks)
        ]
        self.poller = DevicePoller(self.lines[0], blocks, self.buffer, self.clock, Reports(), self.tally)
        self.writer = OutputWriter(
            self.lines,
            OUTPUTS,
            plan.outputs,
            self.buffer,
            self.clock,
            expiry_s=2 * PERIOD_S,
            report=self.reports,
            tallies={0: self.tally},
        )

    def post(self, *, stop: bool = False, enabled: bool = True, **values: float) -> None:
        pairs = tuple((OutputRole(role), value) for role, value in values.items())
        self.writer.post_nowait(OutputImage(enabled, stop, pairs), self.clock.now_s())

    async def scan(self, times: int = 1, *, stop: bool = False, **values: float) -> None:
        for _ in range(times):
            self.post(stop=stop, enabled=True, **values)
            await self.clock.advance(PERIOD_S)

    def status(self, role: OutputRole) -> WriteStatus:
        index = [spec.role for spec in OUTPUTS].index(role)
        return self.buffer.latch(self.clock.now_s()).writes[index]

    def stage(self, role: OutputRole) -> WriteStage:
        return self.status(role).stage

    def writes_to(self, address: int, table: Table = HOLDING) -> list[int]:
        return [words[0] for where, at, words in self.device.writes if (where, at) == (table, address)]


@pytest.fixture
async def bench() -> AsyncIterator[Bench]:
    bench = Bench()
    async with asyncio.TaskGroup() as group:
        tasks = [
            group.create_task(bench.lines[0].endpoint.keep()),
            group.create_task(bench.poller.run()),
            group.create_task(bench.writer.run_device(0)),
        ]
        await bench.clock.advance(1.05)  # between two polls
        yield bench
        for task in tasks:
            task.cancel()


async def test_requested_acknowledged_confirmed_are_three_things(bench: Bench) -> None:
    bench.device.gate = asyncio.Event()
    bench.post(auger_speed=120.0)
    asked_s = bench.clock.now_s()
    await bench.clock.advance(0.01)
    stages = [bench.stage(SPEED)]
    bench.device.gate.set()
    await bench.clock.advance(0.01)
    stages.append(bench.stage(SPEED))
    assert bench.status(SPEED).read_back_words == (0,)
    await bench.clock.advance(PERIOD_S)
    stages.append(bench.stage(SPEED))
    assert stages == [WriteStage.REQUESTED, WriteStage.ACKNOWLEDGED, WriteStage.CONFIRMED]
    status = bench.status(SPEED)
    assert (status.requested_words, status.read_back_words, status.requested_s) == ((120,), (120,), asked_s)


async def test_what_does_not_change_is_not_written_again(bench: Bench) -> None:
    await bench.scan(20, auger_speed=120.0, feed_run=1.0)
    assert bench.writes_to(5) == [120]
    assert bench.writes_to(3, COIL) == [1]
    await bench.scan(auger_speed=121.0, feed_run=1.0)
    assert bench.writes_to(5) == [120, 121]


async def test_monitor_only_writes_nothing_whatever(bench: Bench) -> None:
    for _ in range(10):
        bench.writer.post_nowait(MONITOR_ONLY, bench.clock.now_s())
        bench.post(enabled=False, auger_speed=100.0, feed_run=1.0, heartbeat=3.0)
        bench.post(enabled=False, stop=True, auger_speed=0.0)
        await bench.clock.advance(PERIOD_S)
    assert bench.device.writes == []
    assert bench.stage(SPEED) is WriteStage.NONE
    # What the device holds is known nevertheless.
    assert bench.status(SPEED).read_back_words == (0,)


async def test_going_back_to_monitor_only_drops_what_waits(bench: Bench) -> None:
    bench.device.gate = asyncio.Event()
    await bench.clock.advance(PERIOD_S)  # a read is under way and holds the line
    bench.post(auger_speed=100.0)
    bench.post(enabled=False, auger_speed=100.0)
    bench.device.gate.set()
    await bench.clock.advance(1.0)
    assert bench.device.writes == []


async def test_a_role_that_is_not_on_the_list_is_not_written(bench: Bench) -> None:
    await bench.scan(5, blower_run=1.0, plant_healthy=1.0)
    assert bench.device.writes == []


@pytest.mark.parametrize(("asked", "count"), [(1e9, 900), (-5.0, 0), (899.5, 900), (900.4, 900), (2.5, 2)])
async def test_clamped_and_rounded(bench: Bench, asked: float, count: int) -> None:
    await bench.scan(auger_speed=asked)
    assert bench.writes_to(5) == [count]
    assert bench.status(SPEED).requested_words == (count,)
    assert bench.tally.values_clamped == (0 if 0 <= asked <= 900 else 1)


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
async def test_no_number_is_not_laundered_by_the_clamp(bench: Bench, value: float) -> None:
    await bench.scan(3, auger_speed=value, feed_run=1.0)
    assert bench.writes_to(5) == []
    assert bench.writes_to(3, COIL) == [1]
    assert bench.stage(SPEED) is WriteStage.FAILED
    assert bench.reports.names.count("output_unencodable") == 1
    assert bench.tally.values_unencodable == 3


async def test_interval_and_deadband_hold_changes_back(bench: Bench) -> None:
    await bench.scan(feed_rate=100.0)
    await bench.scan(4, feed_rate=200.0)  # within a second of the first
    assert bench.writes_to(6) == [100]
    await bench.scan(2, feed_rate=210.0)
    assert bench.writes_to(6) == [100, 210]  # the newest, not what was held back
    await bench.scan(10, feed_rate=213.0)  # 3 counts: no change worth a write
    assert bench.writes_to(6) == [100, 210]
    await bench.scan(1, feed_rate=214.0)
    assert bench.writes_to(6) == [100, 210, 214]


async def test_zero_and_stops_wait_for_nothing(bench: Bench) -> None:
    await bench.scan(feed_rate=2.0)
    await bench.scan(feed_rate=0.0)  # inside interval and deadband
    assert bench.writes_to(6) == [2, 0]
    await bench.scan(feed_rate=0.0, stop=True)
    await bench.scan(6, feed_rate=500.0)
    await bench.scan(feed_rate=499.0, stop=True)
    assert bench.writes_to(6) == [2, 0, 500, 499]


async def test_a_stop_goes_before_everything_that_waits(bench: Bench) -> None:
    await bench.scan(5, auger_speed=100.0, feed_rate=100.0, feed_run=1.0)
    bench.device.writes.clear()
    bench.device.gate = asyncio.Event()
    await bench.clock.advance(PERIOD_S)  # a read holds the line
    bench.post(auger_speed=110.0, feed_rate=300.0, feed_run=0.0)
    bench.device.gate.set()
    await bench.clock.advance(0.05)
    assert bench.device.writes[0] == (COIL, 3, (0,))
    assert len(bench.device.writes) == 3


async def test_the_heartbeat_is_written_whenever_it_changes(bench: Bench) -> None:
    for beat in range(20):
        await bench.scan(heartbeat=float(beat))
    assert bench.writes_to(8) == list(range(20))
    assert bench.stage(BEAT) in (WriteStage.ACKNOWLEDGED, WriteStage.CONFIRMED)


async def test_a_device_that_ignores_writes_is_found_out_and_told_again_at_its_pace(bench: Bench) -> None:
    bench.device.ignores_writes = True
    await bench.scan(9, auger_speed=120.0)
    assert bench.stage(SPEED) is WriteStage.ACKNOWLEDGED
    await bench.scan(3, auger_speed=120.0)
    assert bench.stage(SPEED) is WriteStage.FAILED
    assert bench.reports.names == ["output_failed"]
    await bench.scan(50, auger_speed=120.0)
    # Once at first, then not more than once in two seconds of the ten.
    assert 4 <= len(bench.writes_to(5)) <= 7
    assert bench.reports.names == ["output_failed"]
    bench.device.ignores_writes = False
    await bench.scan(12, auger_speed=120.0)
    assert bench.stage(SPEED) is WriteStage.CONFIRMED
    assert bench.reports.names == ["output_failed", "output_confirmed_again"]


async def test_a_device_that_stays_behind_a_moving_setpoint_is_found_out_too(bench: Bench) -> None:
    for step in range(10):
        await bench.scan(auger_speed=100.0 + step)
        assert bench.stage(SPEED) is not WriteStage.FAILED
    bench.device.ignores_writes = True
    for step in range(14):
        await bench.scan(auger_speed=200.0 + step)
    assert bench.stage(SPEED) is WriteStage.FAILED


async def test_a_device_one_step_behind_a_moving_setpoint_follows(bench: Bench) -> None:
    bench.device.applies_later = []
    for step in range(60):
        await bench.scan(auger_speed=100.0 + step)
        later, bench.device.applies_later = bench.device.applies_later, []
        for apply in later:
            apply()
        assert bench.stage(SPEED) is not WriteStage.FAILED


async def test_a_device_that_clamps_is_not_confirmed(bench: Bench) -> None:
    bench.device.clamps_to = 100
    await bench.scan(13, auger_speed=120.0)
    status = bench.status(SPEED)
    assert (status.stage, status.requested_words, status.read_back_words) == (WriteStage.FAILED, (120,), (100,))


async def test_a_write_applied_late_is_confirmed_late(bench: Bench) -> None:
    bench.device.applies_later = []
    await bench.scan(6, auger_speed=120.0)
    stages = [bench.stage(SPEED)]
    for apply in bench.device.applies_later:
        apply()
    await bench.scan(2, auger_speed=120.0)
    stages.append(bench.stage(SPEED))
    assert stages == [WriteStage.ACKNOWLEDGED, WriteStage.CONFIRMED]
    assert bench.writes_to(5) == [120]


async def test_somebody_else_s_overwrite_is_seen_told_and_undone(bench: Bench) -> None:
    await bench.scan(5, auger_speed=120.0)
    bench.device.put(HOLDING, 5, (777,))
    await bench.scan(2, auger_speed=120.0)
    assert bench.reports.names == ["output_overwritten"]
    assert bench.reports.events[0].get("found_words") == "0309"
    assert bench.stage(SPEED) is WriteStage.ACKNOWLEDGED
    assert bench.writes_to(5) == [120]
    await bench.scan(14, auger_speed=120.0)
    assert bench.reports.names == ["output_overwritten", "output_failed", "output_confirmed_again"]
    assert bench.writes_to(5) == [120, 120]
    assert bench.device.get(HOLDING, 5) == (120,)
    assert bench.tally.overwritten == 1


@pytest.mark.parametrize("code", [1, 2, 3, 4])
async def test_a_refusal_fails_the_output_at_once_and_is_not_hammered(bench: Bench, code: int) -> None:
    bench.device.write_exception_code = code
    await bench.scan(auger_speed=120.0)
    assert bench.stage(SPEED) is WriteStage.FAILED
    await bench.scan(49, auger_speed=120.0)
    assert bench.tally.writes_refused in (5, 6)
    assert bench.tally.exceptions[code] == bench.tally.writes_refused
    assert bench.lines[0].endpoint.generation == 1


async def test_a_busy_device_gets_its_time(bench: Bench) -> None:
    bench.device.write_exception_code = 6
    await bench.scan(5, auger_speed=120.0)
    stages = [bench.stage(SPEED)]
    bench.device.write_exception_code = 0
    await bench.scan(12, auger_speed=120.0)
    assert [*stages, bench.stage(SPEED)] == [WriteStage.REQUESTED, WriteStage.CONFIRMED]


async def test_a_stop_is_not_held_off_by_a_refusal(bench: Bench) -> None:
    await bench.scan(3, auger_speed=120.0)
    bench.device.write_exception_code = 4
    await bench.scan(auger_speed=0.0, stop=True)
    bench.device.write_exception_code = 0
    await bench.scan(auger_speed=0.0, stop=True)
    assert bench.device.get(HOLDING, 5) == (0,)


async def test_nothing_old_is_sent_after_an_outage(bench: Bench) -> None:
    await bench.scan(5, auger_speed=100.0)
    bench.device.reachable = False
    for step in range(300):
        await bench.scan(auger_speed=200.0 + step)
    assert bench.stage(SPEED) is WriteStage.FAILED
    bench.device.writes.clear()
    bench.device.reachable = True
    await bench.clock.advance(30.0)  # connected again; the scan stands still
    assert bench.lines[0].endpoint.up
    assert bench.device.writes == []
    await bench.scan(5, auger_speed=650.0)
    assert bench.writes_to(5) == [650]
    assert bench.stage(SPEED) is WriteStage.CONFIRMED


async def test_a_value_too_old_when_its_turn_comes_is_not_sent(bench: Bench) -> None:
    bench.device.gate = asyncio.Event()
    await bench.clock.advance(PERIOD_S)
    bench.post(auger_speed=100.0)
    await bench.clock.advance(3 * PERIOD_S)
    bench.device.gate.set()
    await bench.clock.advance(0.0)
    assert bench.device.writes == []
    assert bench.tally.writes_expired == 1


async def test_a_new_connection_is_told_the_value_again(bench: Bench) -> None:
    await bench.scan(5, auger_speed=100.0)
    bench.device.silent = True
    await bench.clock.advance(PERIOD_S)
    bench.device.silent = False
    bench.device.put(HOLDING, 5, (0,))  # it had no power for a moment
    await bench.scan(10, auger_speed=100.0)
    assert bench.lines[0].endpoint.generation == 2
    assert bench.writes_to(5) == [100, 100]
    assert bench.device.get(HOLDING, 5) == (100,)
    assert "output_failed" not in bench.reports.names


async def test_a_write_without_an_answer_is_not_believed_and_not_repeated_by_itself(bench: Bench) -> None:
    await bench.scan(5, auger_speed=100.0)
    bench.device.silent = True
    bench.post(auger_speed=150.0)
    await bench.clock.advance(0.05)
    assert bench.tally.writes_unanswered == 1
    assert bench.stage(SPEED) is WriteStage.REQUESTED
    bench.device.silent = False
    await bench.clock.advance(60.0)
    assert bench.writes_to(5) == [100]  # no scan, no write


async def test_a_wish_that_is_taken_back_before_it_was_sent_does_not_stay_requested(bench: Bench) -> None:
    await bench.scan(5, auger_speed=100.0)
    bench.device.gate = asyncio.Event()
    await bench.scan(1, auger_speed=100.0)  # a read is under way and takes its time
    bench.post(auger_speed=150.0)
    assert (bench.stage(SPEED), bench.status(SPEED).requested_words) == (WriteStage.REQUESTED, (150,))
    bench.post(auger_speed=100.0)
    assert (bench.stage(SPEED), bench.status(SPEED).requested_words) == (WriteStage.ACKNOWLEDGED, (100,))
    bench.device.gate.set()
    await bench.scan(3, auger_speed=100.0)
    assert (bench.stage(SPEED), bench.writes_to(5)) == (WriteStage.CONFIRMED, [100])
    assert bench.reports.names == []


async def test_a_failed_output_is_confirmed_when_the_wish_comes_back_to_what_is_held(bench: Bench) -> None:
    await bench.scan(5, auger_speed=100.0)
    bench.device.exception_code = 4  # no read-back for too long
    await bench.scan(15, auger_speed=100.0)
    bench.device.exception_code = 0
    bench.device.gate = asyncio.Event()
    await bench.clock.advance(PERIOD_S)  # a read is under way
    bench.post(auger_speed=150.0)
    assert (bench.stage(SPEED), bench.status(SPEED).requested_words) == (WriteStage.FAILED, (150,))
    bench.post(auger_speed=100.0)
    bench.device.gate.set()
    await bench.scan(3, auger_speed=100.0)
    assert (bench.stage(SPEED), bench.writes_to(5)) == (WriteStage.CONFIRMED, [100])


async def test_a_register_that_never_answers_rightly_does_not_take_the_connection_from_the_others(bench: Bench) -> None:
    await bench.scan(5, auger_speed=100.0, feed_rate=50.0)
    bench.device.mute_address = 5  # a write to it is not answered, and each time the connection is discarded
    before = bench.tally.reads[ReadOutcome.OK]
    await bench.scan(150, auger_speed=150.0, feed_rate=60.0)
    assert bench.tally.writes_unanswered <= 2 + 30.0 / 2.0
    assert bench.tally.reads[ReadOutcome.OK] - before > 150
    assert (bench.stage(SPEED), bench.stage(RATE)) == (WriteStage.FAILED, WriteStage.CONFIRMED)
    await bench.scan(1, stop=True, auger_speed=0.0, feed_rate=60.0)
    assert bench.device.attempts[-1] == (5, (0,))  # a stop waits for nothing


async def test_a_confirmation_without_fresh_read_backs_does_not_last(bench: Bench) -> None:
    await bench.scan(5, auger_speed=100.0)
    stages = [bench.stage(SPEED)]
    bench.device.exception_code = 4  # reads are refused, writes are not
    await bench.scan(15, auger_speed=100.0)
    assert [*stages, bench.stage(SPEED)] == [WriteStage.CONFIRMED, WriteStage.FAILED]


async def test_a_withdrawn_wish_is_neither_written_nor_judged(bench: Bench) -> None:
    await bench.scan(5, auger_speed=100.0)
    bench.device.put(HOLDING, 5, (1,))
    await bench.scan(30, feed_rate=50.0)
    assert bench.stage(SPEED) is WriteStage.NONE
    assert bench.reports.names == []
    assert bench.writes_to(5) == [100]


async def test_after_halt_nothing_is_taken(bench: Bench) -> None:
    await bench.scan(5, auger_speed=100.0)
    bench.writer.halt()
    await bench.scan(5, auger_speed=200.0)
    assert bench.writes_to(5) == [100]


async def test_the_writer_s_log_is_the_device_s_state_after_any_history(bench: Bench) -> None:
    rng = Random(3)
    for _ in range(1500):
        bench.device.silent = rng.random() < 0.03
        bench.device.write_exception_code = 6 if rng.random() < 0.05 else 0
        if rng.random() < 0.02:
            bench.device.put(HOLDING, 5, (rng.randrange(900),))
        await bench.scan(auger_speed=float(rng.randrange(-100, 1200)), feed_run=float(rng.random() < 0.5))
    bench.device.silent, bench.device.write_exception_code = False, 0
    await bench.scan(100, auger_speed=321.0, feed_run=1.0)
    assert all(0 <= words[0] <= 900 for _, _, words in bench.device.writes)
    for role, table, address in ((SPEED, HOLDING, 5), (RUN, COIL, 3)):
        assert bench.stage(role) is WriteStage.CONFIRMED
        assert bench.status(role).requested_words == bench.device.get(table, address)
    assert bench.device.get(HOLDING, 5) == (321,)
