"""The only place of the simulator that reads a clock or waits. Plant time comes from here when real sockets play."""

import asyncio
import time


class RealClock:
    """Plant time that runs at a rate beside the machine's monotonic clock."""

    def __init__(self, rate: float = 1.0) -> None:
        self.rate = rate
        self._began_s = self._monotonic_s()

    def now_s(self) -> float:
        """[s] Return plant time since this clock was made."""
        return (self._monotonic_s() - self._began_s) * self.rate

    async def sleep_until(self, due_s: float) -> None:
        """Wait until plant time `due_s` [s]; let others run even where that has passed."""
        await asyncio.sleep(max(0.0, (due_s - self.now_s()) / self.rate))  # noqa: TID251 - the clock module itself

    def restart(self) -> None:
        """Let plant time begin now."""
        self._began_s = self._monotonic_s()

    @staticmethod
    def stamp_s() -> float:
        """[s] Return the time of day since 1970, for protocols that stamp what they show."""
        return time.time()  # noqa: TID251 - the clock module itself

    @staticmethod
    def _monotonic_s() -> float:
        return time.monotonic()  # noqa: TID251 - the clock module itself
