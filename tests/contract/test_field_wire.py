"""Pollers and writer over real sockets against servers of bytes: what is on the wire, and what one bad peer costs."""

import asyncio
import logging
import os
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager
from random import Random

import pytest

from crumbmeter.adapters.clock import RealClock
from crumbmeter.adapters.modbus import make_links, silence_library
from crumbmeter.field.plan import make_plan
from crumbmeter.field.spec import DeviceSpec, OutputSpec, RegisterSpec, SignalSource, Table, WordType
from crumbmeter.model.faults import ReconnectError, RetryLaterError
from crumbmeter.model.image import ReadOutcome, WriteStage
from crumbmeter.model.outputs import MONITOR_ONLY, OutputImage, OutputRole
from crumbmeter.runtime.buffer import InputBuffer
from crumbmeter.runtime.link import make_lines
from crumbmeter.runtime.poller import DevicePoller
from crumbmeter.runtime.stopping import stop_all
from crumbmeter.runtime.supervisor import Supervisor
from crumbmeter.runtime.tally import DeviceTally
from crumbmeter.runtime.writer import OutputWriter
from tests import raw_modbus as raw
from tests.fakes import Reports, device_spec, output, source
from tests.raw_modbus import Fault, RawServer

RATE = 20.0
"""Process seconds per real second; the time-outs of sockets stay real."""
OUTPUTS = [
    output("auger_speed", 5),
    output("feed_rate", 10, register=RegisterSpec(Table.HOLDING, 10, WordType.F32)),
    output("feed_run", 3, register=RegisterSpec(Table.COIL, 3, WordType.BIT), high_si=1.0),
]
WISHES = ((OutputRole.AUGER_SPEED, 120.0), (OutputRole.FEED_RATE, 2.5), (OutputRole.FEED_RUN, 1.0))


@pytest.fixture(autouse=True)
def quiet_library() -> None:
    silence_library()


class Plant:
    """All of the field links of a site, as the composition root puts them together."""

    def __init__(
        self, devices: Sequence[DeviceSpec], sources: Sequence[SignalSource], outputs: Sequence[OutputSpec]
    ) -> None:
        self.clock = RealClock(rate=RATE)
        self.reports = Reports()
        self.outputs = outputs
        self.plan = make_plan(devices, sources, outputs)
        self.buffer = InputBuffer(blocks=len(self.plan.blocks), outputs=len(outputs))
        self.tallies = {n: DeviceTally() for n in range(len(devices))}
        chance = Random(1).random
        self.lines = make_lines(devices, make_links, self.clock, chance, self.reports)
        self.writer = OutputWriter(
            self.lines,
            outputs,
            self.plan.outputs,
            self.buffer,
            self.clock,
            expiry_s=0.4 * RATE,
            report=self.reports,
            tallies=self.tallies,
        )
        self.supervisor = Supervisor(self.clock, chance, self.reports)
        for endpoint in {id(line.endpoint): line.endpoint for line in self.lines}.values():
            self.supervisor.add(f"link {endpoint.name}", endpoint.keep)
        for device, line in enumerate(self.lines):
            blocks = [(n, block) for n, block in enumerate(self.plan.blocks) if block.device == device]
            if blocks:
                poller = DevicePoller(line, blocks, self.buffer, self.clock, self.reports, self.tallies[device])
                self.supervisor.add(f"poll {line.device.device_id}", poller.run)
        for device in self.writer.devices:
            self.supervisor.add(f"write {device}", lambda device=device: self.writer.run_device(device))  # type: ignore[misc]

    @asynccontextmanager
    async def running(self) -> AsyncIterator[None]:
        async with asyncio.TaskGroup() as group:
            run = group.create_task(self.supervisor.run())
            try:
                yield
            finally:
                await self.supervisor.stop()
                await run
                for line in self.lines:
                    await line.endpoint.close()

    async def until(self, condition: Callable[[], bool], within_s: float = 5.0) -> None:
        """Wait for a condition, looking once a scan."""
        async with asyncio.timeout(within_s):
            while not condition():
                await self.clock.sleep_until(self.clock.now_s() + 0.2)

    async def scan_until(self, image: OutputImage, condition: Callable[[], bool], within_s: float = 5.0) -> None:
        async with asyncio.timeout(within_s):
            while not condition():
                self.writer.post_nowait(image, self.clock.now_s())
                await self.clock.sleep_until(self.clock.now_s() + 0.2)

    def outcomes(self) -> list[ReadOutcome]:
        return [block.outcome for block in self.buffer.latch(0.0).blocks]

    def stages(self) -> list[WriteStage]:
        return [status.stage for status in self.buffer.latch(0.0).writes]


@pytest.fixture
async def servers() -> AsyncIterator[list[RawServer]]:
    servers = [RawServer(), RawServer()]
    for server in servers:
        await server.start()
    yield servers
    for server in servers:
        await server.stop()


SOURCES = [source("mass", 0), source("speed", 4), source("remote", 0, table=Table.DISCRETE, word_type=WordType.BIT)]


