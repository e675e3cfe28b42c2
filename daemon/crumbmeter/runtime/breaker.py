"""What keeps a failing unit from costing the others their time: a breaker a unit, a fifth of the bus for all (REQ-11).

A unit that has failed is a suspect. After so many failures in a row its breaker is open, and it is only probed, in
growing intervals. On a connection that several units share, suspects wait for a time in which the others are not due,
and all of them together get no more than a fifth of it.
"""

import asyncio
from collections.abc import Sequence

from crumbmeter.ports import Clock
from crumbmeter.runtime.backoff import Backoff

FAILING_SHARE = 0.2
"""[fraction] Of a shared connection's time, for all suspects together."""
_FORCED_AFTER = 5.0
"""A probe that has found no time of its own for so many times what it takes is sent all the same."""
_NEVER_S = float("-inf")


class Breaker:
    """One unit's failures in a row. All times are process time [s]."""

    def __init__(self, threshold: int, backoff: Backoff) -> None:
        self._threshold = threshold
        self._backoff = backoff
        self.failures = 0
        """Requests in a row that were sent and not answered as they should."""
        self.rest_until_s = _NEVER_S
        self.cost_s = 0.0
        """[s] What its latest failure took, with all waiting for silence."""

    @property
    def suspect(self) -> bool:
        """Tell whether its newest request failed."""
        return self.failures > 0

    @property
    def open(self) -> bool:
        """Tell whether it is only probed."""
        return self.failures >= self._threshold

    def failed(self, now_s: float, cost_s: float) -> None:
        """Note a request that was sent and failed, and what it took [s]."""
        self.failures += 1
        self.cost_s = cost_s
        # From its sending, so that from one probe to the next it is never longer than the longest back-off.
        rest_s = self._backoff.delay_s(self.failures - self._threshold + 1) - cost_s
        self.rest_until_s = now_s + max(rest_s, 0.0)

    def answered(self) -> bool:
        """Note a right answer; return whether the breaker was open."""
        was_open, self.failures, self.rest_until_s = self.open, 0, _NEVER_S
        return was_open


class Slots:
    """When suspects of one connection may be asked."""

    def __init__(self, breakers: Sequence[Breaker], clock: Clock) -> None:
        self._breakers = breakers
        self._clock = clock
        self._due_s = [float("inf")] * len(breakers)
        self._free_from_s = _NEVER_S
        self._moved = asyncio.Event()
        self._queue = asyncio.Lock()
        self._granted: int | None = None
        self.busy = False
        """Whether somebody has the connection at the moment."""

    def note_due(self, position: int, due_s: float) -> None:
        """Note that a device has ended its round and when it will next be asked [s]."""
        self._due_s[position] = due_s
        if self._granted == position:
            self._granted = None
        self._moved.set()

    def note_free(self) -> None:
        """Note that nobody has the connection."""
        self.busy = False
        self._moved.set()

    def note_cost(self, began_s: float, ended_s: float) -> None:
        """Note for how long a failing unit has just had the connection: no suspect is asked until that is a fifth."""
        self._free_from_s = max(self._free_from_s, began_s) + (ended_s - began_s) / FAILING_SHARE

    async def wait(self, position: int) -> None:
        """Wait until the suspect at `position` may be asked, or is none any more."""
        breaker, asked_s = self._breakers[position], None
        async with self._queue:
            while breaker.suspect:
                now_s = self._clock.now_s()
                if now_s < self._free_from_s:
                    await self._clock.sleep_until(self._free_from_s)
                    continue
                asked_s = now_s if asked_s is None else asked_s
                forced = now_s - asked_s > _FORCED_AFTER * breaker.cost_s
                if self._granted is None and (forced or self._fits(breaker.cost_s)):
                    break
                self._moved.clear()
                await self._moved.wait()
            self._granted = position

    def _fits(self, cost_s: float) -> bool:
        others = (due_s for due_s, breaker in zip(self._due_s, self._breakers, strict=True) if not breaker.suspect)
        return not self.busy and min(others, default=float("inf")) - self._clock.now_s() >= cost_s
