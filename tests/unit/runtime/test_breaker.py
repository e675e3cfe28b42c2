"""The breaker of a unit, and when suspects of a shared connection may be asked, on virtual time (lesson 11)."""

import asyncio
from random import Random

import pytest

from crumbmeter.field.parts import Part
from crumbmeter.field.spec import BlockSpec, RegisterSpec, Table, WordType
from crumbmeter.model.image import ReadOutcome
from crumbmeter.runtime.backoff import Backoff
from crumbmeter.runtime.breaker import FAILING_SHARE, Breaker, Slots
from crumbmeter.runtime.buffer import InputBuffer
from crumbmeter.runtime.link import NotConnectedError, make_lines
from crumbmeter.runtime.poller import DevicePoller
from crumbmeter.runtime.tally import DeviceTally
from tests.fakes import FakeClock, FakeDevice, FakeField, Reports, device_spec, settle

REGISTER = RegisterSpec(Table.HOLDING, 5, WordType.U16)


def breaker(threshold: int = 2) -> Breaker:
    return Breaker(threshold, Backoff(shortest_s=1.0, longest_s=8.0, rng=lambda: 1.0))


def test_one_failure_costs_one_poll_and_the_threshold_opens_it() -> None:
    unit = breaker(3)
    rests = []
    for number in range(6):
        unit.failed(100.0, 0.1)
        rests.append(unit.rest_until_s - 100.0)
        assert unit.open == (number >= 2)
    assert rests == pytest.approx([0.0, 0.0, 0.9, 1.9, 3.9, 7.9])
    unit.failed(100.0, 9.0)
    assert unit.rest_until_s == 100.0
    assert unit.answered()
    assert (unit.suspect, unit.open, unit.answered()) == (False, False, False)


async def test_suspects_together_get_a_fifth_of_the_time() -> None:
    clock = FakeClock(0.0)
    units = [breaker() for _ in range(4)]
    slots = Slots(units, clock)
    slots.note_due(3, float("inf"))
    spent_s = 0.0

    async def suspect(position: int) -> None:
        nonlocal spent_s
        while True:
            await slots.wait(position)
            began_s = clock.now_s()
            slots.busy = True
            await clock.sleep_until(began_s + 0.3)
            units[position].failed(clock.now_s(), 0.3)
            slots.note_cost(began_s, clock.now_s())
            slots.note_free()
            slots.note_due(position, float("inf"))
            spent_s += 0.3

    for unit in units[:3]:
        unit.failed(0.0, 0.3)
    async with asyncio.TaskGroup() as group:
        tasks = [group.create_task(suspect(position)) for position in range(3)]
        await clock.advance(600.0)
        for task in tasks:
            task.cancel()
    assert 0.9 * FAILING_SHARE <= spent_s / 600.0 <= FAILING_SHARE + 0.001


async def test_a_probe_waits_for_a_time_in_which_nobody_else_is_due() -> None:
    clock = FakeClock(0.0)
    units = [breaker(), breaker()]
    slots = Slots(units, clock)
    units[0].failed(0.0, 0.3)
    slots.note_due(1, 0.2)
    async with asyncio.TaskGroup() as group:
        waiting = group.create_task(slots.wait(0))
        await clock.advance(0.2)
        assert not waiting.done()
        slots.note_due(1, 1.2)
        await settle()
        assert waiting.done()


async def test_a_probe_that_never_fits_is_sent_all_the_same() -> None:
    clock = FakeClock(0.0)
    units = [breaker(), breaker()]
    slots = Slots(units, clock)
    units[0].failed(0.0, 0.3)
    async with asyncio.TaskGroup() as group:
        waiting = group.create_task(slots.wait(0))
        for _ in range(20):
            slots.note_due(1, clock.now_s() + 0.1)
            await clock.advance(0.1)
        assert waiting.done()


