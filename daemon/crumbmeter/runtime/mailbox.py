"""Newest-wins mailbox of one device: at most one wish per output, each with an end to its life (REQ-25)."""

import asyncio
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Wish:
    """Words that should be written."""

    words: tuple[int, ...]
    expires_s: float
    """[s] Process time after which it may not be sent."""
    urgent: bool
    """Goes before those that are not."""


class Mailbox:
    """Holds the newest wish for each output of one device."""

    def __init__(self) -> None:
        self._wishes: dict[int, Wish] = {}
        self._news = asyncio.Event()

    def put(self, index: int, wish: Wish) -> None:
        """Replace the wish for an output."""
        self._wishes[index] = wish
        self._news.set()

    def discard(self, index: int) -> None:
        """Drop the wish for an output, if there is one."""
        self._wishes.pop(index, None)

    def clear(self) -> None:
        """Drop all."""
        self._wishes.clear()

    def first(self) -> int | None:
        """Return the output whose turn it is, urgent ones first and then by index; None where nothing waits."""
        if not self._wishes:
            self._news.clear()
            return None
        return min(self._wishes, key=lambda index: (not self._wishes[index].urgent, index))

    def take(self, index: int) -> Wish | None:
        """Take out the newest wish for an output."""
        return self._wishes.pop(index, None)

    async def wait(self) -> None:
        """Wait until something was put in."""
        await self._news.wait()
