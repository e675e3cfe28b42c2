"""Register words against hand-made vectors: the orders of bytes, rounding, and everything that must be refused."""

import math
import struct
import timeit
from dataclasses import replace

import pytest

from crumbmeter.field.spec import ByteOrder, LiveZero, PowerOfTen, RegisterSpec, Table, WordType
from crumbmeter.field.words import (
    UnencodableError,
    decode_si,
    decode_words,
    decode_written_si,
    encode_raw,
    encode_si,
    make_decoder,
)
from crumbmeter.model.quality import Reason

F32 = RegisterSpec(Table.HOLDING, 0, WordType.F32)
U16 = RegisterSpec(Table.HOLDING, 0, WordType.U16)
I16 = RegisterSpec(Table.HOLDING, 0, WordType.I16)

# IEEE 754 single precision: pi is 40 49 0F DB and 123.456 is 42 F6 E9 79; the four orders by moving those bytes.
# Double precision: pi is 40 09 21 FB 54 44 2D 18. Integers: two's complement.
GOLDEN = [
    (WordType.F32, "ABCD", "4049 0FDB", struct.unpack(">f", bytes.fromhex("40490FDB"))[0]),
    (WordType.F32, "CDAB", "0FDB 4049", struct.unpack(">f", bytes.fromhex("40490FDB"))[0]),
    (WordType.F32, "BADC", "4940 DB0F", struct.unpack(">f", bytes.fromhex("40490FDB"))[0]),
    (WordType.F32, "DCBA", "DB0F 4940", struct.unpack(">f", bytes.fromhex("40490FDB"))[0]),
    (WordType.F32, "ABCD", "42F6 E979", struct.unpack(">f", bytes.fromhex("42F6E979"))[0]),
    (WordType.F32, "CDAB", "E979 42F6", struct.unpack(">f", bytes.fromhex("42F6E979"))[0]),
    (WordType.F32, "BADC", "F642 79E9", struct.unpack(">f", bytes.fromhex("42F6E979"))[0]),
    (WordType.F32, "DCBA", "79E9 F642", struct.unpack(">f", bytes.fromhex("42F6E979"))[0]),
    (WordType.F64, "ABCD", "4009 21FB 5444 2D18", math.pi),
    (WordType.F64, "CDAB", "2D18 5444 21FB 4009", math.pi),
    (WordType.F64, "BADC", "0940 FB21 4454 182D", math.pi),
    (WordType.F64, "DCBA", "182D 4454 FB21 0940", math.pi),
    (WordType.U32, "ABCD", "0001 0000", 65536),
    (WordType.U32, "CDAB", "0000 0001", 65536),
    (WordType.U32, "BADC", "0100 0000", 65536),
    (WordType.U32, "DCBA", "0000 0100", 65536),
    (WordType.I32, "ABCD", "FFFF FFFE", -2),
    (WordType.I32, "CDAB", "FFFE FFFF", -2),
    (WordType.I32, "BADC", "FFFF FEFF", -2),
    (WordType.I32, "DCBA", "FEFF FFFF", -2),
    (WordType.U16, "ABCD", "1234", 0x1234),
    (WordType.U16, "CDAB", "1234", 0x1234),
    (WordType.U16, "BADC", "3412", 0x1234),
    (WordType.U16, "DCBA", "3412", 0x1234),
    (WordType.I16, "ABCD", "FFFE", -2),
    (WordType.I16, "BADC", "FEFF", -2),
]


def _words(text: str) -> tuple[int, ...]:
    return tuple(int(word, 16) for word in text.split())


@pytest.mark.parametrize(("kind", "order", "text", "number"), GOLDEN)
def test_golden_orders_both_ways(kind: WordType, order: str, text: str, number: float) -> None:
    register = RegisterSpec(Table.HOLDING, 7, kind, ByteOrder(order))
    assert decode_words(register, _words(text)) == number
    assert encode_raw(register, number) == _words(text)
    # In the middle of a block, as the scan reads it.
    assert make_decoder(register)((9, *_words(text), 9), 1) == (number, Reason.OK)


