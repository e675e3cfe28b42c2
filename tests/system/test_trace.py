"""Frames and counts of a link, asked for over the real local socket while a real link works (lessons 12 and 51)."""

import asyncio
import io
import subprocess
import sys
from collections.abc import AsyncIterator
from pathlib import Path
from random import Random

import pytest

from crumbmeter.adapters.clock import RealClock
from crumbmeter.adapters.control_line import ControlLine
from crumbmeter.adapters.control_socket import ControlSocket
from crumbmeter.adapters.modbus import silence_library
from crumbmeter.app.links import FieldLinks
from crumbmeter.cli.trace import _trace
from crumbmeter.field.spec import Table
from crumbmeter.model.scan import ScanResult
from crumbmeter.runtime.fanout import Latest
from crumbmeter.runtime.intake import Intake
from crumbmeter.runtime.tally import DeviceTally
from tests import raw_modbus as raw
from tests.fakes import Reports, device_spec
from tests.raw_modbus import RawServer
from tests.unit.outward.samples import NAMES, ORIGIN


@pytest.fixture(autouse=True)
def quiet_library() -> None:
    """Keep the library's hex dumps out of the report; at import time it would reach other modules' tests too."""
    silence_library()


class World:
    def __init__(self, links: FieldLinks, server: RawServer, path: Path) -> None:
        self.links = links
        self.server = server
        self.path = path


@pytest.fixture
async def world(tmp_path: Path) -> AsyncIterator[World]:
    server = RawServer()
    await server.start()
    clock, path = RealClock(), tmp_path / "c.sock"
    links = FieldLinks([device_spec(port=server.port)], [DeviceTally()], clock, Random(1).random, Reports())
    views: Latest[ScanResult] = Latest()
    async with ControlSocket(path, ORIGIN, NAMES, views, Intake(Reports()), dict, clock, links.desk):
        await links.lines[0].endpoint.revive()
        yield World(links, server, path)
    await links.lines[0].endpoint.close()
    await server.stop()


async def test_frames_of_a_working_link_are_printed_with_their_meaning_and_it_ends_by_itself(world: World) -> None:
    world.server.words[1, 3][7] = 0x1234
    out = io.StringIO()
    line = world.links.lines[0]
    async with asyncio.TaskGroup() as group:
        looking = group.create_task(_trace(world.path, "feeder", 0.3, (out,)))
        async with asyncio.timeout(5.0):
            while not world.links.trace._sessions:
                await line.read(Table.HOLDING, 0, 1)
        assert await line.read(Table.HOLDING, 7, 1) == (0x1234,)
    assert looking.result() == 0
    text = out.getvalue()
    assert "-> " in text
    assert "03 read holding registers at 7, 1\n" in text
    assert "03 read holding registers: 1234\n" in text
    assert text.endswith(" frames\n")
    assert world.links.trace._sessions == {}


async def test_counts_say_what_became_of_every_request(world: World) -> None:
    line = world.links.lines[0]
    await line.read(Table.HOLDING, 0, 1)
    world.server.script.append(raw.wrong_unit)
    with pytest.raises(Exception, match="unit 2 for 1"):
        await line.read(Table.HOLDING, 0, 1)
    async with ControlLine(world.path) as asker:
        body = await asker.ask({"ask": "links"})
        nobody = await asker.ask({"ask": "trace", "device": "nobody", "seconds": 1})
        wrong = await asker.ask({"ask": "trace", "device": "feeder", "seconds": 1e9})
    (link,) = body["links"]
    assert (link["device"], link["transport"], link["unit"]) == ("feeder", "tcp", 1)
    assert (link["sent"], link["ok"], link["mismatches"]) == (2, 1, {"unit": 1})
    assert 0.0 < link["p50_s"] <= link["p99_s"] < 1.0
    assert 0.0 < link["share"] < 1.0
    assert nobody == {"answer": "error", "why": "no device 'nobody'; there are feeder"}
    assert wrong["answer"] == "error"
    (figures,) = world.links.units()
    assert figures.requests == {"ok": 1, "timeout": 0, "lost": 0, "withheld": 0, "mismatch unit": 1}


def test_without_a_daemon_it_says_so(tmp_path: Path) -> None:
    ended = subprocess.run(
        [sys.executable, "-m", "crumbmeter", "trace", "feeder", "--socket", str(tmp_path / "none"), "--seconds", "1"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert ended.returncode == 3
    assert "no daemon answers" in ended.stderr
