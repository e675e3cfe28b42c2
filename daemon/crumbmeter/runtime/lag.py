"""How late the loop is, and which task has not moved: measured beside the scan, told as transitions (REQ-8, REQ-9).

A blocked loop shows twice: the tick below comes late, and the scan's own lateness grows. A task that lives but makes no
cycle within its budget is a fault like one that has died; it is named.
"""

from collections.abc import Callable, Sequence
from typing import NoReturn

from crumbmeter.model.events import Event, event
from crumbmeter.ports import Clock
from crumbmeter.runtime.supervisor import TaskState

TICKS_PER_SCAN = 4.0
LAGGING_SHARE = 0.2
"""Share of a scan by which the loop may be late (REQ-8)."""
SMOOTHED_TICKS = 40.0
"""Ticks over which the lag is averaged before it is called lagging: ten scans."""
BACK_SHARE = 0.5
"""The loop has kept up again when the average is below this share of the limit."""


class LoopLag:
    """Ticks on the loop and measures how late each tick comes."""

    def __init__(self, clock: Clock, scan_period_s: float, report: Callable[[Event], None]) -> None:
        """Prepare.

        Args:
            clock: Process time.
            scan_period_s: [s] Of the scan. Process time.
            report: Gets `loop_lagging` and `loop_keeps_up`, as transitions.
        """
        self._clock = clock
        self._tick_s = scan_period_s / TICKS_PER_SCAN
        self._limit_s = LAGGING_SHARE * scan_period_s
        self._report = report
        self._lagging = False
        self.mean_s = 0.0
        """[s] Process time by which ticks come late, averaged."""
        self.worst_s = 0.0
        """[s] The latest of all ticks."""

    async def run(self) -> NoReturn:
        """Tick for ever."""
        due_s = self._clock.now_s()
        while True:
            due_s = max(due_s + self._tick_s, self._clock.now_s())
            await self._clock.sleep_until(due_s)
            self.note(self._clock.now_s() - due_s)

    def note(self, late_s: float) -> None:
        """Take one tick's lateness [s] into the average, and tell when it crosses the limit."""
        self.worst_s = max(self.worst_s, late_s)
        self.mean_s += (late_s - self.mean_s) / SMOOTHED_TICKS
        if not self._lagging and self.mean_s > self._limit_s:
            self._lagging = True
            self._report(event("loop_lagging", lag_s=round(self.mean_s, 4), limit_s=round(self._limit_s, 4)))
        elif self._lagging and self.mean_s < BACK_SHARE * self._limit_s:
            self._lagging = False
            self._report(event("loop_keeps_up", lag_s=round(self.mean_s, 4)))


class TaskWatch:
    """Looks at every supervised task that has a budget, and names those that have not made a cycle within it."""

    def __init__(
        self,
        states: Callable[[], Sequence[TaskState]],
        clock: Clock,
        report: Callable[[Event], None],
        every_s: float = 1.0,
    ) -> None:
        """Prepare.

        Args:
            states: The supervisor's tasks.
            clock: Process time.
            report: Gets `task_late` and `task_moves`, as transitions.
            every_s: [s] Between two looks.
        """
        self._states = states
        self._clock = clock
        self._report = report
        self._every_s = every_s
        self._late: set[str] = set()

    @property
    def late(self) -> frozenset[str]:
        """Name the tasks that are late now."""
        return frozenset(self._late)

    async def run(self) -> NoReturn:
        """Look for ever."""
        while True:
            await self._clock.sleep_until(self._clock.now_s() + self._every_s)
            self.look()

    def look(self) -> None:
        """Look once."""
        now_s = self._clock.now_s()
        for state in self._states():
            if state.budget_s is None:
                continue
            silent_s = now_s - max(state.moved_s, state.started_s)
            late = state.running and silent_s > state.budget_s
            if late and state.name not in self._late:
                self._late.add(state.name)
                self._report(event("task_late", task=state.name, silent_s=round(silent_s, 1), budget_s=state.budget_s))
            elif not late and state.name in self._late:
                self._late.discard(state.name)
                self._report(event("task_moves", task=state.name))
