"""Golden vectors of every type in every order of bytes, and the traps of notation (REQ-13, REQ-14).

Sources. Floats: IEEE 754-2019, section 3.4, binary32 and binary64; the bytes of pi, e and 123.456 are those that any
converter of that standard shows. Whole numbers: two's complement. BCD: one decimal digit in a half-byte, as named.
Orders: the letters are the bytes as they come over the wire, A the most significant, so a vector is made by writing the
letters down. Addresses: Modbus Application Protocol v1.1b3, section 4.4: data are numbered from 1, PDUs from 0.
"""

import math
import struct

import pytest

from crumbmeter.field.notation import NotationError, pdu_offset
from crumbmeter.field.spec import ByteOrder, RegisterSpec, Table, WordType
from crumbmeter.field.words import decode_si, decode_words, encode_raw, make_decoder
from crumbmeter.field.words_codes import text_of, words_of_text
from crumbmeter.model.quality import Reason

SPELT = {
    2: {"ABCD": "AB", "CDAB": "AB", "BADC": "BA", "DCBA": "BA"},
    4: {"ABCD": "ABCD", "CDAB": "CDAB", "BADC": "BADC", "DCBA": "DCBA"},
    8: {"ABCD": "ABCDEFGH", "CDAB": "GHEFCDAB", "BADC": "BADCFEHG", "DCBA": "HGFEDCBA"},
}
"""How each order spells a value of so many bytes."""

VALUES: list[tuple[WordType, str, float]] = [
    (WordType.F32, "40490FDB", struct.unpack(">f", bytes.fromhex("40490FDB"))[0]),
    (WordType.F32, "402DF854", struct.unpack(">f", bytes.fromhex("402DF854"))[0]),
    (WordType.F32, "42F6E979", struct.unpack(">f", bytes.fromhex("42F6E979"))[0]),
    (WordType.F32, "3F800000", 1.0),
    (WordType.F32, "BF800000", -1.0),
    (WordType.F32, "4B800000", 2.0**24),
    (WordType.F32, "00000001", 2.0**-149),
    (WordType.F64, "400921FB54442D18", math.pi),
    (WordType.F64, "4005BF0A8B145769", math.e),
    (WordType.F64, "405EDD2F1A9FBE77", 123.456),
    (WordType.F64, "3FF0000000000000", 1.0),
    (WordType.F64, "BFF0000000000000", -1.0),
    (WordType.F64, "4170000010000000", 2.0**24 + 1),
    (WordType.U16, "0001", 1),
    (WordType.U16, "FFFE", 65534),
    (WordType.U16, "FFFF", 65535),
    (WordType.I16, "7FFF", 32767),
    (WordType.I16, "8000", -32768),
    (WordType.I16, "FFFF", -1),
    (WordType.U32, "01000001", 2**24 + 1),
    (WordType.U32, "0001FFFF", 131071),
    (WordType.U32, "00010000", 65536),
    (WordType.U32, "FFFFFFFF", 2**32 - 1),
    (WordType.I32, "01000001", 2**24 + 1),
    (WordType.I32, "7FFFFFFF", 2**31 - 1),
    (WordType.I32, "80000000", -(2**31)),
    (WordType.I32, "FFFFFFFF", -1),
    (WordType.U64, "0020000000000001", 2**53 + 1),
    (WordType.U64, "0123456789ABCDEF", 0x0123456789ABCDEF),
    (WordType.U64, "FFFFFFFFFFFFFFFF", 2**64 - 1),
    (WordType.I64, "7FFFFFFFFFFFFFFF", 2**63 - 1),
    (WordType.I64, "8000000000000000", -(2**63)),
    (WordType.I64, "FFFFFFFFFFFFFFFE", -2),
    (WordType.BCD16, "0000", 0),
    (WordType.BCD16, "1234", 1234),
    (WordType.BCD16, "9999", 9999),
    (WordType.BCD32, "12345678", 12345678),
    (WordType.BCD32, "00000010", 10),
    (WordType.BCD32, "99999999", 99999999),
    (WordType.SM16, "8001", -1),
    (WordType.SM16, "FFFF", -32767),
    (WordType.SM16, "7FFF", 32767),
    (WordType.SM32, "80000001", -1),
    (WordType.SM32, "FFFFFFFF", -(2**31) + 1),
    (WordType.SM32, "00010000", 65536),
]
CASES = [
    pytest.param(kind, order, bits, number, id=f"{kind.value}-{order.value}-{bits}")
    for kind, bits, number in VALUES
    for order in ByteOrder
]


def on_the_wire(bits: str, order: ByteOrder) -> tuple[int, ...]:
    """Write a value's bytes in an order by spelling its letters."""
    value = bytes.fromhex(bits)
    data = bytes(value["ABCDEFGH".index(letter)] for letter in SPELT[len(value)][order.value])
    return struct.unpack(f">{len(data) // 2}H", data)


