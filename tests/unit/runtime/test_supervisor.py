"""No task dies unseen: adapters are started again, the scan is not, and the end has an order (field lesson 9)."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from random import Random

import pytest

from crumbmeter.model.faults import BugError
from crumbmeter.runtime.supervisor import Supervisor
from tests.fakes import FakeClock, Reports, settle


class Bench:
    def __init__(self) -> None:
        self.clock = FakeClock()
        self.reports = Reports()
        self.supervisor = Supervisor(self.clock, Random(1).random, self.reports)

    @asynccontextmanager
    async def running(self) -> AsyncIterator[None]:
        async with asyncio.TaskGroup() as group:
            run = group.create_task(self.supervisor.run())
            await settle()
            yield
            await self.supervisor.stop()
            await run


async def _forever() -> None:
    await asyncio.Event().wait()


FAULTS = [KeyError("x"), MemoryError(), RecursionError(), asyncio.CancelledError(), ValueError("y"), TimeoutError()]


@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: type(fault).__name__)
async def test_whatever_ends_an_adapter_it_is_started_again(fault: BaseException) -> None:
    bench = Bench()
    faults = [fault]

    async def adapter() -> None:
        if faults:
            raise faults.pop()
        await _forever()

    bench.supervisor.add("poll feeder", adapter)
    async with bench.running():
        (state,) = bench.supervisor.states
        assert (state.running, state.failures) == (False, 1)
        assert bench.reports.names == ["task_failed"]
        assert bench.reports.events[0].get("task") == "poll feeder"
        await bench.clock.advance(1.0)
        assert (state.running, state.starts) == (True, 2)
        assert bench.reports.names == ["task_failed", "task_restarted"]


async def test_a_task_that_returns_has_failed() -> None:
    bench = Bench()

    async def adapter() -> None:
        return

    bench.supervisor.add("mqtt", adapter)
    async with bench.running():
        (state,) = bench.supervisor.states
        assert "returned" in state.last_fault
        assert state.failures == 1


async def test_cancelling_from_outside_is_a_failure_and_not_an_end() -> None:
    bench = Bench()
    bench.supervisor.add("mqtt", _forever)
    async with bench.running():
        bench.supervisor._tasks["mqtt"].cancel()
        await settle()
        (state,) = bench.supervisor.states
        assert state.failures == 1
        await bench.clock.advance(1.0)
        assert (state.running, state.starts) == (True, 2)


async def test_restarts_become_rarer_and_never_end() -> None:
    bench = Bench()
    starts: list[float] = []

    async def adapter() -> None:
        starts.append(bench.clock.now_s())
        raise OSError("no route")

    bench.supervisor.add("mqtt", adapter)
    async with bench.running():
        await bench.clock.advance(3600.0)
        assert 3600 / 30 <= len(starts) <= 3600 / 15 + 8
        assert starts[1] - starts[0] <= 0.5


async def test_one_that_has_run_for_long_starts_afresh() -> None:
    bench = Bench()
    fail = asyncio.Event()

    async def adapter() -> None:
        await fail.wait()
        raise OSError("gone")

    bench.supervisor.add("mqtt", adapter)
    async with bench.running():
        (state,) = bench.supervisor.states
        for _ in range(5):
            fail.set()
            await settle()
            fail.clear()
            await bench.clock.advance(300.0)
        assert (state.failures, state.in_a_row) == (5, 1)


async def test_others_go_on_while_one_fails() -> None:
    bench = Bench()
    beats = 0

    async def bad() -> None:
        raise OSError("gone")

    async def good() -> None:
        nonlocal beats
        while True:
            beats += 1
            await bench.clock.sleep_until(bench.clock.now_s() + 1.0)

    bench.supervisor.add("bad", bad)
    bench.supervisor.add("good", good)
    async with bench.running():
        await bench.clock.advance(100.0)
    assert beats == 101


@pytest.mark.parametrize("fault", [KeyError("x"), asyncio.CancelledError(), None], ids=str)
async def test_the_end_of_the_scan_is_the_end_of_the_program(fault: BaseException | None) -> None:
    bench = Bench()
    go = asyncio.Event()

    async def scan() -> None:
        await go.wait()
        if fault is not None:
            raise fault

    bench.supervisor.add("mqtt", _forever)
    bench.supervisor.add("scan", scan, critical=True)

    async def program() -> BaseException:
        try:
            await bench.supervisor.run()
        except (KeyError, BugError) as raised:
            return raised
        raise AssertionError("the program went on without its scan")

    async with asyncio.TaskGroup() as group:
        run = group.create_task(program())
        await settle()
        go.set()
        raised = await run
    assert isinstance(raised, KeyError if isinstance(fault, KeyError) else BugError)
    assert bench.reports.names == ["task_failed"]
    await bench.clock.advance(100.0)
    assert [state.starts for state in bench.supervisor.states] == [1, 1]
    await bench.supervisor.stop()


async def test_stop_ends_the_last_added_first_and_waits_for_each() -> None:
    bench = Bench()
    ended: list[str] = []

    def named(name: str) -> None:
        async def task() -> None:
            try:
                await _forever()
            finally:
                await settle()
                ended.append(name)

        bench.supervisor.add(name, task)

    for name in ("journal", "poller", "scan"):
        named(name)
    async with bench.running():
        pass
    assert ended == ["scan", "poller", "journal"]
    assert bench.reports.names == []


async def test_tasks_have_their_names_and_may_come_later() -> None:
    bench = Bench()
    bench.supervisor.add("first", _forever)
    async with bench.running():
        bench.supervisor.add("second", _forever)
        await settle()
        assert {"first", "second"} <= {task.get_name() for task in asyncio.all_tasks()}
        with pytest.raises(BugError, match="two tasks"):
            bench.supervisor.add("first", _forever)


async def test_a_task_that_loses_a_cancellation_is_told_again() -> None:
    bench = Bench()
    lost = 0

    async def adapter() -> None:
        nonlocal lost
        try:
            await _forever()
        except asyncio.CancelledError:
            lost += 1
        await _forever()

    bench.supervisor.add("poll", adapter)
    async with bench.running():
        pass
    assert lost == 1
    assert bench.reports.names == []


async def test_a_task_that_will_not_end_does_not_hold_up_the_stop(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("crumbmeter.runtime.supervisor.CANCEL_AGAIN_S", 0.001)
    bench = Bench()
    ended: list[str] = []
    release = asyncio.Event()

    async def stubborn() -> None:
        while not release.is_set():
            try:
                await release.wait()
            except asyncio.CancelledError:
                ended.append("asked")

    async def polite() -> None:
        try:
            await _forever()
        finally:
            ended.append("polite")

    bench.supervisor.add("polite", polite)
    bench.supervisor.add("stubborn", stubborn)
    async with bench.running():
        pass
    assert ended == ["asked"] * 20 + ["polite"]
    assert bench.reports.names == ["task_not_ended"]
    release.set()
    await asyncio.wait([bench.supervisor._tasks["stubborn"]])


async def test_one_task_is_ended_before_the_others_and_not_started_again() -> None:
    bench = Bench()
    bench.supervisor.add("scan", _forever, critical=True)
    bench.supervisor.add("poll feeder", _forever)
    async with bench.running():
        await bench.supervisor.end("scan")
        await settle()
        assert {task.get_name() for task in asyncio.all_tasks()} >= {"poll feeder"}
        assert "scan" not in {task.get_name() for task in asyncio.all_tasks()}
    assert bench.reports.events == []
