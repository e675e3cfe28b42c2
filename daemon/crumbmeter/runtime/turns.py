"""One at a time on a connection: first those who may go ahead, each in the order of arrival (REQ-19)."""

import asyncio
from collections import deque


class Turns:
    """A queue for one connection. A waiting write goes before every waiting read; nobody interrupts an exchange."""

    def __init__(self) -> None:
        self._taken = False
        self._ahead: deque[asyncio.Future[None]] = deque()
        self._rest: deque[asyncio.Future[None]] = deque()

    @property
    def waiting(self) -> int:
        """Count those who wait."""
        return len(self._ahead) + len(self._rest)

    async def take(self, *, ahead: bool) -> None:
        """Wait for the turn. Whoever got it must give it back."""
        if not self._taken:
            self._taken = True
            return
        queue = self._ahead if ahead else self._rest
        turn = asyncio.get_running_loop().create_future()
        queue.append(turn)
        try:
            await turn
        except asyncio.CancelledError:
            if turn.done() and not turn.cancelled():
                self.give()
            elif turn in queue:
                queue.remove(turn)
            raise

    def give(self) -> None:
        """Hand the turn to the next, or leave it free."""
        for queue in (self._ahead, self._rest):
            while queue:
                turn = queue.popleft()
                if not turn.done():
                    turn.set_result(None)
                    return
        self._taken = False
