"""The loop's lag and tasks that do not move, on a clock of the test's own."""

from crumbmeter.model.events import Event
from crumbmeter.runtime.lag import LoopLag, TaskWatch
from crumbmeter.runtime.supervisor import TaskState
from tests.fakes import FakeClock


async def never() -> None:
    """Stand for a task's work."""


def test_one_late_tick_is_no_lagging_loop() -> None:
    told: list[Event] = []
    lag = LoopLag(FakeClock(), 0.2, told.append)
    lag.note(0.5)
    for _ in range(50):
        lag.note(0.001)
    assert told == []
    assert lag.worst_s == 0.5


def test_a_lagging_loop_is_told_once_and_when_it_is_over() -> None:
    told: list[Event] = []
    lag = LoopLag(FakeClock(), 0.2, told.append)
    for _ in range(200):
        lag.note(0.06)  # the limit is a fifth of the scan: 0.04 s
    assert [happened.name for happened in told] == ["loop_lagging"]
    assert told[0].get("limit_s") == 0.04
    for _ in range(200):
        lag.note(0.0)
    assert [happened.name for happened in told] == ["loop_lagging", "loop_keeps_up"]


def test_a_loop_just_below_its_limit_is_not_told() -> None:
    told: list[Event] = []
    lag = LoopLag(FakeClock(), 0.2, told.append)
    for _ in range(2000):
        lag.note(0.0399)
    assert told == []


async def test_a_task_without_a_cycle_in_its_budget_is_named() -> None:
    clock, told = FakeClock(), list[Event]()
    start_s = clock.now_s()
    polling = TaskState("poller scale", False, never, running=True, started_s=start_s, budget_s=10.0)
    waiting = TaskState("writer scale", False, never, running=True, started_s=start_s)
    watch = TaskWatch(lambda: (polling, waiting), clock, told.append)
    await clock.advance(9.9)
    watch.look()
    assert told == []
    await clock.advance(0.2)
    watch.look()
    watch.look()
    assert [(happened.name, happened.get("task")) for happened in told] == [("task_late", "poller scale")]
    assert watch.late == {"poller scale"}
    polling.moved_s = clock.now_s()
    watch.look()
    assert told[-1].name == "task_moves"
    assert watch.late == frozenset()


async def test_a_task_that_is_between_two_starts_is_not_late() -> None:
    clock, told = FakeClock(), list[Event]()
    resting = TaskState("mqtt", False, never, running=False, started_s=clock.now_s(), budget_s=1.0)
    watch = TaskWatch(lambda: (resting,), clock, told.append)
    await clock.advance(60.0)
    watch.look()
    assert told == []
