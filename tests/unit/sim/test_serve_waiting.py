"""A plant whose time begins with the first request looks after its devices at once, however long it had waited."""

import asyncio
from pathlib import Path

from crumbmeter_sim.rigs import open_rig
from crumbmeter_sim.serve import Player, ServeOptions

ROOT = Path(__file__).parents[3]
WAITED = 120
"""Turns of the loop before the first request: more than two seconds."""


class Turns:
    """Stands where the devices are, and counts how often they are looked after."""

    def __init__(self) -> None:
        self.count = 0
        self.more = asyncio.Event()

    async def follow(self) -> None:
        self.count += 1
        self.more.set()

    async def until(self, count: int) -> None:
        while self.count < count:
            self.more.clear()
            await self.more.wait()


async def test_a_long_wait_for_the_first_request_is_not_waited_again() -> None:
    rig = open_rig(ROOT / "config/scenarios/demo_shift.toml")
    player = Player(rig, ServeOptions(rate=1.0, hold_until_request=True, hold_at_end=True))
    turns, stop = Turns(), asyncio.Event()
    playing = asyncio.ensure_future(player.play(turns, None, stop))  # type: ignore[arg-type]
    async with asyncio.timeout(20):
        await turns.until(WAITED)
        player.request_came()
        assert rig.now_s == 0.0
        async with asyncio.timeout(1.0):
            await turns.until(WAITED + 3)
        stop.set()
        async with asyncio.timeout(1.0):
            await playing
