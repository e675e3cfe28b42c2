"""libmodbus (Debian) as a master of the simulator, and as a device that crumbmeter's own adapter reads and writes."""

import asyncio
import math
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from crumbmeter.adapters.modbus import make_links, silence_library
from crumbmeter.field.spec import ByteOrder, DeviceSpec, RegisterSpec, Table, Transport, WordType
from crumbmeter.field.words import decode_si
from crumbmeter.model.faults import DeviceExceptionError, RetryLaterError
from crumbmeter_sim.actions import Link
from crumbmeter_sim.device.addressed import SelfAddressed, expected
from crumbmeter_sim.rack import Rack
from tests.fakes import device_spec
from tests.system.interop.tools import GCC, LIBMODBUS, PATIENCE_S, SerialCable, build_peer, run

pytestmark = [
    pytest.mark.skipif(GCC is None, reason="needs gcc"),
    pytest.mark.skipif(LIBMODBUS is None, reason="needs libmodbus"),
]


@pytest.fixture(autouse=True)
def quiet_library() -> None:
    """Keep the library's hex dumps out of the report; at import time it would reach other modules' tests too."""
    silence_library()


UNIT = 3
BAUD = "19200"


@pytest.fixture(scope="session")
def peer(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return build_peer(tmp_path_factory.mktemp("libmodbus"))


def hex_of(values: tuple[int, ...]) -> str:
    return " ".join(["ok", *(f"{value:04x}" for value in values)])


# --- libmodbus asks, the simulator answers ----------------------------------------------------------------------------


@pytest.mark.parametrize("framed", ["tcp", "rtu"])
async def test_libmodbus_reads_and_writes_the_simulator(peer: Path, tmp_path: Path, framed: str) -> None:
    rack = Rack("127.0.0.1", folder=tmp_path)
    unit = SelfAddressed(UNIT)
    rack.add_bus("bus", "tcp" if framed == "tcp" else "rtu")
    rack.add("unit", 0, UNIT, unit, Link(), bus="bus")
    await rack.follow()
    place = ["tcp", "127.0.0.1", str(rack.ports["unit"])] if framed == "tcp" else ["rtu", rack.serial["unit"], BAUD]
    told = {
        "holding 31 17": hex_of(expected(UNIT, "holding", 31, 17)),
        "input 1900 125": hex_of(expected(UNIT, "input", 1900, 125)),
        "coils 5 30": hex_of(expected(UNIT, "coil", 5, 30)),
        "discrete 2000 48": hex_of(expected(UNIT, "discrete", 2000, 48)),
        "write 1024 0x1234": "ok",
        "writes 1030 1 2 3": "ok",
        "mask 1024 0x00F2 0x0025": "ok",
        "exchange 1023 3 1025 7": hex_of((*expected(UNIT, "holding", 1023, 1), 0x35, 7)),
        "coil 1040 1": "ok",
        "holding 2047 2": "error Illegal data address",
        "write 7 1": "error Illegal data address",
    }
    words = [word for command in told for word in (*command.split(), ";")]
    code, said = await run(peer, "client", *place, str(UNIT), *words)
    assert code == 0, said
    assert dict(zip(told, said.splitlines(), strict=True)) == told
    assert unit.log == [
        ("holding", 1024, (0x1234,)),
        ("holding", 1030, (1, 2, 3)),
        # (0x1234 AND 0x00F2) OR (0x0025 AND NOT 0x00F2): section 6.16 of the Application Protocol v1.1b3
        ("holding", 1024, (0x0035,)),
        ("holding", 1025, (7,)),
        ("coil", 1040, (1,)),
    ]
    await rack.close()


# --- crumbmeter asks, libmodbus answers -------------------------------------------------------------------------------


def word_at(address: int) -> int:
    """Return what libmodbus_peer.c puts there."""
    return (address * 2654435761 & 0xFFFFFFFF) >> 16


@asynccontextmanager
async def serving(peer: Path, *place: str) -> AsyncIterator[int]:
    child = await asyncio.create_subprocess_exec(peer, "server", *place, str(UNIT), stdout=asyncio.subprocess.PIPE)
    try:
        assert child.stdout is not None
        line = await asyncio.wait_for(child.stdout.readline(), PATIENCE_S)
        yield int(line.split()[1])
    finally:
        child.kill()
        await child.wait()


@pytest.fixture(params=["tcp", "rtu"])
async def spec(request: pytest.FixtureRequest, peer: Path, tmp_path: Path) -> AsyncIterator[DeviceSpec]:
    """Describe a libmodbus server as a device of crumbmeter's."""
    if request.param == "tcp":
        async with serving(peer, "tcp", "127.0.0.1", "0") as port:
            yield device_spec(port=port, unit_id=UNIT, timeout_s=2.0)
        return
    cable = SerialCable(tmp_path)
    async with serving(peer, "rtu", cable.far, BAUD):
        yield device_spec(
            host=cable.near,
            port=0,
            unit_id=UNIT,
            timeout_s=2.0,
            transport=Transport.RTU,
            baud=int(BAUD),
            parity="none",
            worst_response_s=0.1,
        )
    cable.close()


async def test_crumbmeter_reads_a_libmodbus_device(spec: DeviceSpec) -> None:
    (link,) = make_links([spec])
    await link.connect()
    for address, count in ((0, 1), (200, 125), (1999, 49)):
        words = tuple(word_at(address + i) for i in range(count))
        assert await link.read(Table.HOLDING, address, count) == words
        assert await link.read(Table.INPUT, address, count) == tuple(0xFFFF ^ word for word in words)
        assert await link.read(Table.COIL, address, count) == tuple(word >> 7 & 1 for word in words)
        assert await link.read(Table.DISCRETE, address, count) == tuple(~word >> 7 & 1 for word in words)
    with pytest.raises(DeviceExceptionError) as caught:
        await link.read(Table.HOLDING, 2047, 2)
    assert caught.value.code == 2
    assert await link.read(Table.HOLDING, 2047, 1) == (word_at(2047),)
    await link.close()


@pytest.mark.parametrize(("address", "order"), [(100, "ABCD"), (102, "CDAB"), (104, "BADC"), (106, "DCBA")])
async def test_crumbmeter_reads_pi_in_every_order(spec: DeviceSpec, address: int, order: str) -> None:
    (link,) = make_links([spec])
    await link.connect()
    words = await link.read(Table.HOLDING, address, 2)
    register = RegisterSpec(Table.HOLDING, address, WordType.F32, ByteOrder(order))
    assert decode_si(register, words)[0] == pytest.approx(math.pi, rel=1e-7)
    await link.close()


async def test_crumbmeter_writes_to_a_libmodbus_device(spec: DeviceSpec) -> None:
    (link,) = make_links([spec])
    await link.connect()
    one, two = RegisterSpec(Table.HOLDING, 300, WordType.U16), RegisterSpec(Table.HOLDING, 301, WordType.F32)
    await link.write(one, (1234,))
    await link.write(two, (0x4049, 0x0FDB))
    await link.write(RegisterSpec(Table.COIL, 5, WordType.BIT), (1,))
    await link.write(RegisterSpec(Table.HOLDING, 310, WordType.U16), (77,), function=16)
    assert await link.read(Table.HOLDING, 300, 3) == (1234, 0x4049, 0x0FDB)
    assert await link.read(Table.COIL, 5, 1) == (1,)
    assert await link.read(Table.HOLDING, 310, 1) == (77,)
    await link.close()


async def test_another_unit_of_a_serial_libmodbus_device_is_silent(peer: Path, tmp_path: Path) -> None:
    cable = SerialCable(tmp_path)
    async with serving(peer, "rtu", cable.far, BAUD):
        spec = device_spec(
            host=cable.near,
            port=0,
            unit_id=9,
            timeout_s=0.2,
            transport=Transport.RTU,
            baud=int(BAUD),
            parity="none",
            worst_response_s=0.1,
        )
        (link,) = make_links([spec])
        await link.connect()
        with pytest.raises(RetryLaterError):
            await link.read(Table.HOLDING, 0, 1)
        await link.close()
    cable.close()
