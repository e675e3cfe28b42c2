"""A reply that comes in the turn in which the time is up: a time-out, and never a task that ends."""

import asyncio

import pytest
from asyncua.common.utils import wait_for

from crumbmeter.adapters.opcua_patience import within


async def _asked_in_vain(ended: list[str]) -> None:
    loop = asyncio.get_running_loop()
    reply: asyncio.Future[int] = loop.create_future()

    async def exchange() -> int:
        return await reply

    due_s = loop.time() + 0.02
    loop.call_at(due_s - 1e-7, reply.set_result, 1)
    try:
        async with within(0.02):
            await wait_for(exchange(), 5.0)
        ended.append("answered")
    except TimeoutError:
        ended.append("time-out")


async def test_a_reply_at_the_last_moment_is_a_time_out_or_a_reply() -> None:
    ended: list[str] = []
    for _ in range(20):
        await _asked_in_vain(ended)
    assert len(ended) == 20
    assert set(ended) <= {"answered", "time-out"}


async def test_a_cancellation_with_a_result_in_it_is_a_time_out() -> None:
    class WithResult(asyncio.CancelledError):
        pass

    async def exchange() -> None:
        try:
            await asyncio.get_running_loop().create_future()
        except asyncio.CancelledError:
            raise WithResult((1, False)) from None

    with pytest.raises(TimeoutError):
        async with within(0.01):
            await exchange()


async def test_who_is_really_cancelled_ends() -> None:
    began = asyncio.Event()

    async def ask() -> None:
        async with within(5.0):
            began.set()
            await asyncio.get_running_loop().create_future()

    asking = asyncio.ensure_future(ask())
    await began.wait()
    asking.cancel()
    with pytest.raises(asyncio.CancelledError):
        await asking