@pytest.mark.parametrize(("kind", "order", "bits", "number"), CASES)
def test_every_type_in_every_order(kind: WordType, order: ByteOrder, bits: str, number: float) -> None:
    register, words = RegisterSpec(Table.HOLDING, 7, kind, order), on_the_wire(bits, order)
    assert decode_words(register, words) == number
    assert encode_raw(register, number) == words
    # In the middle of a block, as the scan reads it.
    assert make_decoder(register)((0x5555, *words, 0xAAAA), 1) == (float(number), Reason.OK)


@pytest.mark.parametrize(
    ("order", "wire", "other"),
    [
        ("ABCD", (0x4049, 0x0FDB), (0x42F6, 0xE979)),
        ("CDAB", (0x0FDB, 0x4049), (0xE979, 0x42F6)),
        ("BADC", (0x4940, 0xDB0F), (0xF642, 0x79E9)),
        ("DCBA", (0xDB0F, 0x4940), (0x79E9, 0xF642)),
    ],
)
def test_pi_and_123_456_spelt_by_hand(order: str, wire: tuple[int, int], other: tuple[int, int]) -> None:
    register = RegisterSpec(Table.INPUT, 0, WordType.F32, ByteOrder(order))
    assert decode_si(register, wire)[0] == pytest.approx(math.pi, abs=2e-7)
    assert decode_si(register, other)[0] == pytest.approx(123.456, abs=4e-6)


def test_a_single_float_cannot_count_beyond_two_to_the_24() -> None:
    register = RegisterSpec(Table.HOLDING, 0, WordType.F32)
    assert encode_raw(register, 2.0**24 + 1) == encode_raw(register, 2.0**24) == (0x4B80, 0)


@pytest.mark.parametrize(("order", "words"), [("ABCD", (0x4142, 0x432D, 0x3700)), ("BADC", (0x4241, 0x2D43, 0x0037))])
def test_a_text_begins_in_the_upper_or_in_the_lower_byte(order: str, words: tuple[int, ...]) -> None:
    register = RegisterSpec(Table.INPUT, 0, WordType.TEXT, ByteOrder(order), characters=6)
    assert text_of(register, words) == "ABC-7"
    assert words_of_text(register, "ABC-7") == words


# Reads of one register in the bytes of the specification: function code, offset, count (v1.1b3, sections 6.3 and 6.4).
TRAPS = [
    ("modicon5", Table.HOLDING, 40001, "03 0000 0001"),
    ("modicon6", Table.HOLDING, 400001, "03 0000 0001"),
    ("offset", Table.HOLDING, 0, "03 0000 0001"),
    ("hex", Table.HOLDING, "0x0000", "03 0000 0001"),
    ("offset", Table.HOLDING, 1, "03 0001 0001"),
    ("offset", Table.HOLDING, 40001, "03 9C41 0001"),
    ("offset", Table.HOLDING, 40000, "03 9C40 0001"),
    ("hex", Table.HOLDING, "0x9C40", "03 9C40 0001"),
    ("modicon5", Table.HOLDING, 40108, "03 006B 0001"),  # the specification's own example, section 6.3
    ("modicon5", Table.INPUT, 30009, "04 0008 0001"),  # section 6.4
    ("modicon6", Table.HOLDING, 465536, "03 FFFF 0001"),
    ("modicon5", Table.DISCRETE, 10197, "02 00C4 0001"),  # section 6.2
    ("modicon5", Table.COIL, "00020", "01 0013 0001"),  # section 6.1
]
READ = {Table.COIL: 1, Table.DISCRETE: 2, Table.HOLDING: 3, Table.INPUT: 4}


@pytest.mark.parametrize(("notation", "table", "written", "wire"), TRAPS)
def test_what_a_manual_writes_becomes_these_bytes(notation: str, table: Table, written: int | str, wire: str) -> None:
    offset = pdu_offset(notation, table, written)
    assert struct.pack(">BHH", READ[table], offset, 1) == bytes.fromhex(wire)


@pytest.mark.parametrize(
    ("notation", "table", "written"),
    [
        ("modicon5", Table.HOLDING, 40000),
        ("modicon5", Table.HOLDING, 0),
        ("modicon5", Table.HOLDING, 400001),
        ("modicon6", Table.HOLDING, 40001),
        ("modicon5", Table.INPUT, 40001),
        ("modicon5", Table.HOLDING, 30001),
        ("hex", Table.HOLDING, 40001),
        ("offset", Table.HOLDING, "0x0000"),
        ("offset", Table.HOLDING, 465536),
    ],
)
def test_what_could_be_off_by_one_or_by_a_table_is_refused(notation: str, table: Table, written: int | str) -> None:
    with pytest.raises(NotationError):
        pdu_offset(notation, table, written)
