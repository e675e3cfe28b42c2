"""Several units on one line: gateways, RTU over TCP and serial lines; who is dead, how long things take, broadcasts."""

import asyncio
from pathlib import Path

import pytest

from crumbmeter_sim.actions import Link
from crumbmeter_sim.device.addressed import SelfAddressed, expected
from crumbmeter_sim.faults.kinds import Fault
from crumbmeter_sim.rack import Framed, Rack
from crumbmeter_sim.rtu import seal
from crumbmeter_sim.server import Pace
from tests.unit.sim.making import bank_of
from tests.unit.sim.test_proxy import Serial, until
from tests.unit.sim.test_server import PATIENCE_S, Master


def asked(unit: int, address: int = 0x20, count: int = 2) -> bytes:
    return bytes((unit, 3)) + address.to_bytes(2, "big") + count.to_bytes(2, "big")


def told(unit: int, address: int = 0x20, count: int = 2) -> bytes:
    words = expected(unit, "holding", address, count)
    return bytes((unit, 3, 2 * count)) + b"".join(word.to_bytes(2, "big") for word in words)


def mbap(number: int, body: bytes) -> str:
    return (number.to_bytes(2, "big") + b"\0\0" + len(body).to_bytes(2, "big") + body).hex()


class Bus:
    """Eight self-addressed units on one line."""

    def __init__(self, framed: Framed, folder: Path, pace: Pace = Pace(), *, faulty: bool = False) -> None:  # noqa: B008
        self.rack = Rack("127.0.0.1", folder=folder)
        self.rack.add_bus("bus", framed, pace=pace, faulty=faulty)
        self.links = {unit: Link() for unit in range(1, 9)}
        self.units = {unit: SelfAddressed(unit) for unit in range(1, 9)}
        for unit, link in self.links.items():
            self.rack.add(f"u{unit}", 0, unit, self.units[unit], link, bus="bus", faulty=faulty)

    async def master(self) -> Master:
        await self.rack.follow()
        return await Master.at(self.rack.ports["u1"])


async def test_a_gateway_serves_every_unit_and_one_that_is_dead_alone(tmp_path: Path) -> None:
    bus = Bus("tcp", tmp_path, Pace(turnaround_s=0.001, silent_s=0.02))
    master = await bus.master()
    assert len(set(bus.rack.ports.values())) == 1
    answers = await master.ask(*(mbap(unit, asked(unit)) for unit in bus.links))
    assert answers == [mbap(unit, told(unit)) for unit in bus.links]
    for dead in bus.links:
        bus.links[dead].mode = "dead"
        await bus.rack.follow()
        answers = await master.ask(*(mbap(unit, asked(unit)) for unit in bus.links))
        assert answers[dead - 1] == mbap(dead, bytes((dead, 0x83, 0x0B)))
        assert [a for u, a in enumerate(answers, 1) if u != dead] == [mbap(u, told(u)) for u in bus.links if u != dead]
        bus.links[dead].mode = "up"
    await master.close()
    await bus.rack.close()


async def test_one_request_at_a_time_is_on_a_bus_whoever_asks(tmp_path: Path) -> None:
    bus = Bus("tcp", tmp_path, Pace(turnaround_s=0.02))
    masters = [await bus.master() for _ in range(3)]
    loop = asyncio.get_running_loop()
    began_s = loop.time()
    answers = await asyncio.gather(*(master.ask(mbap(7, asked(2))) for master in masters))
    assert loop.time() - began_s >= 0.06
    assert answers == [[mbap(7, told(2))]] * 3
    for master in masters:
        await master.close()
    await bus.rack.close()


def test_the_wire_takes_its_time() -> None:
    # 9600 baud, 11 bits a character (Modbus over Serial Line v1.02, section 2.5.1.1): 8 and 9 bytes on the wire
    assert Pace(baud=9600).takes_s(5, 6) == pytest.approx(11 * 17 / 9600)
    assert Pace(turnaround_s=0.01).takes_s(5, 6) == 0.01
    assert Pace(turnaround_s=0.01, silent_s=0.5).takes_s(5, 0) == 0.5


@pytest.mark.parametrize("faulty", [False, True])
async def test_a_serial_line_with_eight_units(tmp_path: Path, faulty: bool) -> None:
    bus = Bus("rtu", tmp_path, faulty=faulty)
    await bus.rack.follow()
    assert bus.rack.ports == {}
    assert set(bus.rack.serial.values()) == {str(tmp_path / "bus")}
    master = Serial(bus.rack.serial["u1"])
    for unit in bus.links:
        assert await master.ask(seal(asked(unit)), len(seal(told(unit)))) == seal(told(unit))
    bus.links[4].mode = "hang"
    master.channel.write(seal(asked(4)))
    assert await master.ask(seal(asked(5)), len(seal(told(5)))) == seal(told(5))
    master.channel.close()
    await bus.rack.close()


