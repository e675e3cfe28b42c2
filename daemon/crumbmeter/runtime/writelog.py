"""What was sent, and what became of it: to be held against the device's own account of what it was told (REQ-3)."""

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum


class WriteOutcome(StrEnum):
    """What became of one write."""

    ACKNOWLEDGED = "acknowledged"
    REFUSED = "refused"
    """The device answered with an exception."""
    UNANSWERED = "unanswered"
    """Sent, and not known whether taken."""
    NOT_SENT = "not sent"
    """There was no connection."""


@dataclass(frozen=True, slots=True)
class Written:
    """One write."""

    at_s: float
    """[s] Process time at which its outcome was known."""
    role: str
    words: tuple[int, ...]
    outcome: WriteOutcome


class WriteLog:
    """The newest writes, oldest first."""

    def __init__(self, most: int = 10_000) -> None:
        self._writes: deque[Written] = deque(maxlen=most)
        self.total = 0
        """Writes noted in all; more than are kept."""

    def note(self, written: Written) -> None:
        """Append one."""
        self._writes.append(written)
        self.total += 1

    def __iter__(self) -> Iterator[Written]:
        """Iterate what is kept."""
        return iter(tuple(self._writes))

    def __len__(self) -> int:
        """Count what is kept."""
        return len(self._writes)

    def last_acknowledged(self, role: str) -> tuple[int, ...] | None:
        """Return the words that the device last said to have taken; None where it is not known what it holds."""
        for written in reversed(self._writes):
            if written.role == role and written.outcome is not WriteOutcome.NOT_SENT:
                return written.words if written.outcome is WriteOutcome.ACKNOWLEDGED else None
        return None
