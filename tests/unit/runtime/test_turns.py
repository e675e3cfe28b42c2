"""The queue of a connection: one at a time, those ahead first, and nobody who leaves keeps the turn."""

import asyncio

from crumbmeter.runtime.turns import Turns
from tests.fakes import settle


async def test_those_ahead_go_first_and_each_in_order() -> None:
    turns = Turns()
    order: list[str] = []

    async def one(name: str, *, ahead: bool) -> None:
        await turns.take(ahead=ahead)
        order.append(name)
        await settle()
        turns.give()

    await turns.take(ahead=False)
    async with asyncio.TaskGroup() as group:
        for name in ("read1", "read2"):
            group.create_task(one(name, ahead=False))
        for name in ("write1", "write2"):
            group.create_task(one(name, ahead=True))
        while turns.waiting < 4:
            await settle()
        turns.give()
    assert order == ["write1", "write2", "read1", "read2"]
    await turns.take(ahead=False)  # free again


async def test_one_who_is_cancelled_leaves_the_queue() -> None:
    turns = Turns()
    await turns.take(ahead=False)
    async with asyncio.TaskGroup() as group:
        leaver = group.create_task(turns.take(ahead=True))
        stayer = group.create_task(turns.take(ahead=False))
        await settle()
        leaver.cancel()
        await settle()
        assert turns.waiting == 1
        turns.give()
        await stayer
    assert leaver.cancelled()


async def test_one_who_is_cancelled_with_the_turn_in_hand_passes_it_on() -> None:
    turns = Turns()
    await turns.take(ahead=False)
    async with asyncio.TaskGroup() as group:
        leaver = group.create_task(turns.take(ahead=False))
        stayer = group.create_task(turns.take(ahead=False))
        await settle()
        turns.give()  # to the leaver, who has not run yet
        leaver.cancel()
        await stayer
    assert leaver.cancelled()
