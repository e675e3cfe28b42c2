"""Hands each finished scan to everyone who wants it, and never holds up the scan (R15).

Consumers and their written policies:

===========  ==================  =========================================================================
consumer     queue               when it cannot keep up
===========  ==================  =========================================================================
recorder     `Bounded`           new scans are refused and counted; a gap is reported, what is queued stays
mqtt state   `Latest`            newest wins; parcels and events come from the journal, in order
socket       `Latest`            last value only
metrics      `Latest`            last value only
===========  ==================  =========================================================================

Every refusal and every exception of a consumer is counted, and reported as a transition: once when it begins, once with
the count when it ends.
"""

import asyncio
import contextlib
from collections import deque
from collections.abc import Callable
from typing import Generic, Protocol, TypeVar

from crumbmeter.model.events import Event, event

T = TypeVar("T")
T_contra = TypeVar("T_contra", contravariant=True)


class Consumer(Protocol[T_contra]):
    """One who takes scans without waiting."""

    def offer_nowait(self, item: T_contra) -> bool:
        """Take the item, or return False where there is no room. Must not block."""
        ...


class Latest(Generic[T]):
    """Holds the last value only. Readers in other threads may look at `value`; it is one reference, swapped whole."""

    def __init__(self) -> None:
        self.value: T | None = None
        self.count = 0
        """How many values have come; tells a reader whether there is a newer one than it has seen."""
        self._news = asyncio.Event()

    def offer_nowait(self, item: T) -> bool:
        """Replace the value and wake all that wait."""
        self.value = item
        self.count += 1
        self._news.set()
        self._news = asyncio.Event()
        return True

    async def wait_newer(self, seen: int) -> T:
        """Wait until more than `seen` values have come, and return the last.

        Args:
            seen: `count` as it was when the caller last looked.
        """
        while self.count <= seen or self.value is None:
            await self._news.wait()
        return self.value


class Bounded(Generic[T]):
    """First in, first out, up to a limit. What comes while it is full is refused."""

    def __init__(self, limit: int) -> None:
        self._limit = limit
        self._items: deque[T] = deque()
        self._news = asyncio.Event()

    def __len__(self) -> int:
        """Count what is waiting."""
        return len(self._items)

    def offer_nowait(self, item: T) -> bool:
        """Queue the item; False where the queue is full."""
        if len(self._items) >= self._limit:
            return False
        self._items.append(item)
        self._news.set()
        return True

    def take_nowait(self, limit: int) -> tuple[T, ...]:
        """Take the oldest items, at most `limit`."""
        taken = tuple(self._items.popleft() for _ in range(min(limit, len(self._items))))
        if not self._items:
            self._news.clear()
        return taken

    async def wait_take(self, limit: int) -> tuple[T, ...]:
        """Wait until there is something, and take the oldest items, at most `limit`."""
        await self._news.wait()
        return self.take_nowait(limit)


class _Line(Generic[T]):
    """One consumer with what happened to it."""

    def __init__(self, name: str, consumer: Consumer[T]) -> None:
        self.name = name
        self.consumer = consumer
        self.dropped = 0
        self.faults = 0
        self.run = 0
        """Length of the present run of losses; 0 while all goes well."""


class Fanout(Generic[T]):
    """Publishes to all consumers. `publish_nowait` neither blocks nor raises."""

    def __init__(self, report: Callable[[Event], None]) -> None:
        """Start with nobody.

        Args:
            report: gets one event when a consumer begins to lose scans and one when it has stopped losing them.
        """
        self._report = report
        self._lines: list[_Line[T]] = []

    def add(self, name: str, consumer: Consumer[T]) -> None:
        """Add a consumer under a name that stands in events and metrics."""
        self._lines.append(_Line(name, consumer))

    def losses(self) -> dict[str, tuple[int, int]]:
        """Return per consumer: items refused, and items lost to its exceptions. Both only grow."""
        return {line.name: (line.dropped, line.faults) for line in self._lines}

    def publish_nowait(self, item: T) -> None:
        """Hand the item to every consumer."""
        for line in self._lines:
            why = self._offer(line, item)
            if why is None:
                self._mend(line)
            else:
                self._lose(line, why)

    def _offer(self, line: _Line[T], item: T) -> str | None:
        try:
            if line.consumer.offer_nowait(item):
                return None
        except Exception as fault:  # noqa: BLE001 - a consumer's bug must not reach the scan
            line.faults += 1
            return f"{type(fault).__name__}: {fault}"
        line.dropped += 1
        return "no room"

    def _lose(self, line: _Line[T], why: str) -> None:
        line.run += 1
        if line.run == 1:
            self._tell(event("consumer_losing", consumer=line.name, why=why))

    def _mend(self, line: _Line[T]) -> None:
        if line.run:
            lost, line.run = line.run, 0
            self._tell(event("consumer_recovered", consumer=line.name, lost_count=lost))

    def _tell(self, happening: Event) -> None:
        with contextlib.suppress(Exception):
            self._report(happening)
