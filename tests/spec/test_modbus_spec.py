"""The exchanges printed in the Modbus Application Protocol Specification v1.1b3, section 6, over a real socket.

A server of bytes plays the device: it sees the request of the specification, byte for byte, and gives its reply.
"""

from collections.abc import AsyncIterator

import pytest

from crumbmeter.adapters.modbus import ModbusLink, make_links
from crumbmeter.field.spec import RegisterSpec, Table, WordType
from tests.fakes import device_spec
from tests.raw_modbus import RawServer

UNIT = 17


@pytest.fixture
async def server() -> AsyncIterator[RawServer]:
    server = RawServer(units=(UNIT,))
    await server.start()
    yield server
    await server.stop()


@pytest.fixture
async def link(server: RawServer) -> AsyncIterator[ModbusLink]:
    (link,) = make_links([device_spec(port=server.port, unit_id=UNIT, timeout_s=1.0)])
    await link.connect()
    yield link
    await link.close()


def _bits(text: str) -> tuple[int, ...]:
    return tuple(int(bit) for bit in text.replace(" ", ""))


# Section, table, address, count, request PDU, reply PDU, what it means.
READS = [
    ("6.1", Table.COIL, 0x13, 0x13, "01 0013 0013", "01 03 CD6B05", _bits("10110011 11010110 101")),
    ("6.2", Table.DISCRETE, 0xC4, 0x16, "02 00C4 0016", "02 03 ACDB35", _bits("00110101 11011011 101011")),
    ("6.3", Table.HOLDING, 0x6B, 3, "03 006B 0003", "03 06 022B 0000 0064", (555, 0, 100)),
    ("6.4", Table.INPUT, 0x08, 1, "04 0008 0001", "04 02 000A", (10,)),
]
WRITES = [
    ("6.5", RegisterSpec(Table.COIL, 0xAC, WordType.BIT), (1,), "05 00AC FF00", "05 00AC FF00"),
    ("6.6", RegisterSpec(Table.HOLDING, 1, WordType.U16), (3,), "06 0001 0003", "06 0001 0003"),
    (
        "6.11",
        RegisterSpec(Table.COIL, 0x13, WordType.BIT),
        _bits("10110011 10"),
        "0F 0013 000A 02 CD01",
        "0F 0013 000A",
    ),
    ("6.12", RegisterSpec(Table.HOLDING, 1, WordType.U32), (0x0A, 0x0102), "10 0001 0002 04 000A 0102", "10 0001 0002"),
]


@pytest.mark.parametrize(("section", "table", "address", "count", "request_pdu", "reply_pdu", "meaning"), READS)
async def test_read(
    server: RawServer,
    link: ModbusLink,
    section: str,
    table: Table,
    address: int,
    count: int,
    request_pdu: str,
    reply_pdu: str,
    meaning: tuple[int, ...],
) -> None:
    server.canned = {bytes.fromhex(request_pdu): bytes.fromhex(reply_pdu)}
    assert await link.read(table, address, count) == meaning
    assert [frame[6:] for frame in server.frames] == [bytes([UNIT]) + bytes.fromhex(request_pdu)]


@pytest.mark.parametrize(("section", "register", "words", "request_pdu", "reply_pdu"), WRITES)
async def test_write(
    server: RawServer,
    link: ModbusLink,
    section: str,
    register: RegisterSpec,
    words: tuple[int, ...],
    request_pdu: str,
    reply_pdu: str,
) -> None:
    server.canned = {bytes.fromhex(request_pdu): bytes.fromhex(reply_pdu)}
    await link.write(register, words)
    assert [frame[6:] for frame in server.frames] == [bytes([UNIT]) + bytes.fromhex(request_pdu)]


async def test_coil_off_is_0000(server: RawServer, link: ModbusLink) -> None:
    # Section 6.5: FF00 is on, 0000 is off, all other values are illegal.
    await link.write(RegisterSpec(Table.COIL, 0xAC, WordType.BIT), (0,))
    assert server.frames[0][7:] == bytes.fromhex("05 00AC 0000")


async def test_tcp_frame(server: RawServer, link: ModbusLink) -> None:
    # Messaging on TCP/IP v1.0b, section 3.1.3: transaction, protocol 0, length of what follows, unit.
    await link.read(Table.HOLDING, 0x6B, 3)
    (frame,) = server.frames
    assert frame[2:] == bytes.fromhex("0000 0006 11 03 006B 0003")
