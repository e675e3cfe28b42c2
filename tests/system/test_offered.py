"""What the plant's controller is offered, read and asked for by mbpoll and by bare sockets, from the real daemon."""

import asyncio
import contextlib
import math
import re
import signal
import socket
import struct
from collections.abc import Iterator
from typing import Any

import pytest

from crumbmeter.outward.asked import FIRST_COIL, FIRST_WORD, REQUESTS
from crumbmeter.outward.offered_map import BITS, FIGURES, FIRST_VALUE, RUN_STATES, VALUE_WORDS
from tests.system.conftest import Bench
from tests.system.interop.tools import MBPOLL, run
from tests.system.plants import Peek, Running, SiteFile

pytestmark = [pytest.mark.skipif(MBPOLL is None, reason="needs mbpoll"), pytest.mark.timeout(120)]
NAMES = [name for name, _ in BITS]
COILS = {name: FIRST_COIL + place for place, name in enumerate(REQUESTS)}
WORDS = {name: FIRST_WORD + place for place, name in enumerate(REQUESTS)}


def offer(site: SiteFile, port: int, more: str = "") -> None:
    """Give the site a server for the controller."""
    text = site.path.read_text()
    table = f'[publish.modbus]\naddress = "127.0.0.1"\nport = {port}\n{more}\n'
    site.path.write_text(text.replace("[publish.metrics]", f"{table}[publish.metrics]"))


class Controller:
    """mbpoll's words for one server."""

    def __init__(self, port: int) -> None:
        self.port = port

    async def poll(self, *words: str, values: tuple[str, ...] = ()) -> tuple[int, str]:
        assert MBPOLL is not None
        once = [] if values else ["-1"]
        common = ("-m", "tcp", "-p", str(self.port), "-a", "1", "-0", "-q", "-o", "1")
        return await run(MBPOLL, *common, *once, *words, "127.0.0.1", *values)

    async def bits(self) -> dict[str, bool]:
        code, said = await self.poll("-t", "1", "-r", "0", "-c", str(len(NAMES)))
        assert code == 0, said
        found = re.findall(r"^\[\d+\]:\s+(\d)", said, re.MULTILINE)
        return dict(zip(NAMES, (one == "1" for one in found), strict=True))

    async def figure(self, name: str, table: str = "3") -> tuple[float, int]:
        at = FIRST_VALUE + VALUE_WORDS * [one.name for one in FIGURES].index(name)
        code, said = await self.poll("-t", f"{table}:float", "-B", "-r", str(at), "-c", "1")
        assert code == 0, said
        (value,) = re.findall(r"^\[\d+\]:\s+(\S+)", said, re.MULTILINE)
        return float(value), (await Peek.words(self.port, 4, at + 2, 1))[0]

    async def put(self, name: str, value: int, *, coil: bool = False) -> tuple[int, str]:
        kind, at = ("0", COILS[name]) if coil else ("4", WORDS[name])
        return await self.poll("-t", kind, "-r", str(at), values=(str(value),))


async def until_bits(controller: Controller, daemon: Running, **wanted: bool) -> dict[str, bool]:
    """Read until the bits are as wanted; one look a view of the daemon."""
    for _ in range(200):
        found = await controller.bits()
        if all(found[name] is value for name, value in wanted.items()):
            return found
        seen = (await daemon.ask({"ask": "view"}))["seq"]
        await daemon.until(lambda view, seen=seen: view["seq"] > seen)  # type: ignore[misc]
    raise AssertionError(f"not {wanted}: {found}")


async def test_a_controller_reads_what_the_daemon_knows_and_may_write_nothing(bench: Bench) -> None:
    site, port = bench.site(), bench.free_port()
    offer(site, port)
    await bench.plant(site)
    daemon, controller = bench.start(site), Controller(port)
    view = await daemon.until(lambda view: _signal(view, "hopper_mass") is not None)
    bits = await until_bits(controller, daemon, scanning=True)
    assert not bits["control_enabled"]
    assert bits["simulated"]
    shown_lb, quality = await controller.figure("weigh hopper")
    while quality == 0:  # a machine that is busy elsewhere has let the reading grow old: whatever is Bad is no number
        assert math.isnan(shown_lb)
        seen = view["seq"]
        view = await daemon.until(lambda later, seen=seen: later["seq"] > seen)  # type: ignore[misc]
        shown_lb, quality = await controller.figure("weigh hopper")
    assert shown_lb == pytest.approx((_signal(view, "hopper_mass") or 0.0) / 0.45359237, rel=0.05)
    for table in (3, 4):
        words = await Peek.words(port, table, 0, 20)
        assert (words[0], words[4], RUN_STATES[words[3]]) == (1, 1, "monitor only")
    first = (await Peek.words(port, 4, 1, 1))[0]
    await daemon.until(lambda later: later["seq"] > view["seq"] + 5)
    assert (await Peek.words(port, 4, 1, 1))[0] != first
    for name in REQUESTS:
        code, said = await controller.put(name, 1)
        assert code != 0
        assert "Illegal data address" in said
    code, said = await controller.poll("-t", "4", "-r", "24", values=("1",))
    assert "Illegal data address" in said
    assert not [one for one in site.events() if str(one.get("who") or "").startswith("plant controller")]