def test_pi_and_123_456_are_what_they_are_called() -> None:
    assert decode_words(F32, (0x4049, 0x0FDB)) == pytest.approx(3.1415927, abs=1e-7)
    assert decode_words(F32, (0x42F6, 0xE979)) == pytest.approx(123.456, abs=1e-5)


def test_scale_offset_and_unit_make_si() -> None:
    flow = replace(U16, scale=0.1, offset=-2.0, unit="short_ton/h")
    # 2020 counts are 200 short tons an hour: 200 * 907.18474 kg / 3600 s (NIST SP 811).
    assert decode_si(flow, (2020,))[0] == pytest.approx(200 * 907.18474 / 3600, rel=1e-12)
    assert encode_si(flow, 200 * 907.18474 / 3600) == (2020,)
    assert decode_si(replace(F32, scale=2.0, offset=3.0, unit="kPa"), (0x3F80, 0)) == (5000.0, Reason.OK)
    cold = replace(I16, scale=0.1, unit="degF")
    assert decode_si(cold, (0x10000 - 400,))[0] == pytest.approx(-40.0)


@pytest.mark.parametrize(("value", "count"), [(0.5, 0), (1.5, 2), (2.5, 2), (3.5, 4), (2.4999, 2), (65534.5, 65534)])
def test_rounds_half_to_even(value: float, count: int) -> None:
    assert encode_si(U16, value) == (count,)


def test_what_was_really_asked_is_the_rounded_value() -> None:
    speed = replace(U16, scale=0.01, unit="rpm")
    words = encode_si(speed, 12.3456 / 60)
    assert words == (1235,)
    assert decode_written_si(speed, words) == pytest.approx(12.35 / 60)


@pytest.mark.parametrize(
    ("register", "words"),
    [
        (replace(I16, sentinels=(-32768,)), (0x8000,)),
        (replace(I16, sentinels=(0x8000,)), (0x8000,)),
        (replace(U16, sentinels=(65535,)), (0xFFFF,)),
        (replace(F32, sentinels=(0x7FC00000,)), (0x7FC0, 0)),
        (RegisterSpec(Table.INPUT, 0, WordType.I32, ByteOrder.BADC, sentinels=(-2147483648,)), (0x0080, 0)),
        (RegisterSpec(Table.INPUT, 0, WordType.U32, ByteOrder.CDAB, sentinels=(0xFFFFFFFE,)), (0xFFFE, 0xFFFF)),
    ],
)
def test_sentinels_are_no_value(register: RegisterSpec, words: tuple[int, ...]) -> None:
    assert decode_si(register, words) == (None, Reason.SENTINEL)


@pytest.mark.parametrize("words", [(0x7FC0, 0), (0xFFC0, 1), (0x7F80, 0), (0xFF80, 0), (0x7F80, 1)])
def test_a_float_that_is_no_number_is_never_a_value(words: tuple[int, ...]) -> None:
    assert decode_si(F32, words) == (None, Reason.NOT_FINITE)


def test_a_float_that_overflows_by_its_scale_is_no_value() -> None:
    largest = RegisterSpec(Table.HOLDING, 0, WordType.F64, scale=1e10)
    assert decode_si(largest, (0x7FEF, 0xFFFF, 0xFFFF, 0xFFFF)) == (None, Reason.NOT_FINITE)


