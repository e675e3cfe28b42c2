"""The sockets: pipelined requests, unknown units, and links that misbehave on order."""

import asyncio
import struct
from collections.abc import AsyncIterator

import pytest

from crumbmeter_sim.actions import Link
from crumbmeter_sim.rack import Rack
from tests.unit.sim.making import bank_of

PATIENCE_S = 5.0


class Master:
    """A master that speaks bytes."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.reader, self.writer = reader, writer

    @classmethod
    async def at(cls, port: int) -> "Master":
        return cls(*await asyncio.open_connection("127.0.0.1", port))

    async def ask(self, *frames: str) -> list[str]:
        self.writer.write(b"".join(bytes.fromhex(frame) for frame in frames))
        return [await asyncio.wait_for(self._frame(), PATIENCE_S) for _ in frames]

    async def _frame(self) -> str:
        head = await self.reader.readexactly(6)
        return (head + await self.reader.readexactly(struct.unpack(">H", head[4:])[0])).hex()

    async def close(self) -> None:
        self.writer.close()
        await self.writer.wait_closed()


@pytest.fixture
async def rack() -> AsyncIterator[tuple[Rack, Link]]:
    link = Link()
    made = Rack("127.0.0.1")
    made.add("one", 0, 17, bank_of({("holding", 107): 555, ("holding", 108): 0, ("holding", 109): 100}), link)
    await made.follow()
    yield made, link
    await made.close()


# Request and answer of section 6.3 under an MBAP header (Modbus Messaging on TCP/IP Implementation Guide v1.0b, 3.1.3)
ASK = "000100000006" + "11" + "03006B0003"
TOLD = "000100000009" + "11" + "0306022b00000064"


async def test_read_over_tcp(rack: tuple[Rack, Link]) -> None:
    master = await Master.at(rack[0].ports["one"])
    assert await master.ask(ASK) == [TOLD]
    await master.close()


async def test_pipelined_requests_are_all_answered_in_order(rack: tuple[Rack, Link]) -> None:
    master = await Master.at(rack[0].ports["one"])
    second = "000200000006" + "11" + "03006B0001"
    assert await master.ask(ASK, second, ASK) == [TOLD, "000200000005" + "11" + "0302022b", TOLD]
    await master.close()


async def test_a_request_in_pieces(rack: tuple[Rack, Link]) -> None:
    master = await Master.at(rack[0].ports["one"])
    frame = bytes.fromhex(ASK)
    for byte in frame[:-1]:
        master.writer.write(bytes((byte,)))
        await master.writer.drain()
    assert await master.ask(frame[-1:].hex()) == [TOLD]
    await master.close()


async def test_unknown_unit_is_exception_0b(rack: tuple[Rack, Link]) -> None:
    master = await Master.at(rack[0].ports["one"])
    assert await master.ask("000500000006" + "12" + "03006B0003") == ["000500000003" + "12" + "830b"]
    await master.close()


async def test_bytes_that_are_no_modbus_end_the_connection(rack: tuple[Rack, Link]) -> None:
    master = await Master.at(rack[0].ports["one"])
    master.writer.write(b"GET / HTTP/1.0\r\n\r\n")
    with pytest.raises((ConnectionError, asyncio.IncompleteReadError)):
        await asyncio.wait_for(master.reader.readexactly(1), PATIENCE_S)
    master.writer.close()


async def test_a_dead_link_cuts_masters_and_refuses_new_ones_until_it_is_back(rack: tuple[Rack, Link]) -> None:
    made, link = rack
    port = made.ports["one"]
    master = await Master.at(port)
    assert await master.ask(ASK) == [TOLD]
    link.mode = "dead"
    await made.follow()
    with pytest.raises((ConnectionError, asyncio.IncompleteReadError)):
        await asyncio.wait_for(master.reader.readexactly(1), PATIENCE_S)
    with pytest.raises(ConnectionRefusedError):
        await Master.at(port)
    link.mode = "up"
    await made.follow()
    again = await Master.at(port)
    assert await again.ask(ASK) == [TOLD]
    await again.close()
    master.writer.close()


async def test_a_hanging_link_takes_requests_and_says_nothing(rack: tuple[Rack, Link]) -> None:
    made, link = rack
    master = await Master.at(made.ports["one"])
    link.mode = "hang"
    await made.follow()
    master.writer.write(bytes.fromhex(ASK))
    with pytest.raises(TimeoutError):
        await asyncio.wait_for(master.reader.readexactly(1), 0.1)
    link.mode = "up"
    later = "000700000006" + "11" + "03006B0003"
    assert (await master.ask(later))[0].startswith("0007")  # what was swallowed is never answered late
    await master.close()


async def test_a_slow_link_answers_late(rack: tuple[Rack, Link]) -> None:
    made, link = rack
    link.delay_s = 0.05
    master = await Master.at(made.ports["one"])
    loop = asyncio.get_running_loop()
    asked_s = loop.time()
    assert await master.ask(ASK) == [TOLD]
    assert loop.time() - asked_s >= 0.05
    await master.close()
