"""Eight units on one connection, over all three transports: whoever dies, the others keep their period (lesson 11)."""

import asyncio
import itertools
from collections.abc import AsyncIterator, Callable
from random import Random

import pytest

from crumbmeter.adapters.clock import RealClock
from crumbmeter.adapters.modbus import LinkMaker, silence_library
from crumbmeter.field.plan import make_plan
from crumbmeter.field.spec import DeviceSpec
from crumbmeter.model.image import RawBlock
from crumbmeter.runtime.buffer import InputBuffer
from crumbmeter.runtime.link import make_lines
from crumbmeter.runtime.poller import DevicePoller
from crumbmeter.runtime.supervisor import Supervisor
from crumbmeter.runtime.tally import DeviceTally
from tests import raw_modbus as raw
from tests.fakes import Reports, device_spec, source
from tests.raw_modbus import RawServer
from tests.serial_peers import PtyBus, SerialPeer, TcpBus


@pytest.fixture(autouse=True)
def quiet_library() -> None:
    """Keep the library's hex dumps out of the report; at import time it would reach other modules' tests too."""
    silence_library()


UNITS = tuple(range(1, 9))
PERIOD_S = 0.1
TIMING: dict[str, object] = {
    "timeout_s": 0.02,
    "worst_response_s": 0.02,
    "idle_timeout_s": 0.02,
    "backoff_min_s": 0.05,
    "backoff_max_s": 0.4,
    "connect_timeout_s": 1.0,
}


class Serial:
    """Eight units on a serial bus."""

    def __init__(self, make: type[PtyBus] | type[TcpBus]) -> None:
        self.bus = make(SerialPeer(UNITS))

    async def start(self) -> None:
        await self.bus.start()

    async def stop(self) -> None:
        await self.bus.stop()

    def spec(self, unit: int) -> DeviceSpec:
        return self.bus.spec(f"u{unit}", unit_id=unit, **TIMING)

    def kill(self, *units: int) -> None:
        self.bus.peer.dead = set(units)


class Gateway:
    """Eight units behind a TCP gateway that stays silent for dead ones."""

    def __init__(self) -> None:
        self.server = RawServer(UNITS)
        self.dead: set[int] = set()
        self.server.always = self._answer

    def _answer(self, connection: raw.Connection, request: bytes, reply: bytes) -> None:
        if request[6] not in self.dead:
            connection.transport.write(reply)

    async def start(self) -> None:
        await self.server.start()

    async def stop(self) -> None:
        await self.server.stop()

    def spec(self, unit: int) -> DeviceSpec:
        return device_spec(f"u{unit}", port=self.server.port, unit_id=unit, **TIMING)

    def kill(self, *units: int) -> None:
        self.dead = set(units)


class SayingGateway(Gateway):
    """A gateway that answers for dead ones with exception 11, after the time it waited for them."""

    def _answer(self, connection: raw.Connection, request: bytes, reply: bytes) -> None:
        if request[6] in self.dead:
            loop = asyncio.get_running_loop()
            loop.call_later(0.015, raw.exception(11), connection, request, reply)
        else:
            connection.transport.write(reply)


World = Serial | Gateway
WORLDS: dict[str, Callable[[], World]] = {
    "serial": lambda: Serial(PtyBus),
    "serial over tcp": lambda: Serial(TcpBus),
    "gateway": Gateway,
    "gateway that says 11": SayingGateway,
}


