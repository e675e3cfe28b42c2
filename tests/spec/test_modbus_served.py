"""The exchanges printed in the Modbus Application Protocol Specification v1.1b3, section 6, from the server's side.

The request of the document comes in; its reply must go out, byte for byte.
"""

from collections.abc import Sequence

import pytest

from crumbmeter.field.served import answer
from crumbmeter.field.spec import Table

BITS = {
    "6.1": (Table.COIL, 0x13, "1011001111010110101"),
    "6.2": (Table.DISCRETE, 0xC4, "0011010111011011101011"),
}


class Printed:
    """Holds what the document's device holds."""

    def __init__(self) -> None:
        self.held = {(Table.HOLDING, 0x6B + place): word for place, word in enumerate((0x022B, 0, 0x64))}
        self.held[Table.INPUT, 0x08] = 0x0A
        for table, first, bits in BITS.values():
            self.held |= {(table, first + place): int(bit) for place, bit in enumerate(bits)}
        self.written: list[tuple[Table, int, tuple[int, ...]]] = []

    def read(self, table: Table, address: int, count: int) -> list[int] | None:
        found = [self.held.get((table, place)) for place in range(address, address + count)]
        return None if None in found else [word for word in found if word is not None]

    def write(self, table: Table, address: int, values: Sequence[int]) -> int:
        self.written.append((table, address, tuple(values)))
        return 0


EXCHANGES = [
    ("6.1", "01 0013 0013", "01 03 CD6B05"),
    ("6.2", "02 00C4 0016", "02 03 ACDB35"),
    ("6.3", "03 006B 0003", "03 06 022B 0000 0064"),
    ("6.4", "04 0008 0001", "04 02 000A"),
    ("6.5", "05 00AC FF00", "05 00AC FF00"),
    ("6.6", "06 0001 0003", "06 0001 0003"),
    ("6.11", "0F 0013 000A 02 CD01", "0F 0013 000A"),
    ("6.12", "10 0001 0002 04 000A 0102", "10 0001 0002"),
]
WRITTEN = [
    (Table.COIL, 0xAC, (1,)),
    (Table.HOLDING, 1, (3,)),
    (Table.COIL, 0x13, (1, 0, 1, 1, 0, 0, 1, 1, 1, 0)),
    (Table.HOLDING, 1, (0x0A, 0x0102)),
]
# Section 6, the state diagrams: a quantity or value that cannot be is 03, asked before the address; section 7.
REFUSALS = [
    ("function not served", "07", "87 01"),
    ("no such address", "03 0000 0001", "83 02"),
    ("no quantity", "03 006B 0000", "83 03"),
    ("126 words", "04 0008 007E", "84 03"),
    ("2001 bits", "01 0013 07D1", "81 03"),
    ("neither on nor off", "05 00AC 0001", "85 03"),
    ("bytes that do not fit the quantity", "10 0001 0002 03 000A 01", "90 03"),
    ("1969 bits", "0F 0000 07B1 F7" + "00" * 0xF7, "8F 03"),
    ("cut short", "06 0001", "86 03"),
]


@pytest.mark.parametrize(("section", "request_pdu", "reply_pdu"), EXCHANGES)
def test_the_printed_reply_comes_byte_for_byte(section: str, request_pdu: str, reply_pdu: str) -> None:
    assert answer(bytes.fromhex(request_pdu), Printed()) == bytes.fromhex(reply_pdu)


def test_what_the_document_writes_arrives() -> None:
    bank = Printed()
    for _, request_pdu, _ in EXCHANGES[4:]:
        answer(bytes.fromhex(request_pdu), bank)
    assert bank.written == WRITTEN


@pytest.mark.parametrize(("what", "request_pdu", "reply_pdu"), REFUSALS)
def test_refusals(what: str, request_pdu: str, reply_pdu: str) -> None:
    bank = Printed()
    assert answer(bytes.fromhex(request_pdu), bank) == bytes.fromhex(reply_pdu)
    assert bank.written == []
