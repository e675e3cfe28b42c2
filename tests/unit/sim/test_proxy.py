"""The proxy between real sockets and terminals: transparent without faults, and every outage as a master sees it."""

import asyncio
import contextlib
import json
import os
import signal
import sys
import tty
from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from crumbmeter_sim.actions import Link
from crumbmeter_sim.channel import Channel
from crumbmeter_sim.device.addressed import SelfAddressed, expected
from crumbmeter_sim.faults.deck import Deck
from crumbmeter_sim.faults.kinds import Fault, read_mix
from crumbmeter_sim.faults.proxy import BANNER, Place, Proxy
from crumbmeter_sim.rack import Framed, Rack
from crumbmeter_sim.rtu import seal
from tests.unit.sim.test_server import PATIENCE_S, Master

ASK = "000100000006" + "05" + "0300200002"
TOLD = "000100000007" + "05" + "0304" + "".join(f"{word:04x}" for word in expected(5, "holding", 0x20, 2))
ASK_RTU = seal(bytes.fromhex("050300200002"))
TOLD_RTU = seal(bytes.fromhex(TOLD[12:]))


class Line:
    """A self-addressed unit, a proxy before it, and a way in."""

    def __init__(self, rack: Rack, proxy: Proxy, unit: SelfAddressed) -> None:
        self.rack, self.proxy, self.unit = rack, proxy, unit

    async def master(self) -> Master:
        return await Master.at(self.proxy.port)


async def line_of(framed: Framed, folder: Path, *faults: Fault) -> Line:
    rack = Rack("127.0.0.1", folder=folder)
    rack.add_bus("bus", framed)
    unit = SelfAddressed(5)
    rack.add("unit", 0, 5, unit, Link(), bus="bus")
    await rack.follow()
    schemes = {"tcp": ("tcp:127.0.0.1:0", "tcp"), "rtu_over_tcp": ("rtutcp:127.0.0.1:0", "rtutcp")}
    if framed == "rtu":
        here, there = f"rtu:{folder / 'master'}", f"rtu:{rack.serial['unit']}"
    else:
        here, scheme = schemes[framed]
        there = f"{scheme}:127.0.0.1:{rack.ports['unit']}"
    proxy = Proxy.between(here, there, Deck(faults))
    proxy.start()
    return Line(rack, proxy, unit)


@pytest.fixture
async def tcp(tmp_path: Path) -> AsyncIterator[Line]:
    line = await line_of("tcp", tmp_path)
    yield line
    line.proxy.close()
    await line.rack.close()


async def test_without_faults_it_changes_nothing_and_counts(tcp: Line) -> None:
    master = await tcp.master()
    second = "000200000006" + "05" + "0300200002"
    assert await master.ask(ASK, second) == [TOLD, "0002" + TOLD[4:]]
    assert tcp.proxy.counts == {"frames_to_device": 2, "frames_to_master": 2}
    await master.close()


async def test_an_injected_fault_strikes_until_it_is_removed(tcp: Line) -> None:
    master = await tcp.master()
    fault = tcp.proxy.inject("wrong_transaction")
    assert (await master.ask(ASK))[0][4:] == TOLD[4:]
    tcp.proxy.remove(fault)
    assert await master.ask(ASK) == [TOLD]
    assert tcp.proxy.counts["wrong_transaction"] == 1
    await master.close()


async def test_a_reply_that_is_late_comes_after_the_next_one(tcp: Line) -> None:
    master = await tcp.master()
    tcp.proxy.inject("delay", frames=(1,), seconds=0.05)
    later = "0002" + ASK[4:]
    assert await master.ask(ASK, later) == ["0002" + TOLD[4:], TOLD]
    await master.close()


async def test_nothing_comes_between_the_pieces_of_a_frame(tcp: Line) -> None:
    # Nobody could tell: Modbus TCP guards what stands inside a frame by no check sum.
    master = await tcp.master()
    tcp.proxy.inject("split", frames=(1,), seconds=0.01, size=4)
    tcp.proxy.inject("split", frames=(2,), seconds=0.001, size=4)
    asked = [f"{number:04x}" + ASK[4:] for number in (1, 2, 3)]
    assert await master.ask(*asked) == [f"{number:04x}" + TOLD[4:] for number in (1, 2, 3)]
    await master.close()


async def test_nothing_comes_after_a_frame_whose_end_is_lost(tcp: Line) -> None:
    master = await tcp.master()
    tcp.proxy.inject("truncate", frames=(1,), size=4)
    master.writer.write(bytes.fromhex(ASK + "0002" + ASK[4:]))
    got = b""
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(0.1):
            while True:
                got += await master.reader.read(100)
    assert got.hex() == TOLD[:-8]
    again = await tcp.master()
    assert await again.ask(ASK) == [TOLD]
    await again.close()
    master.writer.close()


async def gone(master: Master) -> str:
    """Return how the master's connection ended."""
    try:
        data = await asyncio.wait_for(master.reader.read(100), PATIENCE_S)
    except ConnectionResetError:
        return "rst"
    return "fin" if data == b"" else data.decode()


