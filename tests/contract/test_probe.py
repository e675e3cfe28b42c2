"""`crumbmeter probe` against a real server: one value in every way, and the neighbour that could be meant as well."""

import asyncio
import json
import shutil
import struct
from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from crumbmeter.cli.probe import NO_DEVICE, probe
from tests import raw_modbus as raw
from tests.raw_modbus import RawServer

ROOT = Path(__file__).parents[2]
WEIGHT_LB = 431.25
"""At offset 0 of the demonstration feeder's input registers, f32 ABCD."""


def f32(value: float) -> list[int]:
    return list(struct.unpack(">2H", struct.pack(">f", value)))


class Feeder:
    """The demonstration site with a feeder that a test fills."""

    def __init__(self, folder: Path, server: RawServer) -> None:
        self.server = server
        shutil.copytree(ROOT / "config" / "devices", folder / "devices")
        self.site = folder / "sites" / "site.toml"
        self.site.parent.mkdir()
        text = (ROOT / "config" / "sites" / "demo_drum.toml").read_text()
        head, feeder = text.split("[devices.feeder]")
        port = next(line for line in feeder.splitlines() if line.startswith("port ="))
        self.site.write_text(head + "[devices.feeder]" + feeder.replace(port, f"port = {server.port}", 1))

    def put(self, *words: int) -> None:
        self.server.words[1, 4][: len(words)] = words


@pytest.fixture
async def feeder(tmp_path: Path) -> AsyncIterator[Feeder]:
    server = RawServer()
    await server.start()
    yield Feeder(tmp_path, server)
    await server.stop()


async def look(feeder: Feeder, signal: str = "hopper_mass", *, as_json: bool = False) -> int:
    code = await asyncio.to_thread(probe, feeder.site, signal, as_json=as_json)
    await feeder.server.until(lambda: not feeder.server.connections)
    return code


async def test_the_value_its_words_and_every_other_way(feeder: Feeder, capsys: pytest.CaptureFixture[str]) -> None:
    feeder.put(*f32(WEIGHT_LB))
    assert await look(feeder) == 0
    out = capsys.readouterr().out
    assert "As the site reads it: 431.25 lb" in out
    rows = [line.split() for line in out.splitlines()]
    assert ["f32", "ABCD", "431.25"] in rows
    assert ["u32", "ABCD", str(0x43D7A000)] in rows
    assert "no answer" in out.split("One address beside it")[1], "nothing stands before offset 0"
    assert "AS PLAUSIBLE" not in out
    assert set(feeder.server.codes) == {4}, "it only reads"


async def test_a_neighbour_that_could_be_meant_is_pointed_out(
    feeder: Feeder, capsys: pytest.CaptureFixture[str]
) -> None:
    # The map of the device begins one address later than the profile says.
    feeder.put(0x4380, *f32(WEIGHT_LB))
    assert await look(feeder, as_json=True) == 1
    body = json.loads(capsys.readouterr().out)
    assert [(one["step"], one["plausible"]) for one in body["neighbours"]] == [(-1, False), (1, True)]
    assert body["neighbours"][1]["value_si"] == pytest.approx(WEIGHT_LB * 0.45359237)
    assert await look(feeder) == 1
    assert "AS PLAUSIBLE: is the address off by one?" in capsys.readouterr().out


async def test_only_floats_are_judged_by_their_neighbours(feeder: Feeder, capsys: pytest.CaptureFixture[str]) -> None:
    feeder.server.bits[1, 2][0] = 1
    assert await look(feeder, "feeder_remote") == 0
    assert await look(feeder, "auger_speed") == 0
    out = capsys.readouterr().out
    assert "As the site reads it: 1 contact" in out
    assert out.count("One address beside it") == 2
    assert "PLAUSIBLE" not in out
    assert await look(feeder, "feeder_remote", as_json=True) == 0
    assert json.loads(capsys.readouterr().out)["views"] == []


async def test_a_device_that_says_nothing_of_its_neighbour_is_read_all_the_same(
    feeder: Feeder, capsys: pytest.CaptureFixture[str]
) -> None:
    def answer(connection: raw.Connection, request: bytes, reply: bytes) -> None:
        if int.from_bytes(request[8:10], "big") == 0:
            connection.transport.write(reply)
        else:
            connection.reset()

    feeder.put(*f32(WEIGHT_LB))
    feeder.server.always = answer
    assert await look(feeder) == 0
    out = capsys.readouterr().out
    assert "As the site reads it: 431.25 lb" in out
    assert out.count("no answer") == 2


@pytest.mark.parametrize("deaf", [raw.hang, raw.reset])
async def test_a_neighbour_below_that_is_silent_does_not_hide_the_one_above(
    feeder: Feeder, capsys: pytest.CaptureFixture[str], deaf: raw.Fault
) -> None:
    def answer(connection: raw.Connection, request: bytes, reply: bytes) -> None:
        below = int.from_bytes(request[8:10], "big") == 99
        (deaf if below else raw.reply_rightly)(connection, request, reply)

    profile = feeder.site.parent.parent / "devices" / "demo_feeder.toml"
    text = profile.read_text()
    assert "[registers.hopper_mass]" in text
    head, rest = text.split("[registers.hopper_mass]")
    profile.write_text(head + "[registers.hopper_mass]" + rest.replace("address = 0", "address = 100", 1))
    feeder.server.words[1, 4][100:103] = [0x4380, *f32(WEIGHT_LB)]  # the value stands one address later
    feeder.server.always = answer
    assert await look(feeder) == 1
    assert {int.from_bytes(frame[8:10], "big") for frame in feeder.server.frames} == {99, 100, 101}
    assert "AS PLAUSIBLE: is the address off by one?" in capsys.readouterr().out


async def test_no_answer_is_no_value(feeder: Feeder, capsys: pytest.CaptureFixture[str]) -> None:
    await feeder.server.stop()
    assert await look(feeder) == NO_DEVICE
    told = capsys.readouterr()
    assert told.out == ""
    assert "refused or unreachable" in told.err


async def test_a_signal_that_is_not_there_is_said(feeder: Feeder, capsys: pytest.CaptureFixture[str]) -> None:
    assert await look(feeder, "weight") == 2
    assert "no signal 'weight'; there are " in capsys.readouterr().err
