"""Exchanges of the MODBUS Application Protocol Specification v1.1b3, sections 6.1 to 6.12, byte for byte."""

import pytest

from crumbmeter_sim.pdu import answer
from tests.unit.sim.making import bank_of


def bits(pattern: str, table: str, first: int) -> dict[tuple[str, int], int]:
    """Addresses from `first`, given the data bytes of the answer in hex (least significant bit first)."""
    data = bytes.fromhex(pattern)
    return {(table, first + i): (data[i // 8] >> (i % 8)) & 1 for i in range(8 * len(data))}


def test_6_1_read_coils() -> None:
    bank = bank_of(bits("CD6B05", "coil", 19))
    assert answer(bank, bytes.fromhex("0100130013")).hex() == "0103cd6b05"


def test_6_2_read_discrete_inputs() -> None:
    bank = bank_of(bits("ACDB35", "discrete", 196))
    assert answer(bank, bytes.fromhex("0200C40016")).hex() == "0203acdb35"


def test_6_3_read_holding_registers() -> None:
    bank = bank_of({("holding", 107): 555, ("holding", 108): 0, ("holding", 109): 100})
    assert answer(bank, bytes.fromhex("03006B0003")).hex() == "0306022b00000064"


def test_6_4_read_input_registers() -> None:
    assert answer(bank_of({("input", 8): 10}), bytes.fromhex("0400080001")).hex() == "0402000a"


def test_6_5_write_single_coil() -> None:
    bank = bank_of({("coil", 172): 0}, writable=True)
    assert answer(bank, bytes.fromhex("0500ACFF00")).hex() == "0500acff00"
    assert bank.read("coil", 172, 1) == (1,)


def test_6_6_write_single_register() -> None:
    bank = bank_of({("holding", 1): 0}, writable=True)
    assert answer(bank, bytes.fromhex("0600010003")).hex() == "0600010003"
    assert bank.read("holding", 1, 1) == (3,)


def test_6_11_write_multiple_coils() -> None:
    bank = bank_of({("coil", 19 + i): 0 for i in range(10)}, writable=True)
    assert answer(bank, bytes.fromhex("0F0013000A02CD01")).hex() == "0f0013000a"
    assert bank.read("coil", 19, 10) == (1, 0, 1, 1, 0, 0, 1, 1, 1, 0)


def test_6_12_write_multiple_registers() -> None:
    bank = bank_of({("holding", 1): 0, ("holding", 2): 0}, writable=True)
    assert answer(bank, bytes.fromhex("100001000204000A0102")).hex() == "1000010002"
    assert bank.read("holding", 1, 2) == (10, 0x0102)


@pytest.mark.parametrize(
    ("request_hex", "why"),
    [
        ("2B0E0100", "an unknown function code: exception 1"),
        ("0300000001", "an address outside the device: exception 2"),
        ("03006B0000", "a count of zero: exception 3"),
        ("03006B007E", "126 registers: exception 3"),
        ("0500AC1234", "a coil value that is neither FF00 nor 0000: exception 3"),
        ("03006B", "a request cut short: exception 3"),
        ("100001000203000A01", "a byte count that does not fit: exception 3"),
    ],
)
def test_what_is_wrong_becomes_an_exception(request_hex: str, why: str) -> None:
    bank = bank_of({("holding", 107): 1})
    request = bytes.fromhex(request_hex)
    assert answer(bank, request) == bytes((request[0] | 0x80, int(why[-1])))