class Bench:
    """All pollers of the bus."""

    def __init__(self, world: World) -> None:
        self.clock = RealClock()
        self.reports = Reports()
        devices = [world.spec(unit) for unit in UNITS]
        self.maker = LinkMaker(devices)
        self.lines = make_lines(devices, self.maker, self.clock, Random(1).random, self.reports)
        sources = [source(f"s{unit}", 3, device=unit - 1, period_s=PERIOD_S) for unit in UNITS]
        plan = make_plan(devices, sources, [])
        buffer = InputBuffer(blocks=len(plan.blocks), outputs=0)
        self.times: dict[int, list[float]] = {unit: [] for unit in UNITS}
        self._news = asyncio.Event()
        buffer.watch(self._note)
        self.supervisor = Supervisor(self.clock, Random(3).random, self.reports)
        self.supervisor.add("link", self.lines[0].endpoint.keep)
        self.tallies = [DeviceTally() for _ in UNITS]
        for index, line in enumerate(self.lines):
            poller = DevicePoller(
                line, [(index, plan.blocks[index])], buffer, self.clock, self.reports, self.tallies[index]
            )
            self.supervisor.add(f"poll {index}", poller.run)

    def _note(self, index: int, block: RawBlock) -> None:
        self.times[index + 1].append(block.received_s)
        self._news.set()

    async def rounds(self, unit: int, count: int) -> None:
        """Wait until a unit has answered so often once more."""
        goal = len(self.times[unit]) + count
        async with asyncio.timeout(20.0):
            while len(self.times[unit]) < goal:
                self._news.clear()
                await self._news.wait()

    def forget(self) -> None:
        for times in self.times.values():
            times.clear()

    def period_s(self, unit: int) -> float:
        """[s] The mean time between answers of late."""
        times = self.times[unit]
        return (times[-1] - times[0]) / (len(times) - 1)


@pytest.fixture(params=list(WORLDS))
async def stand(request: pytest.FixtureRequest) -> AsyncIterator[tuple[World, Bench]]:
    world = WORLDS[request.param]()
    await world.start()
    bench = Bench(world)
    async with asyncio.TaskGroup() as group:
        running = group.create_task(bench.supervisor.run())
        yield world, bench
        await bench.supervisor.stop()
        await running
    await bench.lines[0].endpoint.close()
    await world.stop()


@pytest.mark.slow
async def test_the_healthy_ones_keep_their_period_whoever_is_dead(stand: tuple[World, Bench]) -> None:
    world, bench = stand
    await bench.rounds(1, 3)
    cases = [*((unit,) for unit in UNITS), tuple(UNITS[1:])]
    for dead in cases:
        world.kill(*dead)
        alive = [unit for unit in UNITS if unit not in dead]
        await bench.rounds(alive[0], 4)  # in which the dead ones are found out
        bench.forget()
        busy_s = {unit: bench.maker.counts[f"u{unit}"].busy_s for unit in UNITS}
        began_s = bench.clock.now_s()
        await bench.rounds(alive[0], 8)
        elapsed_s = bench.clock.now_s() - began_s
        for unit in alive:
            assert bench.period_s(unit) == pytest.approx(PERIOD_S, rel=0.1), (dead, unit)
            gaps = [later - earlier for earlier, later in itertools.pairwise(bench.times[unit])]
            assert max(gaps) < 2.0 * PERIOD_S, (dead, unit)
        failing_s = sum(bench.maker.counts[f"u{unit}"].busy_s - busy_s[unit] for unit in dead)
        assert failing_s <= 0.2 * elapsed_s + bench.lines[0].breaker.cost_s + 0.05
        world.kill()
        for unit in dead:
            await bench.rounds(unit, 2)
    assert bench.reports.names.count("link_down") == 0


@pytest.mark.slow
async def test_a_probe_finds_a_unit_that_is_back_within_the_cap(stand: tuple[World, Bench]) -> None:
    world, bench = stand
    await bench.rounds(4, 3)
    bench.reports.events.clear()
    world.kill(4)
    await bench.rounds(5, 10)
    world.kill()
    began_s = bench.clock.now_s()
    await bench.rounds(4, 1)
    assert bench.clock.now_s() - began_s < 0.4 + 2 * PERIOD_S + 0.2
    lost = [happening.get("device") for happening in bench.reports.events if happening.name == "device_lost"]
    assert lost == ["u4"]
