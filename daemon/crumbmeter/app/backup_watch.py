"""Tells when the newest good backup is too old (REQ-53). The backup itself is another process: `crumbmeter backup`."""

import asyncio
from collections.abc import Callable
from pathlib import Path
from typing import Final, NoReturn

from crumbmeter.journal.backup_status import BackupStatus, read_status
from crumbmeter.model.events import Event, event
from crumbmeter.ports import Clock

LOOK_S: Final = 60.0
"""[s] Process time between two looks at the status file."""
OVERDUE_S: Final = 26 * 3600.0
"""[s] A night, and two hours for a start that was late."""


class BackupWatch:
    """One task beside the scan. Nothing depends on it."""

    def __init__(self, folder: Path | None, clock: Clock, report: Callable[[Event], None]) -> None:
        """Prepare.

        Args:
            folder: Of the backup; None: the site names none, and the task is not to be run.
            clock: Process time, and wall time for the age.
            report: Gets `backup_overdue` and `backup_good_again`.
        """
        self._folder = folder
        self._clock = clock
        self._report = report
        self._good_us: int | None = None
        self._overdue = False

    @property
    def wanted(self) -> bool:
        """Tell whether there is anything to watch."""
        return self._folder is not None

    def age_s(self) -> float | None:
        """[s] Return the age of the newest good backup by wall time; None when there is none."""
        return None if self._good_us is None else max(0.0, (self._clock.wall_us() - self._good_us) / 1e6)

    async def run(self) -> NoReturn:
        """Look for ever."""
        while True:
            self.look(*await asyncio.to_thread(self._read))
            await self._clock.sleep_until(self._clock.now_s() + LOOK_S)

    def look(self, status: BackupStatus | None, unreadable: str = "") -> None:
        """Compare with what was told last.

        Args:
            status: As it stands beside the backup.
            unreadable: Why it cannot be read; the age then goes on from what was read last.
        """
        if not unreadable:
            self._good_us = None if status is None else status.good_us
        age_s = self.age_s()
        overdue = age_s is None or age_s > OVERDUE_S
        if overdue is self._overdue:
            return
        self._overdue = overdue
        age_h = None if age_s is None else age_s / 3600.0
        if overdue:
            why = unreadable or (status.problem if status else "") or ("there is none" if age_s is None else "")
            self._report(event("backup_overdue", age_h=age_h, detail=why))
        else:
            self._report(event("backup_good_again", age_h=age_h))

    def _read(self) -> tuple[BackupStatus | None, str]:
        try:
            return None if self._folder is None else read_status(self._folder), ""
        except (OSError, ValueError) as problem:
            return None, str(problem)
