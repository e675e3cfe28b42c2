"""mbpoll (Debian), not written here, reads and writes the simulator's servers over TCP and over a serial line."""

import re
from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from crumbmeter_sim.actions import Link
from crumbmeter_sim.device.addressed import SelfAddressed, expected
from crumbmeter_sim.rack import Rack
from crumbmeter_sim.rig import Rig
from crumbmeter_sim.serve import ServeOptions, build_rack
from tests.system.interop.tools import MBPOLL, ROOT, run

pytestmark = pytest.mark.skipif(MBPOLL is None, reason="needs mbpoll")
UNIT = 3
TABLES = {"coil": "0", "discrete": "1", "input": "3:hex", "holding": "4:hex"}


class Bench:
    """A self-addressed unit behind a server, and mbpoll's words for it."""

    def __init__(self, framed: str, folder: Path) -> None:
        self.rack = Rack("127.0.0.1", folder=folder)
        self.unit = SelfAddressed(UNIT)
        self.rack.add_bus("bus", "tcp" if framed == "tcp" else "rtu")
        self.rack.add("unit", 0, UNIT, self.unit, Link(), bus="bus")
        self._serial = framed != "tcp"

    async def poll(self, *words: str, values: tuple[str, ...] = (), unit: int = UNIT) -> tuple[int, str]:
        assert MBPOLL is not None
        if self._serial:
            mode, place = ["-m", "rtu", "-b", "19200", "-P", "even"], self.rack.serial["unit"]
        else:
            mode, place = ["-m", "tcp", "-p", str(self.rack.ports["unit"])], "127.0.0.1"
        once = [] if values else ["-1"]
        return await run(MBPOLL, *mode, "-a", str(unit), "-0", "-q", "-o", "1", *once, *words, place, *values)


@pytest.fixture(params=["tcp", "rtu"])
async def bench(request: pytest.FixtureRequest, tmp_path: Path) -> AsyncIterator[Bench]:
    made = Bench(request.param, tmp_path)
    await made.rack.follow()
    yield made
    await made.rack.close()


def values_of(said: str) -> list[int]:
    return [int(value, 0) for value in re.findall(r"^\[\d+\]:\s+(0x[0-9A-F]+|\d+)", said, re.MULTILINE)]


@pytest.mark.parametrize("table", TABLES)
@pytest.mark.parametrize(("address", "count"), [(0, 1), (31, 17), (1900, 125)])
async def test_reads_agree_with_the_truth(bench: Bench, table: str, address: int, count: int) -> None:
    code, said = await bench.poll("-t", TABLES[table], "-r", str(address), "-c", str(count))
    assert code == 0, said
    assert values_of(said) == list(expected(UNIT, table, address, count))


async def test_writes_arrive(bench: Bench) -> None:
    for words, values in (
        (("-t", "4", "-r", "1024"), ("1234",)),
        (("-t", "4", "-r", "1030"), ("1", "65535", "3")),
        (("-t", "0", "-r", "1040"), ("1",)),
        (("-t", "0", "-r", "1050"), ("1", "0", "1", "1")),
    ):
        code, said = await bench.poll(*words, values=values)
        assert code == 0, said
    assert bench.unit.log == [
        ("holding", 1024, (1234,)),
        ("holding", 1030, (1, 65535, 3)),
        ("coil", 1040, (1,)),
        ("coil", 1050, (1, 0, 1, 1)),
    ]
    code, said = await bench.poll("-t", "4", "-r", "1030", "-c", "3")
    assert values_of(said) == [1, 65535, 3]


async def test_what_may_not_be_is_refused_in_words_that_mbpoll_knows(bench: Bench) -> None:
    code, said = await bench.poll("-t", "4", "-r", "7", values=("1",))
    assert code != 0
    assert "Illegal data address" in said
    code, said = await bench.poll("-t", "3", "-r", "2047", "-c", "2")
    assert "Illegal data address" in said
    code, said = await bench.poll("-t", "3", "-r", "0", "-c", "1", unit=9)
    assert code != 0
    assert "timed out" in said or "Target device failed to respond" in said


async def test_a_plant_on_a_serial_line_shows_its_truth(tmp_path: Path) -> None:
    rig = Rig.from_plant(ROOT / "config/plants/demo_bus.toml", overrides={"bus.0.framing": "rtu", "bus.0.baud": 0})
    rig.do("plant_start", mix_short_ton_h=240.0)
    rig.advance(90.0)
    rack = build_rack(rig, ServeOptions(serial_folder=tmp_path), lambda: None)
    await rack.follow()
    assert MBPOLL is not None
    serial = ["-m", "rtu", "-b", "19200", "-P", "even", "-0", "-q", "-1"]
    place = rack.serial["feeder"]
    # hopper_mass: input 0, f32, ABCD, in lb; mbpoll calls the high word first "big endian" (-B)
    code, said = await run(MBPOLL, *serial, "-a", "6", "-t", "3:float", "-B", "-r", "0", "-c", "1", place)
    assert code == 0, said
    shown_lb = float(re.findall(r"^\[0\]:\s+(\S+)", said, re.MULTILINE)[0])
    assert shown_lb == pytest.approx(rig.plant.feeder.hopper.shown_kg / 0.45359237, rel=1e-4)
    code, said = await run(MBPOLL, *serial, "-a", "8", "-t", "3", "-r", "10", "-c", "1", place)
    assert values_of(said) == [rig.plant.counters["aggregate"].shown]
    assert rig.plant.counters["aggregate"].pulses > 100
    await rack.close()