@pytest.mark.parametrize("kind", ["fin", "rst"])
async def test_fin_and_rst_end_every_connection_and_let_new_ones_in(tcp: Line, kind: str) -> None:
    master = await tcp.master()
    assert await master.ask(ASK) == [TOLD]
    tcp.proxy.outage(kind)
    assert await gone(master) == kind
    again = await tcp.master()
    assert await again.ask(ASK) == [TOLD]
    assert len(tcp.proxy.pairs) == 1
    await again.close()
    master.writer.close()


@pytest.mark.parametrize("kind", ["fin", "rst"])
async def test_fin_and_rst_in_place_of_a_frame_strike_one_connection(tcp: Line, kind: str) -> None:
    one, other = await tcp.master(), await tcp.master()
    assert await other.ask(ASK) == [TOLD]
    tcp.proxy.inject(kind, frames=(2,))
    one.writer.write(bytes.fromhex(ASK))
    assert await gone(one) == kind
    assert await other.ask(ASK) == [TOLD]
    await other.close()
    one.writer.close()


async def test_a_black_hole_keeps_the_connection_and_ends_by_itself(tcp: Line) -> None:
    master = await tcp.master()
    tcp.proxy.outage("black_hole", seconds=0.05)
    master.writer.write(bytes.fromhex(ASK))
    with pytest.raises(TimeoutError):
        await asyncio.wait_for(master.reader.readexactly(1), 0.03)
    await until(lambda: tcp.proxy.deck.hole_until_s == 0.0)
    assert await master.ask("0009" + ASK[4:]) == ["0009" + TOLD[4:]]  # nothing swallowed comes late
    assert tcp.proxy.counts["swallowed"] == 1
    await master.close()


async def until(condition: object) -> None:
    assert callable(condition)
    loop, turn = asyncio.get_running_loop(), asyncio.Event()
    async with asyncio.timeout(PATIENCE_S):
        while not condition():
            turn.clear()
            loop.call_later(0.002, turn.set)
            await turn.wait()


async def test_a_closed_port_refuses_until_it_is_restored(tcp: Line) -> None:
    master = await tcp.master()
    assert await master.ask(ASK) == [TOLD]
    port = tcp.proxy.port
    tcp.proxy.outage("close_port")
    assert await gone(master) == "rst"
    with pytest.raises(ConnectionRefusedError):
        await Master.at(port)
    tcp.proxy.restore()
    again = await Master.at(port)
    assert await again.ask(ASK) == [TOLD]
    await again.close()
    master.writer.close()


async def test_an_outage_without_an_end_outlasts_the_one_before_it(tcp: Line) -> None:
    tcp.proxy.outage("black_hole", seconds=0.02)
    tcp.proxy.outage("close_port")
    passed = asyncio.Event()
    asyncio.get_running_loop().call_later(0.04, passed.set)
    await passed.wait()
    with pytest.raises(ConnectionRefusedError):
        await tcp.master()
    tcp.proxy.restore()
    master = await tcp.master()
    assert await master.ask(ASK) == [TOLD]
    await master.close()