async def test_a_broadcast_is_done_by_all_and_answered_by_none(tmp_path: Path) -> None:
    bus = Bus("rtu_over_tcp", tmp_path)
    bus.links[3].mode = "dead"
    master = await bus.master()
    master.writer.write(seal(bytes.fromhex("000604000007")))
    master.writer.write(seal(bytes.fromhex("000300200001")))  # a read of all makes no sense, and is not done
    master.writer.write(seal(asked(9)))  # no such unit: silence
    master.writer.write(seal(asked(1)))
    assert await asyncio.wait_for(master.reader.readexactly(len(seal(told(1)))), PATIENCE_S) == seal(told(1))
    assert [unit for unit, device in bus.units.items() if device.log == [("holding", 0x400, (7,))]] == [
        1, 2, 4, 5, 6, 7, 8,
    ]  # fmt: skip
    await master.close()
    await bus.rack.close()


async def test_half_a_request_is_given_up_when_the_line_falls_silent(tmp_path: Path) -> None:
    bus = Bus("rtu_over_tcp", tmp_path)
    master = await bus.master()
    master.writer.write(bytes.fromhex("0110040000020400") + seal(asked(2)))  # as long as the first could be
    assert await asyncio.wait_for(master.reader.readexactly(len(seal(told(2)))), PATIENCE_S) == seal(told(2))
    await master.close()
    await bus.rack.close()


async def test_faults_of_a_link_strike_its_unit_alone_until_they_are_over(tmp_path: Path) -> None:
    bus = Bus("tcp", tmp_path, faulty=True)
    bus.links[2].faults.append(Fault("wrong_unit"))
    master = await bus.master()
    frames = [mbap(unit, asked(unit)) for unit in (1, 2, 3)]
    right = [mbap(unit, told(unit)) for unit in (1, 2, 3)]
    answers = await master.ask(*frames)
    assert answers[::2] == right[::2]
    assert answers[1] != right[1]
    bus.links[2].faults.clear()
    await bus.rack.follow()
    assert await master.ask(*frames) == right
    assert bus.rack.proxy("u2").counts["wrong_unit"] == 1
    bus.links[1].faults.append(Fault("close_port"))
    await bus.rack.follow()
    with pytest.raises(ConnectionRefusedError):
        await bus.master()
    bus.links[1].faults.clear()
    master.writer.close()
    again = await bus.master()
    assert await again.ask(*frames) == right
    await again.close()
    await bus.rack.close()


async def test_a_dead_device_behind_a_proxy_has_no_port(tmp_path: Path) -> None:
    link = Link()
    rack = Rack("127.0.0.1", folder=tmp_path)
    rack.add("one", 0, 1, SelfAddressed(1), link, faulty=True)
    await rack.follow()
    port = rack.ports["one"]
    link.mode = "dead"
    await rack.follow()
    with pytest.raises(ConnectionRefusedError):
        await Master.at(port)
    link.mode = "up"
    await rack.follow()
    master = await Master.at(port)
    assert await master.ask(mbap(1, asked(1))) == [mbap(1, told(1))]
    await master.close()
    await rack.close()


def test_there_is_a_proxy_where_it_was_asked_for() -> None:
    rack = Rack("127.0.0.1")
    rack.add("one", 0, 1, SelfAddressed(1), Link())
    with pytest.raises(KeyError, match="not added as faulty"):
        rack.proxy("one")


async def test_an_echo_matrix_of_unit_ids_over_tcp(tmp_path: Path) -> None:
    """REQ-51: unit ids are taken literally, 0 and 255 with them."""
    rack = Rack("127.0.0.1", folder=tmp_path)
    rack.add_bus("bus", "tcp")
    for unit in (0, 1, 247, 255):
        rack.add(f"u{unit}", 0, unit, bank_of({("holding", 0): unit}), Link(), bus="bus")
    await rack.follow()
    master = await Master.at(rack.ports["u0"])
    for unit in (0, 1, 247, 255):
        answer = (await master.ask(mbap(unit, asked(unit, 0, 1))))[0]
        assert answer == mbap(unit, bytes((unit, 3, 2, 0, unit)))
    await master.close()
    await rack.close()
    await until(lambda: not rack.endpoint("u0").open_conversations)
