"""The only place that makes tasks: named, held, counted, restarted; a death is never silent (REQ-9, R20).

An adapter's task that ends, by whatever exception, is started again after a back-off. A critical task (the scan) is
never started again: its exception ends the program, so that outputs go safe.
"""

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field

from crumbmeter.model.events import Event, event
from crumbmeter.model.faults import BugError
from crumbmeter.ports import Clock
from crumbmeter.runtime.backoff import Backoff, Chance

RESTART_SHORTEST_S = 0.5
RESTART_LONGEST_S = 30.0
CANCELS = 20
CANCEL_AGAIN_S = 0.05
"""[s] Loop time between two calls to end; after so many of them the stop goes on without the task.

Once is not enough: `asyncio.wait_for` of Python 3.11 loses a cancellation that comes together with its result.
"""
PROVEN_AFTER_S = 60.0
"""[s] A restarted task that has run for so long has recovered; its next failure counts from one again."""


@dataclass(slots=True)
class TaskState:
    """What has become of one supervised task."""

    name: str
    critical: bool
    start: Callable[[], Awaitable[object]] = field(repr=False)
    starts: int = 0
    failures: int = 0
    """In all."""
    in_a_row: int = 0
    running: bool = False
    last_fault: str = ""
    started_s: float = 0.0
    budget_s: float | None = None
    """[s] It must make a cycle within this; None: it waits for something that may never come."""
    moved_s: float = 0.0
    """[s] Process time of its last cycle."""


class Supervisor:
    """Runs the program's tasks. Add them, then `run`; `stop` ends them in the reverse order of their adding."""

    def __init__(self, clock: Clock, rng: Chance, report: Callable[[Event], None]) -> None:
        """Start with no tasks.

        Args:
            clock: Process time, for the back-off.
            rng: For the jitter.
            report: Gets `task_failed`, `task_restarted` and `task_not_ended`.
        """
        self._clock = clock
        self._report = report
        self._backoff = Backoff(shortest_s=RESTART_SHORTEST_S, longest_s=RESTART_LONGEST_S, rng=rng)
        self._states: list[TaskState] = []
        self._tasks: dict[str, asyncio.Task[None]] = {}
        self._fatal: asyncio.Future[BaseException] | None = None
        self._started = False
        self._stopping = False
        self._left = False
        self._ending: set[str] = set()

    @property
    def states(self) -> tuple[TaskState, ...]:
        """Return every task's state, for health and metrics."""
        return tuple(self._states)

    def add(
        self,
        name: str,
        start: Callable[[], Awaitable[object]],
        *,
        critical: bool = False,
        budget_s: float | None = None,
    ) -> None:
        """Add a task; it starts with `run`, or at once where the supervisor runs already.

        Args:
            name: Unique; stands in events and metrics.
            start: Makes a new awaitable for every (re)start.
            critical: Its end is the end of the program.
            budget_s: [s] It must call `moved` within this; None: it waits for something that may never come.
        """
        if any(state.name == name for state in self._states):
            raise BugError(f"two tasks named {name!r}")
        state = TaskState(name, critical, start, budget_s=budget_s)
        self._states.append(state)
        if self._started:
            self._launch(state)

    def moved(self, name: str) -> None:
        """Note that a task has completed a cycle."""
        for state in self._states:
            if state.name == name:
                state.moved_s = self._clock.now_s()

    async def run(self) -> None:
        """Start all tasks and wait until one that is critical ends, or until `stop`.

        Raises:
            BaseException: whatever ended a critical task. BugError where it just returned.
        """
        self._fatal = asyncio.get_running_loop().create_future()
        if self._left:
            self._end(_Stopped())
        self._started = True
        for state in self._states:
            self._launch(state)
        raised = await self._fatal
        if not isinstance(raised, _Stopped):
            raise raised

    def leave(self) -> None:
        """Let `run` return while the tasks go on: the outputs are brought to rest before these end."""
        self._left = True
        self._end(_Stopped())

    async def end(self, name: str) -> None:
        """End one task for good, before the others."""
        self._ending.add(name)
        task = self._tasks.get(name)
        if task is None:
            return
        for _ in range(CANCELS):
            task.cancel()
            await asyncio.wait([task], timeout=CANCEL_AGAIN_S)
            if task.done():
                return
        self._report(event("task_not_ended", task=name))

    async def stop(self) -> None:
        """End all tasks, the last added first, and let `run` return."""
        self._stopping = True
        for state in reversed(self._states):
            await self.end(state.name)
        self._end(_Stopped())

    def _launch(self, state: TaskState) -> None:
        task = asyncio.create_task(self._watch(state), name=state.name)  # noqa: TID251 (this is the place)
        self._tasks[state.name] = task
        task.add_done_callback(self._on_done)

    def _on_done(self, task: asyncio.Task[None]) -> None:
        """Make even the end of a watcher known: it can only be a mistake in this module, or the end of the process."""
        if not self._stopping and not task.cancelled() and (fault := task.exception()) is not None:
            self._end(fault)

    def _end(self, fault: BaseException) -> None:
        if self._fatal is not None and not self._fatal.done():
            self._fatal.set_result(fault)

    async def _watch(self, state: TaskState) -> None:
        while True:
            fault = await self._run_once(state)
            state.running = False
            if state.name in self._ending:
                return  # it swallowed the call to end and came to its end some other way
            if self._left and isinstance(fault, BugError):
                return  # on the way out a task may end of itself
            state.failures += 1
            state.last_fault = f"{type(fault).__name__}: {fault}"
            self._report(event("task_failed", task=state.name, fault=state.last_fault, critical=state.critical))
            if state.critical:
                self._end(fault)
                return
            if self._clock.now_s() - state.started_s > PROVEN_AFTER_S:
                state.in_a_row = 0
            state.in_a_row += 1
            await self._clock.sleep_until(self._clock.now_s() + self._backoff.delay_s(state.in_a_row))
            self._report(event("task_restarted", task=state.name, failures_in_a_row=state.in_a_row))

    async def _run_once(self, state: TaskState) -> BaseException:
        state.starts += 1
        state.started_s = self._clock.now_s()
        state.running = True
        try:
            await state.start()
        except asyncio.CancelledError as fault:
            if state.name in self._ending:
                raise
            # Cancelled by a library or a mistake, not by us: that is a failure like any other.
            task = asyncio.current_task()
            while task is not None and task.cancelling():
                task.uncancel()
            return BugError(f"task {state.name!r} was cancelled by something else ({fault})")
        except Exception as fault:  # noqa: BLE001 (whatever it is: report it, and start again or end the program)
            return fault
        return BugError(f"task {state.name!r} returned; it is meant to run for ever")


class _Stopped(Exception):  # noqa: N818 (not an error: the way out of `run`)
    """Ends `run` in peace."""