@pytest.mark.parametrize(
    ("register", "word", "value"),
    [
        (RegisterSpec(Table.COIL, 0, WordType.BIT, unit="contact"), 1, 1.0),
        (RegisterSpec(Table.COIL, 0, WordType.BIT, unit="contact"), 0, 0.0),
        (RegisterSpec(Table.DISCRETE, 0, WordType.BIT, unit="contact", inverted=True), 0, 1.0),
        (RegisterSpec(Table.DISCRETE, 0, WordType.BIT, unit="contact", inverted=True), 1, 0.0),
        (RegisterSpec(Table.INPUT, 0, WordType.BIT, bit=3), 0x0008, 1.0),
        (RegisterSpec(Table.INPUT, 0, WordType.BIT, bit=3), 0xFFF7, 0.0),
        (RegisterSpec(Table.INPUT, 0, WordType.BIT, bit=15, inverted=True), 0x8000, 0.0),
        (RegisterSpec(Table.INPUT, 0, WordType.BIT, ByteOrder.BADC, bit=0), 0x0100, 1.0),
        (RegisterSpec(Table.INPUT, 0, WordType.BIT, ByteOrder.BADC, bit=0), 0x0001, 0.0),
    ],
)
def test_contacts(register: RegisterSpec, word: int, value: float) -> None:
    assert decode_si(register, (word,)) == (value, Reason.OK)
    assert decode_words(register, (word,)) == int(value) ^ int(register.inverted)


def test_an_inverted_coil_is_written_inverted() -> None:
    coil = RegisterSpec(Table.COIL, 0, WordType.BIT, unit="contact", inverted=True)
    assert encode_si(coil, 1.0) == (0,)
    assert encode_si(coil, 0.0) == (1,)


BITS_OF_REGISTER = RegisterSpec(Table.HOLDING, 0, WordType.BIT, bit=2)
CONTACT = RegisterSpec(Table.COIL, 0, WordType.BIT, unit="contact")


@pytest.mark.parametrize(
    ("register", "value", "raw", "why"),
    [
        (U16, -1.0, -1, "outside the type"),
        (U16, 65536.0, 65536, "outside the type"),
        (U16, 65535.5, 65536, "outside the type"),
        (U16, math.nan, math.nan, "not finite"),
        (U16, math.inf, math.inf, "not finite"),
        (U16, 1e308, round(1e308), "outside the type"),
        (replace(U16, scale=1e-300), 1e300, 1e300, "outside the type"),
        (I16, 32768.0, 32768, "outside the type"),
        (I16, -32769.0, -32769, "outside the type"),
        (F32, 1e39, 1e39, "outside the type"),
        (F32, -math.inf, -math.inf, "not finite"),
        (replace(U16, sentinels=(65535,)), 65535.0, 65535, "the device takes this for no value"),
        (CONTACT, 0.5, 0.5, "a contact is 0 or 1"),
        (CONTACT, 2.0, 2.0, "a contact is 0 or 1"),
        (BITS_OF_REGISTER, 1.0, 1.0, "one bit of a register cannot be written without its neighbours"),
    ],
)
def test_what_cannot_be_said_is_refused(register: RegisterSpec, value: float, raw: float, why: str) -> None:
    with pytest.raises(UnencodableError) as refused:
        encode_si(register, value)
    assert isinstance(refused.value, ValueError)
    assert refused.value.register is register
    place = f"{register.word_type.value} at {register.table.value} {register.address}"
    assert str(refused.value) == f"{why}: {raw!r} in {place}"
    assert repr(refused.value.number) == repr(raw)


def test_a_raw_number_that_is_no_number_is_refused() -> None:
    with pytest.raises(UnencodableError, match=r"^not finite: nan in u16 at holding 0$") as refused:
        encode_raw(U16, math.nan)
    assert refused.value.register is U16


def test_a_contact_is_written_as_it_is() -> None:
    assert (encode_si(CONTACT, 1.0), encode_si(CONTACT, 0.0)) == ((1,), (0,))


def test_a_number_beside_a_sentinel_is_a_number() -> None:
    assert decode_si(replace(F32, sentinels=(0x7FC00000,)), (0x3FC0, 0)) == (1.5, Reason.OK)
    assert decode_si(replace(I16, sentinels=(-32768,)), (0x8001,)) == (-32767.0, Reason.OK)
    assert encode_si(replace(F32, sentinels=(0x7FC00000,)), 1.5) == (0x3FC0, 0)