async def test_who_is_not_accepted_waits_and_is_served_in_the_end(tcp: Line) -> None:
    tcp.proxy.outage("stop_accepting")
    master = await tcp.master()  # the kernel shakes hands
    master.writer.write(bytes.fromhex(ASK))
    with pytest.raises(TimeoutError):
        await asyncio.wait_for(master.reader.readexactly(1), 0.03)
    tcp.proxy.restore()
    assert await asyncio.wait_for(master.reader.readexactly(len(TOLD) // 2), PATIENCE_S) == bytes.fromhex(TOLD)
    await master.close()


async def test_something_else_answers_with_its_banner(tcp: Line) -> None:
    tcp.proxy.outage("wrong_banner")
    master = await tcp.master()
    assert await gone(master) == BANNER.decode()
    master.writer.write(bytes.fromhex(ASK))
    assert await gone(master) == BANNER.decode()
    tcp.proxy.restore()
    assert tcp.unit.reads == 0
    await master.close()


async def test_a_device_that_refuses_ends_the_masters_connection(tcp: Line) -> None:
    await tcp.rack.close()
    master = await tcp.master()
    assert await gone(master) in ("fin", "rst")
    assert tcp.proxy.pairs == set()
    master.writer.close()


async def test_rtu_over_tcp_with_a_frame_in_pieces(tmp_path: Path) -> None:
    line = await line_of("rtu_over_tcp", tmp_path, Fault("split", size=1, seconds=0.001, frames=(2,)))
    master = await line.master()
    for _ in range(2):
        master.writer.write(ASK_RTU)
        assert await asyncio.wait_for(master.reader.readexactly(len(TOLD_RTU)), PATIENCE_S) == TOLD_RTU
    assert line.proxy.counts == {"frames_to_device": 2, "frames_to_master": 2, "split": 1}
    await master.close()
    line.proxy.close()
    await line.rack.close()


class Serial:
    """A master on a terminal."""

    def __init__(self, path: str) -> None:
        self.channel = Place("rtu", path=path).dial()
        self.got = b""
        self.ended = False
        self.channel.on_data = self._take
        self.channel.on_end = self._end

    def _take(self, data: bytes) -> None:
        self.got += data

    def _end(self) -> None:
        self.ended = True

    async def ask(self, request: bytes, due: int) -> bytes:
        self.got = b""
        self.channel.write(request)
        await until(lambda: len(self.got) >= due)
        return self.got


async def test_a_serial_line_with_echo_and_noise_and_pulled_out(tmp_path: Path) -> None:
    line = await line_of("rtu", tmp_path, Fault("echo", frames=(2,)), Fault("wrong_crc", frames=(3,)))
    master = Serial(line.proxy.address)
    assert await master.ask(ASK_RTU, len(TOLD_RTU)) == TOLD_RTU
    assert await master.ask(ASK_RTU, len(ASK_RTU + TOLD_RTU)) == ASK_RTU + TOLD_RTU
    assert await master.ask(ASK_RTU, len(TOLD_RTU)) != TOLD_RTU
    line.proxy.outage("close_port")
    await until(lambda: master.ended)
    with pytest.raises(FileNotFoundError):
        Serial(line.proxy.address)
    line.proxy.restore()
    again = Serial(line.proxy.address)
    assert await again.ask(ASK_RTU, len(TOLD_RTU)) == TOLD_RTU
    again.channel.close()
    line.proxy.close()
    await line.rack.close()


async def test_every_fault_of_a_frame_under_load_and_nobody_falls_over(tmp_path: Path) -> None:
    line = await line_of("tcp", tmp_path, *read_mix("all=0.03", "tcp", seconds=0.002, spread_s=0.002))
    asked = 0
    while asked < 1500:
        master = await line.master()
        for _ in range(100):
            master.writer.write(bytes.fromhex(ASK))
            asked += 1
            try:
                await asyncio.wait_for(master.reader.read(300), 0.01)
            except TimeoutError:
                break
        master.writer.close()
    counts = line.proxy.counts
    assert counts["frames_to_device"] >= 1400
    assert {fault.kind for fault in line.proxy.deck.faults} <= set(counts)
    line.proxy.close()
    await line.rack.close()


async def test_a_fault_that_the_line_cannot_have_is_refused(tcp: Line) -> None:
    with pytest.raises(ValueError, match="only with framing rtu"):
        tcp.proxy.inject("wrong_crc")
    with pytest.raises(ValueError, match="no outage"):
        tcp.proxy.outage("delay")


def test_places() -> None:
    assert Place.read("tcp:127.0.0.1:502") == Place("tcp", "127.0.0.1", 502)
    assert Place.read("rtutcp:[::1]:502") == Place("rtutcp", "::1", 502)
    assert Place.read("rtu:/dev/ttyS0") == Place("rtu", path="/dev/ttyS0")
    for text in ("udp:1:2", "tcp:502", "tcp:host:port", "rtu:"):
        with pytest.raises(ValueError, match="expected tcp:HOST:PORT"):
            Place.read(text)
    with pytest.raises(ValueError, match="translates nothing"):
        Proxy.between("tcp:127.0.0.1:0", "rtutcp:127.0.0.1:1")


async def test_as_a_command_it_prints_where_it_is_and_what_it_did(tcp: Line, tmp_path: Path) -> None:
    script = tmp_path / "faults.toml"
    script.write_text('[[fault]]\nkind = "wrong_unit"\nframes = [2]\n')
    child = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "crumbmeter_sim", "proxy", "--listen", "tcp:127.0.0.1:0",
        "--to", f"tcp:127.0.0.1:{tcp.proxy.port}", "--script", str(script), "--mix", "drop=0.0", "--seed", "3",
        stdout=asyncio.subprocess.PIPE,
    )  # fmt: skip
    assert child.stdout is not None
    ready = json.loads((await asyncio.wait_for(child.stdout.readline(), 20.0)).removeprefix(b"READY "))
    master = await Master.at(ready["port"])
    assert await master.ask(ASK) == [TOLD]
    assert (await master.ask(ASK))[0] != TOLD
    await master.close()
    child.send_signal(signal.SIGTERM)
    counts = json.loads(await asyncio.wait_for(child.stdout.readline(), 20.0))
    assert await asyncio.wait_for(child.wait(), 20.0) == 0
    assert counts == {"frames_to_device": 2, "frames_to_master": 2, "wrong_unit": 1}


async def test_a_channel_that_cannot_send_at_once_sends_the_rest_later() -> None:
    near, far = os.openpty()
    channel, sink = Channel(near), Channel(far)
    got = bytearray()
    sink.on_data = got.extend
    tty.setraw(far)
    channel.write(bytes(range(256)) * 512)  # more than a terminal holds
    await until(lambda: len(got) == 256 * 512)
    assert bytes(got) == bytes(range(256)) * 512
    channel.close()
    sink.close()
