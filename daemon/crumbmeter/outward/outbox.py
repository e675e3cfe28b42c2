"""What still has to go out, as a cursor over the journal's records. The record is the source; no copy of it is kept."""

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from crumbmeter.outward.payloads import Topic


@dataclass(frozen=True, slots=True)
class OutboxRecord:
    """One record on its way out."""

    seq: int
    """The journal's sequence number: strictly increasing, gaps allowed."""
    topic: Topic
    payload: bytes


class OutboxSource(Protocol):
    """The journal as the publisher sees it. The cursor survives a restart with it (REQ-37)."""

    async def position(self) -> int:
        """Return the sequence number up to which everything has been acknowledged; 0 at first."""
        ...

    async def fetch(self, after_seq: int, limit: int) -> Sequence[OutboxRecord]:
        """Return the oldest records after `after_seq` that go out, in order, at most `limit`."""
        ...

    async def advance(self, seq: int) -> None:
        """Note that the broker has acknowledged everything up to `seq`."""
        ...


class MemoryOutbox:
    """A bounded outbox without a journal: tests, and a site that records nothing. What does not fit is counted."""

    def __init__(self, limit: int = 1000) -> None:
        self._records: deque[OutboxRecord] = deque()
        self._limit = limit
        self._last_seq = 0
        self._acknowledged = 0
        self.dropped = 0
        """Records that were refused because the outbox was full."""

    def __len__(self) -> int:
        """Count what is waiting."""
        return len(self._records)

    def offer(self, topic: Topic, payload: bytes) -> bool:
        """Take one more record; False where the outbox is full: the oldest stay, so the order has no hole inside."""
        self._last_seq += 1
        if len(self._records) >= self._limit:
            self.dropped += 1
            return False
        self._records.append(OutboxRecord(self._last_seq, topic, payload))
        return True

    async def position(self) -> int:
        """Return the last acknowledged sequence number."""
        return self._acknowledged

    async def fetch(self, after_seq: int, limit: int) -> Sequence[OutboxRecord]:
        """Return the oldest records after `after_seq`."""
        found: list[OutboxRecord] = []
        for record in self._records:
            if record.seq > after_seq:
                found.append(record)
                if len(found) == limit:
                    break
        return found

    async def advance(self, seq: int) -> None:
        """Forget what was acknowledged."""
        self._acknowledged = max(self._acknowledged, seq)
        while self._records and self._records[0].seq <= seq:
            self._records.popleft()