def test_a_raw_number_between_two_counts_is_refused() -> None:
    with pytest.raises(UnencodableError, match=r"^not a whole count: 1.5 in u16"):
        encode_raw(U16, 1.5)


def test_minus_zero_is_written_as_zero() -> None:
    assert encode_si(F32, -0.0) == (0, 0)


@pytest.mark.parametrize("bit", [None, -1, 16])
def test_a_bit_of_a_register_needs_its_number(bit: int | None) -> None:
    with pytest.raises(ValueError, match="0 to 15"):
        make_decoder(RegisterSpec(Table.INPUT, 0, WordType.BIT, bit=bit))


def test_wrong_count_of_words_is_refused() -> None:
    with pytest.raises(ValueError, match="words for a value"):
        decode_words(F32, (1,))


@pytest.mark.parametrize(
    "register",
    [
        *(RegisterSpec(Table.INPUT, 0, kind, scale=0.1) for kind in (WordType.U16, WordType.I32, WordType.F32)),
        RegisterSpec(Table.INPUT, 0, WordType.F64),
        RegisterSpec(Table.INPUT, 0, WordType.BCD32),
        RegisterSpec(Table.INPUT, 0, WordType.U16, mask=0x0FF0),
        RegisterSpec(Table.INPUT, 0, WordType.I16, live_zero=LiveZero(5530, 27648)),
        RegisterSpec(Table.INPUT, 0, WordType.I16, power=PowerOfTen(RegisterSpec(Table.INPUT, 1, WordType.U16))),
    ],
    ids=lambda register: register.word_type.value,
)
def test_decoding_is_cheap(register: RegisterSpec) -> None:
    decode = make_decoder(register)
    words = (0, 0, 0, 0, 0)
    best_s = min(timeit.repeat(lambda: decode(words, 1), number=2000, repeat=5)) / 2000
    assert best_s < 5e-6


@pytest.mark.parametrize("order", list(ByteOrder))
def test_a_sentinel_is_a_pattern_of_the_value_in_every_order(order: ByteOrder) -> None:
    # 7F C0 00 01 as the four orders put it on the wire; the same bytes in another order are no sentinel.
    wire = {"ABCD": "7FC0 0001", "CDAB": "0001 7FC0", "BADC": "C07F 0100", "DCBA": "0100 C07F"}
    register = replace(F32, order=order, sentinels=(0x7FC00001,))
    assert decode_si(register, _words(wire[order])) == (None, Reason.SENTINEL)
    assert decode_si(replace(register, sentinels=(0x0001_7FC0,)), _words(wire[order])) == (None, Reason.NOT_FINITE)


@pytest.mark.parametrize(("order", "word"), [("ABCD", 0x0008), ("CDAB", 0x0008), ("BADC", 0x0800), ("DCBA", 0x0800)])
def test_a_bit_is_found_in_every_order(order: str, word: int) -> None:
    register = RegisterSpec(Table.INPUT, 0, WordType.BIT, ByteOrder(order), bit=3)
    assert decode_words(register, (word,)) == 1
    assert decode_si(register, (word,)) == (1.0, Reason.OK)
    assert decode_words(register, (0xFFFF ^ word,)) == 0


def test_a_float_has_its_offset_too() -> None:
    celsius = replace(F32, scale=2.0, offset=-10.0, unit="degF")
    # 56 raw is 102 degF; 102 degF is 38.889 degC.
    assert decode_si(celsius, encode_raw(F32, 56.0))[0] == pytest.approx((102.0 - 32.0) * 5.0 / 9.0)
    assert decode_si(celsius, encode_si(celsius, 38.75))[0] == pytest.approx(38.75, rel=1e-6)