async def test_monitor_only_writes_nothing_on_the_wire(servers: list[RawServer]) -> None:
    server = servers[0]
    plant = Plant([device_spec(port=server.port)], SOURCES, OUTPUTS)
    async with plant.running():
        for image in (
            MONITOR_ONLY,
            OutputImage(write_enabled=False, stop_now=False, values=WISHES),
            OutputImage(write_enabled=False, stop_now=True, values=WISHES),
        ):
            seen = len(server.frames)
            await plant.scan_until(image, lambda seen=seen: len(server.frames) > seen + 60)  # type: ignore[misc]
        report = await stop_all(plant.writer, plant.lines, OUTPUTS, plant.clock)
    assert report.skipped
    assert len(server.frames) > 180
    # Function codes 1 to 4 read; every other one could change the device.
    assert set(server.codes) == {1, 2, 3, 4}


async def test_enabled_writes_confirms_and_stops(servers: list[RawServer]) -> None:
    server = servers[0]
    plant = Plant([device_spec(port=server.port)], SOURCES, OUTPUTS)
    enabled = OutputImage(write_enabled=True, stop_now=False, values=WISHES)
    async with plant.running():
        await plant.scan_until(enabled, lambda: plant.stages() == [WriteStage.CONFIRMED] * 3)
        assert server.words[1, 3][5] == 120
        assert server.words[1, 3][10:12] == [0x4020, 0]  # 2.5 is 40 20 00 00 (IEEE 754)
        assert server.bits[1, 1][3] == 1
        report = await stop_all(plant.writer, plant.lines, OUTPUTS, plant.clock)
    assert report.confirmed
    assert [result.role for result in report.results] == ["auger_speed", "feed_rate", "feed_run"]
    assert server.words[1, 3][5] == server.bits[1, 1][3] == 0
    assert server.words[1, 3][10:12] == [0, 0]
    assert {code for code in server.codes if code > 4} == {5, 6, 16}


async def test_the_stop_works_when_the_scan_has_raised(servers: list[RawServer]) -> None:
    server = servers[0]
    plant = Plant([device_spec(port=server.port)], SOURCES, OUTPUTS)
    enabled = OutputImage(write_enabled=True, stop_now=False, values=WISHES)

    async def scan() -> None:
        await plant.scan_until(enabled, lambda: WriteStage.CONFIRMED in plant.stages())
        raise ZeroDivisionError("the core")

    plant.supervisor.add("scan", scan, critical=True)
    with pytest.raises(ZeroDivisionError):
        await plant.supervisor.run()
    await plant.supervisor.stop()
    report = await stop_all(plant.writer, plant.lines, OUTPUTS, plant.clock)
    await plant.lines[0].endpoint.close()
    assert report.confirmed
    assert server.words[1, 3][5] == 0


async def test_a_hung_device_delays_no_other(servers: list[RawServer]) -> None:
    healthy, hung = servers
    hung.always = raw.hang
    specs = [device_spec("healthy", port=healthy.port), device_spec("hung", port=hung.port, timeout_s=0.3)]
    plant = Plant(specs, [source("a", 0), source("b", 0, device=1)], [])
    async with plant.running():
        await hung.until(lambda: len(hung.frames) >= 1)
        loop = asyncio.get_running_loop()
        began_s, seen = loop.time(), len(healthy.frames)
        await healthy.until(lambda: len(healthy.frames) >= seen + 60)
        took_s = loop.time() - began_s
        await plant.until(lambda: ReadOutcome.TIMEOUT in plant.outcomes())
    # 60 polls of 0.2 s of process time are 0.6 s; two time-outs of the other would be as long.
    assert took_s < 0.6 * 1.5
    assert plant.tallies[0].reads[ReadOutcome.TIMEOUT] == 0
    assert plant.tallies[0].longest_pass_s < 0.1 * RATE


async def test_a_hung_unit_behind_a_gateway_takes_little_from_its_neighbour() -> None:
    server = RawServer(units=(1, 2))
    await server.start()

    def hang_unit_2(connection: raw.Connection, request: bytes, reply: bytes) -> None:
        if request[6] != 2:
            connection.transport.write(reply)

    server.always = hang_unit_2
    specs = [device_spec(f"u{unit}", port=server.port, unit_id=unit, timeout_s=0.03) for unit in (1, 2)]
    plant = Plant(specs, [source("a", 0), source("b", 0, device=1)], [])
    async with plant.running():
        await plant.until(lambda: plant.tallies[0].reads[ReadOutcome.OK] >= 150, within_s=20.0)
    reads = plant.tallies[0].reads
    assert reads[ReadOutcome.OK] / sum(reads.values()) > 0.6
    assert plant.tallies[1].reads[ReadOutcome.OK] == 0
    assert plant.outcomes()[1] is not ReadOutcome.OK
    await server.stop()


