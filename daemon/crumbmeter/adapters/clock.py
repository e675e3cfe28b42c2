"""The real clock: the one place that reads the machine's clocks and that waits.

Process time is monotonic and runs at the site's rate; it starts at an injected offset, so that nobody comes to rely on
its zero. Wall time is read once and then follows process time: a step of it moves no interval (REQ-18).
"""

import asyncio
import time
from collections.abc import Callable


def machine_wall_us() -> int:
    """[us] Return UTC since 1970 as the machine's wall clock shows it."""
    return time.time_ns() // 1000


def machine_pause(pause_s: float) -> None:
    """Wait so long [s] of real time. For commands that wait for another process; never on a loop."""
    time.sleep(pause_s)


class RealClock:
    """Clock on the running loop. Build it inside the loop."""

    def __init__(
        self, *, rate: float = 1.0, start_s: float = 0.0, read_wall_us: Callable[[], int] = machine_wall_us
    ) -> None:
        """Start process time.

        Args:
            rate: [1] Process seconds per real second. Anything but 1 is refused by the site unless it is simulated.
            start_s: [s] Process time at this moment.
            read_wall_us: [us] Reads the wall clock.
        """
        if not rate > 0.0:
            raise ValueError(f"a clock needs a rate above 0, not {rate!r}")
        self._loop = asyncio.get_running_loop()
        self._rate = rate
        self._start_s = start_s
        self._loop_start_s = self._loop.time()
        self._read_wall_us = read_wall_us
        self._wall_start_us = read_wall_us()

    @property
    def rate(self) -> float:
        """[1] Return process seconds per real second."""
        return self._rate

    def now_s(self) -> float:
        """[s] Return process time."""
        return (self._loop.time() - self._loop_start_s) * self._rate + self._start_s

    def wall_us(self) -> int:
        """[us] Return UTC since 1970 as it follows from process time."""
        return self._wall_start_us + round((self.now_s() - self._start_s) * 1e6)

    def wall_error_s(self) -> float:
        """[s] Return how far the wall clock is ahead of where it would be had nobody set it since the start."""
        passed_us = (self._loop.time() - self._loop_start_s) * 1e6
        return (self._read_wall_us() - self._wall_start_us - passed_us) / 1e6

    async def sleep_until(self, due_s: float) -> None:
        """Wait until process time `due_s` [s]. Yields to other tasks even where that has passed."""
        while (left_s := due_s - self.now_s()) > 0.0:
            await asyncio.sleep(left_s / self._rate)
            if due_s - self.now_s() < 1e-6 * self._rate:
                return
        await asyncio.sleep(0)
