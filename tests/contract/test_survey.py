"""`crumbmeter survey` and `identify` against real servers: only reads on the wire, lines that the site takes."""

import asyncio
import json
import re
import shutil
import struct
from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from crumbmeter.cli.identify import identify
from crumbmeter.cli.look_file import LookFileError, read_look
from crumbmeter.cli.survey import NO_DEVICE, Wish, survey
from crumbmeter.field.ranking import rank
from crumbmeter.field.words import decode_si
from crumbmeter.model.units import UNITS
from crumbmeter.site import load
from tests import raw_modbus as raw
from tests.raw_modbus import RawServer
from tests.serial_peers import PtyBus, SerialPeer

ROOT = Path(__file__).parents[2]
END = 40
"""[addresses] The device has so many holding registers, and 30 is missing among them."""
FLOW = 7


def f32_cdab(value: float) -> list[int]:
    high, low = struct.unpack(">2H", struct.pack(">f", value))
    return [low, high]


def answer(connection: raw.Connection, request: bytes, reply: bytes) -> None:
    code, address, count = struct.unpack_from(">BHH", request, 7)
    fault = 1 if code != 3 else 2 if address + count > END or address <= 30 < address + count else 0
    if fault:
        raw.exception(fault)(connection, request, reply)
    else:
        connection.transport.write(reply)


@pytest.fixture
async def server() -> AsyncIterator[RawServer]:
    server = RawServer()
    server.always = answer
    server.words[1, 3][:20] = [5, 0, 900, 17, 2124, 0, 1, 0, 0, 77, 30000, 3, 1, 0, 0, 250, 12, 9, 1200, 8]
    await server.start()
    yield server
    await server.stop()


async def look(server: RawServer, path: Path, shown: str, **changes: object) -> int:
    wish = {"count": 45, "samples": 3, "pause_s": 0.0, "gap_s": 0.0, "displays": (shown,) if shown else (), **changes}
    made = Wish(f"tcp://127.0.0.1:{server.port}", **wish)  # type: ignore[arg-type]
    return await asyncio.to_thread(survey, made, path)


async def two_looks(server: RawServer, folder: Path) -> list[Path]:
    paths = [folder / "low.json", folder / "high.json"]
    for path, value in zip(paths, (118.7219, 212.4371), strict=True):
        server.words[1, 3][FLOW : FLOW + 2] = f32_cdab(value)
        assert await look(server, path, f"{value:.1f} short_ton/h", manual_address="40009") == 0
    return paths