async def test_a_controller_starts_and_stops_the_feed_where_the_site_says_so(bench: Bench) -> None:
    site, port = bench.site(), bench.free_port()
    offer(site, port, 'allow = ["stop_feed", "start_feed"]\nclients = ["127.0.0.1"]')
    await bench.plant(site)
    daemon, controller = bench.start(site), Controller(port)
    await daemon.up()
    code, _ = await controller.put("start_feed", 1)  # nobody has enabled control, and no 0 came before
    assert code == 0
    assert (await daemon.do("enable control")).get("accepted")
    await daemon.until(lambda view: _signal(view, "feeder_fault") == 0.0)
    await until_bits(controller, daemon, control_enabled=True, in_service=False, healthy=True)
    for value in (0, 1, 1):
        code, said = await controller.put("start_feed", value)
        assert code == 0, said
    await until_bits(controller, daemon, in_service=True, feeding=True)
    rate, quality = await controller.figure("setpoint", table="4")
    assert rate > 1.0
    assert quality == 2
    code, said = await controller.put("stop_feed", 1, coil=True)
    assert code == 0, said
    await until_bits(controller, daemon, in_service=False, feeding=False)
    assert await Peek.bit(port, 1, COILS["stop_feed"])
    code, said = await controller.put("monitor_only", 1)
    assert "Illegal data address" in said
    code, said = await controller.put("stop_feed", 2)
    assert "Illegal data value" in said
    asked = [one.name for one in site.events() if one.get("who") == "plant controller at 127.0.0.1"]
    assert asked == ["feed_put_in_service", "feed_taken_out_of_service"]


def _signal(view: dict[str, Any], name: str) -> float | None:
    value: float | None = next(one["value"] for one in view["signals"] if one["signal_id"] == name)
    return value


async def test_a_daemon_that_hangs_or_has_gone_answers_nobody(bench: Bench) -> None:
    site, port = bench.site(), bench.free_port()
    offer(site, port)
    await bench.plant(site)
    daemon, controller = bench.start(site), Controller(port)
    await daemon.up()
    await until_bits(controller, daemon, scanning=True)
    daemon.process.send_signal(signal.SIGSTOP)
    code, said = await controller.poll("-t", "1", "-r", "0", "-c", "1")
    assert code != 0, said
    daemon.process.send_signal(signal.SIGCONT)
    daemon.kill()
    code, said = await controller.poll("-t", "1", "-r", "0", "-c", "1")
    assert code != 0, said


async def test_strangers_a_crowd_and_nonsense_are_kept_out(bench: Bench) -> None:
    site, port = bench.site(), bench.free_port()
    offer(site, port, 'clients = ["127.0.0.2"]')
    await bench.plant(site)
    daemon = bench.start(site)
    await daemon.up()
    assert await _asked(port, "127.0.0.1", _READ) == b""
    assert (await _asked(port, "127.0.0.2", _READ))[7:9] == b"\x02\x01"
    both = await _asked(port, "127.0.0.2", _READ + _READ[:1] + b"\x07" + _READ[2:])
    assert (both[7:9], both[10:12], both[17:19]) == (b"\x02\x01", b"\x00\x07", b"\x02\x01")
    assert (await _asked(port, "127.0.0.2", struct.pack(">HHHB", 1, 0, 6, 9) + _READ[7:]))[7:] == b"\x82\x0b"
    assert await _asked(port, "127.0.0.2", b"GET / HTTP/1.1\r\n\r\n") == b""
    assert await _flood_s(port, "127.0.0.2", 250) >= 1.0  # a hundred at once, the others as their seconds come
    with _crowd(port, 9):
        assert await _asked(port, "127.0.0.2", _READ) == b""
    refused = [one.get("address") for one in site.events("controller_refused")]
    assert "127.0.0.1" in refused
    assert (await daemon.ask({"ask": "view"}))["answer"] == "view"


_READ = struct.pack(">HHHBBHH", 1, 0, 6, 1, 2, 0, 1)


async def _asked(port: int, source: str, data: bytes) -> bytes:
    """Send bytes from an address of this machine; return what comes until it is quiet or hung up."""
    reader, writer = await asyncio.open_connection("127.0.0.1", port, local_addr=(source, 0))
    found = b""
    try:
        writer.write(data)
        with contextlib.suppress(TimeoutError, ConnectionError):
            async with asyncio.timeout(1.0):
                while more := await reader.read(256):
                    found += more
    finally:
        writer.transport.abort()
    return found


async def _flood_s(port: int, source: str, count: int) -> float:
    """[s] Ask so often at once; return how long it takes until all is answered."""
    reader, writer = await asyncio.open_connection("127.0.0.1", port, local_addr=(source, 0))
    began_s = asyncio.get_running_loop().time()
    writer.write(_READ * count)
    async with asyncio.timeout(20.0):
        await reader.readexactly(10 * count)
    writer.transport.abort()
    return asyncio.get_running_loop().time() - began_s


@contextlib.contextmanager
def _crowd(port: int, count: int) -> Iterator[None]:
    opened = [socket.create_connection(("127.0.0.1", port), source_address=("127.0.0.2", 0)) for _ in range(count)]
    try:
        yield
    finally:
        for one in opened:
            one.close()
