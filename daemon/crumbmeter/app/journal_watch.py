"""Tells when the journal cannot store or gives up entries for want of space, and when that is over."""

from collections.abc import Callable
from typing import NoReturn

from crumbmeter.journal.journal import JournalStatus
from crumbmeter.journal.limits import WAL_PAGE_BYTES
from crumbmeter.journal.space import Level
from crumbmeter.model.events import Event, event
from crumbmeter.ports import Clock

LOOK_S = 1.0
"""[s] Process time between two looks."""

SPACE = {
    Level.AMPLE: "ample",
    Level.LOW: "low",
    Level.SHED_IMAGE: "too low for images of scans",
    Level.SHED_RECORD: "too low for anything",
}


class JournalWatch:
    """One task beside the scan."""

    def __init__(
        self, status: Callable[[], JournalStatus | None], clock: Clock, report: Callable[[Event], None]
    ) -> None:
        """Prepare.

        Args:
            status: Of the journal; None before it is opened.
            clock: Process time.
            report: Gets `journal_unavailable`, `journal_available_again`, `journal_space_changed`, `journal_wal_long`
                and `journal_wal_short_again`.
        """
        self._status = status
        self._clock = clock
        self._report = report
        self._failing = False
        self._space = Level.AMPLE
        self._wal_long = False

    async def run(self) -> NoReturn:
        """Look for ever."""
        while True:
            status = self._status()
            if status is not None:
                self.look(status)
            await self._clock.sleep_until(self._clock.now_s() + LOOK_S)

    def look(self, status: JournalStatus) -> None:
        """Compare with what was told last."""
        dropped = sum(status.dropped.values())
        if bool(status.failing) != self._failing:
            self._failing = bool(status.failing)
            if self._failing:
                self._report(event("journal_unavailable", detail=status.failing))
            else:
                self._report(event("journal_available_again", dropped_count=dropped))
        if status.wal_long is not self._wal_long:
            self._wal_long = status.wal_long
            if self._wal_long:
                self._report(event("journal_wal_long", wal_mb=status.wal_pages * WAL_PAGE_BYTES / 1e6))
            else:
                self._report(event("journal_wal_short_again", dropped_count=dropped))
        if status.space is not self._space:
            was, self._space = self._space, status.space
            self._report(event("journal_space_changed", was=SPACE[was], to=SPACE[status.space], dropped_count=dropped))
