"""What is kept beside the journal and looked at now and then: lifetime counts of writes, and the wall clock."""

import asyncio
from pathlib import Path
from typing import NoReturn

from crumbmeter.ports import Clock
from crumbmeter.runtime.endurance import save_counts
from crumbmeter.runtime.writer import OutputWriter

SAVE_S = 600.0
"""[s] Between two savings of the counts. Process time. A crash forgets the writes since the last one."""


class WriteCounts:
    """Keeps how often each output was written, in a small file."""

    def __init__(self, path: Path, writer: OutputWriter, clock: Clock) -> None:
        self._path = path
        self._writer = writer
        self._clock = clock
        self._saved: dict[str, int] = {}

    async def run(self) -> NoReturn:
        """Save now and then. A disk that does not take them ends the task; the supervisor tells, and tries again."""
        while True:
            await self._clock.sleep_until(self._clock.now_s() + SAVE_S)
            await self.save()

    async def save(self) -> None:
        """Save what has changed, beside the loop.

        Raises:
            OSError: the disk does not take it.
        """
        counts = self._writer.budget.counts()
        if counts != self._saved:
            await asyncio.to_thread(save_counts, self._path, counts)
            self._saved = counts