@pytest.mark.parametrize(
    "fault",
    [raw.reset, raw.close, raw.hang, raw.garbage, raw.wrong_transaction, raw.short_reply, raw.truncated],
    ids=lambda fault: fault.__name__,
)
async def test_every_kind_of_outage_ends_by_itself(servers: list[RawServer], fault: Fault) -> None:
    server = servers[0]
    server.words[1, 4][0] = 42
    spec = device_spec(port=server.port, timeout_s=0.03, backoff_max_s=4.0)
    plant = Plant([spec], [source("a", 0)], [])
    async with plant.running():
        await plant.until(lambda: plant.outcomes() == [ReadOutcome.OK])
        server.always = fault
        await plant.until(lambda: plant.tallies[0].reads[ReadOutcome.OK] > 0 and plant.outcomes() != [ReadOutcome.OK])
        lost = server.accepted
        await server.until(lambda: server.accepted >= lost + 2)
        server.always = None
        await plant.until(lambda: plant.outcomes() == [ReadOutcome.OK])
        assert plant.buffer.latch(0.0).blocks[0].words == (42,)


async def test_a_closed_port_is_found_again(servers: list[RawServer]) -> None:
    server = servers[0]
    plant = Plant([device_spec(port=server.port)], [source("a", 0)], [])
    async with plant.running():
        await plant.until(lambda: plant.outcomes() == [ReadOutcome.OK])
        await server.stop()
        await plant.until(lambda: plant.outcomes() == [ReadOutcome.NO_CONNECTION])
        await server.start()
        await plant.until(lambda: plant.outcomes() == [ReadOutcome.OK])
    assert [name for name in plant.reports.names if name.startswith("link")] == ["link_up", "link_down", "link_up"]


async def test_the_library_s_hex_dumps_stay_out_of_the_log(
    servers: list[RawServer], caplog: pytest.LogCaptureFixture
) -> None:
    server = servers[0]
    plant = Plant([device_spec(port=server.port, timeout_s=0.02)], [source("a", 0)], [])
    (line,) = plant.lines
    with caplog.at_level(logging.DEBUG):
        for fault in (raw.garbage, raw.hang, raw.reset, raw.wrong_unit):
            server.script.append(fault)
            assert await line.endpoint.revive(at_once=True)
            with pytest.raises((ReconnectError, RetryLaterError)):
                await line.read(Table.INPUT, 0, 1)
        await server.stop()
        assert not await line.endpoint.revive(at_once=True)
    assert [record for record in caplog.records if record.name.startswith("pymodbus")] == []


def _open_files() -> int:
    return len(os.listdir("/proc/self/fd"))  # noqa: PTH208 (names only)


async def test_two_hundred_connections_leave_nothing_behind(servers: list[RawServer]) -> None:
    server = servers[0]
    plant = Plant([device_spec(port=server.port, timeout_s=0.02)], [source("a", 0)], [])
    (line,) = plant.lines
    faults = [raw.reset, raw.close, raw.garbage, raw.hang, raw.duplicate]

    async def cycle(fault: Fault) -> None:
        assert await line.endpoint.revive(at_once=True)
        assert await line.read(Table.INPUT, 0, 1) == (0,)
        server.script.append(fault)
        with pytest.raises((ReconnectError, RetryLaterError)):
            await line.read(Table.INPUT, 0, 1)
        await server.until(lambda: not server.connections)

    for fault in faults:
        await cycle(fault)
    files, tasks = _open_files(), len(asyncio.all_tasks())
    for number in range(200):
        await cycle(faults[number % len(faults)])
    assert (_open_files(), len(asyncio.all_tasks())) == (files, tasks)
    assert line.endpoint.tally.connects == 205
    await line.endpoint.close()


async def test_no_register_is_ever_published_as_another() -> None:
    """A small mismatch campaign: every register holds its own address; peers lie about one reply in three."""
    server = RawServer()
    await server.start()
    server.words[1, 4][:] = list(range(1000, 1256))
    server.words[1, 3][:] = list(range(5000, 5256))
    rng = Random(11)
    lies: list[Fault] = [
        raw.short_reply,
        raw.long_reply,
        raw.wrong_function,
        raw.wrong_unit,
        raw.wrong_transaction,
        raw.transaction_zero,
        raw.byte_count_lies,
        raw.length_lies,
        raw.duplicate,
        raw.trailing_bytes,
        raw.reset,
        raw.late(0.004),
        raw.late(0.006),
        raw.exception(6),
    ]

    def sometimes(connection: raw.Connection, request: bytes, reply: bytes) -> None:
        if rng.random() < 1 / 3:
            rng.choice(lies)(connection, request, reply)
        else:
            connection.transport.write(reply)

    server.always = sometimes
    plant = Plant([device_spec(port=server.port, timeout_s=0.005)], [source("a", 0)], [])
    (line,) = plant.lines
    right = wrong = 0
    for _ in range(1500):
        assert await line.endpoint.revive(at_once=True)
        table, base = rng.choice([(Table.INPUT, 1000), (Table.HOLDING, 5000)])
        address, count = rng.randrange(0, 200), rng.randrange(1, 20)
        try:
            words = await line.read(table, address, count)
        except Exception:  # noqa: BLE001, S112 (any refusal is right here; only a wrong number is not)
            continue
        if words == tuple(range(base + address, base + address + count)):
            right += 1
        else:
            wrong += 1
    await line.endpoint.close()
    await server.stop()
    assert wrong == 0
    assert right > 700
