"""Time-outs around asyncua. Below Python 3.12 it waits by `wait_for2`, which has a cancellation of its own.

Where a reply comes in the very turn of the loop in which the time is up, `wait_for2` raises a *subclass* of
CancelledError; `asyncio.timeout` takes only the class itself for its own doing and would let the other one through: the
task that asked would end as if somebody had cancelled it.
"""

import asyncio
import contextlib
from collections.abc import AsyncIterator


@contextlib.asynccontextmanager
async def within(seconds: float) -> AsyncIterator[None]:
    """Let what is done inside take so long [s] of the loop's time, whatever kind of cancellation it ends with.

    Raises:
        TimeoutError: it took longer.
    """
    async with asyncio.timeout(seconds):
        try:
            yield
        except asyncio.CancelledError:
            raise asyncio.CancelledError from None
