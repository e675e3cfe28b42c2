"""Notices when the machine's wall clock is stepped. Nothing is moved by it but labels; those are marked (REQ-18)."""

from collections.abc import Callable
from typing import NoReturn

from crumbmeter.model.events import Event, event
from crumbmeter.ports import Clock

LOOK_S = 10.0
"""[s] Between two looks. Process time."""
STEP_S = 2.0
"""[s] A wall clock that moves by more than this against the monotonic one was stepped."""


class ClockWatch:
    """Compares the wall clock with what it should show by the monotonic clock."""

    def __init__(
        self, error_s: Callable[[], float], clock: Clock, report: Callable[[Event], None], on_step: Callable[[], None]
    ) -> None:
        """Prepare.

        Args:
            error_s: [s] How far the wall clock is ahead of where it should be.
            clock: Process time.
            report: Gets `clock_step`.
            on_step: Called before the event is reported, so that it is marked itself.
        """
        self._error_s = error_s
        self._clock = clock
        self._report = report
        self._on_step = on_step
        self._known_s = 0.0

    def look(self) -> None:
        """Look once."""
        error_s = self._error_s()
        step_s = error_s - self._known_s
        self._known_s = error_s
        if abs(step_s) > STEP_S:
            self._on_step()
            self._report(event("clock_step", step_s=round(step_s, 3), ahead_s=round(error_s, 3)))

    async def run(self) -> NoReturn:
        """Look for ever."""
        while True:
            await self._clock.sleep_until(self._clock.now_s() + LOOK_S)
            self.look()
