"""Decides whether the process deserves its watchdog: finished scans only, if every critical task moved (REQ-27).

Nothing here talks to systemd: `adapters.systemd` asks `wait_healthy` and sends. A loop that hangs, in Python or in C,
runs none of this, so nothing is sent. A task that lives but makes no progress is named by `late`.
"""

import asyncio
from collections.abc import Iterable

SCAN = "scan"


class Health:
    """Counts cycles of the scan and of the critical tasks since the watchdog was last fed."""

    def __init__(self, critical: Iterable[str] = ()) -> None:
        """Start unhealthy: nothing has run yet.

        Args:
            critical: names of the tasks that must complete a cycle between two feeds, beside the scan. Each must do
                so well within a third of the watchdog's time, or it is no task to judge the process by.
        """
        self._cycles: dict[str, int] = dict.fromkeys((SCAN, *critical), 0)
        self._at_feed = dict(self._cycles)
        self._complete = asyncio.Event()
        self.scans = 0
        """Finished scans since the start."""

    def scan_done(self) -> None:
        """Note a finished scan. Call it last, after the hand-over to the writer: a raised step never gets here."""
        self.scans += 1
        self.beat(SCAN)

    def beat(self, task: str) -> None:
        """Note one completed cycle of a critical task.

        Raises:
            KeyError: a task that was not declared critical; a mistake in the wiring.
        """
        self._cycles[task] += 1
        if not self.late():
            self._complete.set()

    def late(self) -> tuple[str, ...]:
        """Name what has not completed a cycle since the last feed, the scan first."""
        return tuple(name for name, count in self._cycles.items() if count == self._at_feed[name])

    async def wait_healthy(self) -> None:
        """Wait until the scan and every critical task have completed a cycle since the last feed."""
        await self._complete.wait()

    def fed(self) -> None:
        """Note that the watchdog was fed: from here on everything has to move again."""
        self._at_feed = dict(self._cycles)
        self._complete.clear()

    def status(self) -> str:
        """Say in one line how things stand, for `systemctl status`."""
        late = self.late()
        if not late:
            return f"{self.scans} scans"
        return f"{self.scans} scans; late: {', '.join(late)}"