async def test_it_only_reads_and_learns_the_holes(
    server: RawServer, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert await look(server, tmp_path / "one.json", "") == 0
    assert set(server.codes) == {3, 4}, "reads alone"
    kept = read_look(tmp_path / "one.json")
    have = {run.address + at for run in kept.look.samples[-1] for at in range(len(run.words))}
    assert have == set(range(END)) - {30}
    assert ("holding", 30, 1) in kept.holes
    out = capsys.readouterr().out
    assert "no such address: holding 30, holding 40-44" in out
    assert "refused with exception 01: input 0-44" in out
    assert "Nothing moved over 3 samples." in out


async def test_what_is_skipped_is_never_on_the_wire(server: RawServer, tmp_path: Path) -> None:
    assert await look(server, tmp_path / "one.json", "", tables=("holding",), skip=("holding:3-4", "12")) == 0
    asked = [struct.unpack_from(">HH", frame, 8) for frame in server.frames]
    touched = {address for first, count in asked for address in range(first, first + count)}
    assert touched & {3, 4, 12} == set()


async def test_the_lines_of_what_was_found_load_in_a_site(
    server: RawServer, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    paths = await two_looks(server, tmp_path)
    shown = capsys.readouterr().out
    assert re.search(r"one before it, offset 7: f32 CDAB times 1\b", shown), "the manual counts otherwise"
    shutil.copytree(ROOT / "config" / "devices", tmp_path / "devices")
    profile = tmp_path / "devices" / "new_scale.toml"
    code = identify(
        paths, profile="new_scale", register="wet_flow", device="new_one", output=profile, manual="40009", as_json=False
    )
    out = capsys.readouterr().out
    assert code == 0, out
    assert "The value stands one before the manual's address" in out
    lines = out.partition("In the site file:\n")[2]
    (tmp_path / "sites").mkdir()
    site = tmp_path / "sites" / "site.toml"
    text = (ROOT / "config" / "sites" / "demo_drum.toml").read_text().replace('source = "belt_scale.wet_flow"', "@")
    head, _, rest = text.partition("[signals.aggregate_flow]")
    own = lines.partition("[signals.")[0]
    new = head + own + "[signals.aggregate_flow]" + rest.replace("@", 'source = "new_one.wet_flow"')
    site.write_text(new)
    loaded = load(site)
    source = next(one for one in loaded.params.sources if one.signal_id == "aggregate_flow")
    value_si, _ = decode_si(source.register, server.words[1, 3][source.register.address :][:2])
    assert value_si is not None
    assert UNITS["short_ton/h"].from_si(value_si) == pytest.approx(212.4371)
    site.write_text((ROOT / "config" / "sites" / "demo_drum.toml").read_text() + "\n" + lines)
    assert "wet_flow" in {one.signal_id for one in load(site).params.sources}, "the lines load as they were printed"


async def test_a_second_register_is_added_and_none_overwritten(server: RawServer, tmp_path: Path) -> None:
    paths = await two_looks(server, tmp_path)
    profile = tmp_path / "new_scale.toml"

    def write(register: str) -> int:
        return identify(
            paths, profile="new_scale", register=register, device="", output=profile, manual="", as_json=False
        )

    assert [write("wet_flow"), write("again"), write("again")] == [0, 0, 2]
    text = profile.read_text()
    assert text.count("[registers.wet_flow]") == text.count("[registers.again]") == 1
    assert text.count("profile =") == 1


async def test_the_ranking_as_json(server: RawServer, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    paths = await two_looks(server, tmp_path)
    capsys.readouterr()
    assert identify(paths, profile="", register="", device="", output=None, manual="40009", as_json=True) == 0
    body = json.loads(capsys.readouterr().out)
    first = body["groups"][0]["candidates"][0]
    assert (first["address"], first["type"], first["order"], first["scale"]) == (FLOW, "f32", "CDAB", 1.0)
    assert body["manual_address"]["found"][0]["step"] == -1


async def test_looks_without_a_difference_name_nothing(
    server: RawServer, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "one.json"
    server.words[1, 3][FLOW : FLOW + 2] = f32_cdab(212.4371)
    assert await look(server, path, "212.4 short_ton/h") == 0
    profile = tmp_path / "new_scale.toml"
    code = identify(
        [path], profile="new_scale", register="wet_flow", device="", output=profile, manual="", as_json=False
    )
    assert code == 1
    assert not profile.exists()
    assert "All readings are of one load" in capsys.readouterr().out


async def test_no_device_and_no_answer(server: RawServer, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    server.always = raw.exception(1)
    assert await look(server, tmp_path / "one.json", "") == NO_DEVICE
    assert "refuses with exception 01" in capsys.readouterr().err
    await server.stop()
    assert await look(server, tmp_path / "one.json", "") == NO_DEVICE
    assert not (tmp_path / "one.json").exists()


async def test_a_silent_block_ends_no_survey(server: RawServer, tmp_path: Path) -> None:
    def deaf_from_twenty(connection: raw.Connection, request: bytes, reply: bytes) -> None:
        if int.from_bytes(request[8:10], "big") < 20:
            connection.transport.write(reply)

    server.always = deaf_from_twenty
    path = tmp_path / "one.json"
    assert await look(server, path, "", tables=("holding",), max_count=20, timeout_s=0.1) == 0
    assert {run.address for run in read_look(path).look.samples[-1]} == {0}


async def test_a_value_beside_a_hole_and_one_across_two_blocks_are_found(server: RawServer, tmp_path: Path) -> None:
    """Halving reads single registers; a value of two words has to come in one reply all the same."""
    places = (28, 9)
    for place in places:
        paths = [tmp_path / f"{place}-{value}.json" for value in (118, 212)]
        for path, value in zip(paths, (118.7219, 212.4371), strict=True):
            server.words[1, 3][place : place + 2] = f32_cdab(value)
            assert await look(server, path, f"{value:.1f} kg", tables=("holding",), max_count=10) == 0
        ranking = rank([read_look(path).look for path in paths])
        first = ranking.groups[0].candidates[0]
        assert (first.where.address, first.where.word_type, first.where.order) == (place, "f32", "CDAB")


async def test_over_a_serial_line(tmp_path: Path) -> None:
    peer = SerialPeer((3,))
    bus = PtyBus(peer)
    await bus.start()
    try:
        path = tmp_path / "one.json"
        wish = Wish(
            f"rtu://{bus.spec().host}?baud=115200&parity=none", 3, ("holding",), 16, 8, samples=2, pause_s=0.0,
            timeout_s=0.3, gap_s=0.0,
        )  # fmt: skip
        assert await asyncio.to_thread(survey, wish, path) == 0
    finally:
        await bus.stop()
    assert read_look(path).look.samples[1][0].words == tuple(3 * 256 + address for address in range(16, 24))
    assert {request[1] for request in peer.requests} == {3}


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"displays": ("212.4 t/h",)}, "expected one of the units"),
        ({"tables": ("holdings",)}, "no table 'holdings'"),
        ({"skip": ("a-b",)}, "expected addresses such as"),
        ({"first": 65500, "count": 100}, "expected 0 to 65535"),
        ({"manual_address": "4000x"}, "expected"),
        ({"address": "http://x"}, "no address of a device"),
        ({"address": "rtu://ttyUSB0"}, "three slashes"),
        ({"address": "rtu:///dev/ttyS0?baud=9601"}, "expected baud one of"),
        ({"address": "rtu:///dev/ttyS0", "unit": 0}, "1 to 247"),
        ({"address": "tcp://x:502?baud=9600"}, "'baud' is not known here"),
    ],
)
def test_what_is_typed_wrong_is_refused(
    changes: dict[str, object], says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    wish = Wish(**{"address": "tcp://127.0.0.1:1", **changes})  # type: ignore[arg-type]
    assert survey(wish) == 2
    assert says in capsys.readouterr().err


def test_a_file_that_is_no_look_is_refused(tmp_path: Path) -> None:
    for text in ("", "{}", '{"layout": 2}', "[]"):
        (tmp_path / "x.json").write_text(text)
        with pytest.raises(LookFileError, match=r"x\.json"):
            read_look(tmp_path / "x.json")
    with pytest.raises(LookFileError, match="No such file"):
        read_look(tmp_path / "none.json")