class Bus:
    """Two devices on one connection."""

    def __init__(self) -> None:
        self.clock = FakeClock()
        self.devices = {"one": FakeDevice(), "two": FakeDevice()}
        specs = [device_spec("one"), device_spec("two", unit_id=2)]
        self.reports = Reports()
        self.lines = make_lines(specs, FakeField(**self.devices), self.clock, Random(1).random, self.reports)
        self.buffer = InputBuffer(blocks=1, outputs=0)
        self.tally = DeviceTally()
        block = BlockSpec(0, Table.HOLDING, 0, 4, 0.2)
        parts = {0: (Part(0, 2, ("flow",)), Part(2, 1, ("state",)), Part(3, 1, ("speed", "auger_speed")))}
        self.poller = DevicePoller(
            self.lines[0], [(0, block)], self.buffer, self.clock, self.reports, self.tally, parts
        )


@pytest.mark.parametrize("code", [10, 11])
async def test_a_gateway_s_word_that_the_unit_is_silent_counts_against_the_unit_alone(code: int) -> None:
    bus = Bus()
    assert await bus.lines[0].endpoint.revive()
    bus.devices["one"].exception_code = code
    async with asyncio.TaskGroup() as group:
        task = group.create_task(bus.poller.run())
        await bus.clock.advance(5.0)
        assert bus.lines[0].breaker.open
        assert not bus.lines[1].breaker.suspect
        assert bus.lines[0].endpoint.up
        assert bus.buffer.latch(0.0).blocks[0].exception_code == code
        assert bus.reports.names == ["link_up", "device_lost"]
        task.cancel()
    assert await bus.lines[1].read(Table.HOLDING, 0, 1) == (0,)


async def test_nothing_is_written_to_a_unit_that_is_only_probed_but_for_the_stop() -> None:
    bus = Bus()
    line = bus.lines[0]
    assert await line.endpoint.revive()
    for _ in range(2):
        line.breaker.failed(bus.clock.now_s(), 0.1)
    with pytest.raises(NotConnectedError) as refused:
        await line.write(REGISTER, lambda: (7,))
    assert refused.value.outcome is ReadOutcome.TIMEOUT
    assert bus.devices["one"].writes == []
    await line.endpoint.revive(at_once=True)
    await line.write(REGISTER, lambda: (7,))
    assert bus.devices["one"].writes == [(Table.HOLDING, 5, (7,))]
    # It may have been off: what was written before is not known to hold.
    assert line.endpoint.generation == 2


@pytest.mark.parametrize(("code", "asked"), [(1, 1), (3, 1), (4, 1), (5, 3), (6, 3)])
async def test_only_a_busy_device_is_asked_again_after_a_wait(code: int, asked: int) -> None:
    bus = Bus()
    assert await bus.lines[0].endpoint.revive()
    bus.devices["one"].exception_code = code
    async with asyncio.TaskGroup() as group:
        task = group.create_task(bus.poller.run())
        await bus.clock.advance(0.001)
        assert bus.devices["one"].reads == 1
        await bus.clock.advance(0.1 + 0.05) if asked == 1 else await bus.clock.advance(0.31)
        assert bus.devices["one"].reads == asked
        task.cancel()


async def test_the_register_that_a_device_does_not_have_is_named_once(monkeypatch: pytest.MonkeyPatch) -> None:
    from tests import fakes  # noqa: PLC0415

    bus = Bus()
    device = bus.devices["one"]
    plain = fakes.FakeLink.read

    async def read(self: fakes.FakeLink, table: Table, address: int, count: int) -> tuple[int, ...]:
        device.exception_code = 2 if address <= 2 < address + count else 0
        return await plain(self, table, address, count)

    monkeypatch.setattr(fakes.FakeLink, "read", read)
    assert await bus.lines[0].endpoint.revive()
    async with asyncio.TaskGroup() as group:
        task = group.create_task(bus.poller.run())
        await bus.clock.advance(3.0)
        task.cancel()
    named = [happening for happening in bus.reports.events if happening.name == "register_refused"]
    assert [(each.get("address"), each.get("count"), each.get("names")) for each in named] == [(2, 1, "state")]
    assert bus.reports.names.count("read_refused") == 1
