"""The simulator's codec against published bytes, against itself, and against the daemon's as a second opinion."""

import math
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from crumbmeter.field.spec import ByteOrder, RegisterSpec, Table, WordType
from crumbmeter.field.words import decode_si, encode_si
from crumbmeter.model.units import UNITS
from crumbmeter_sim import units
from crumbmeter_sim.codec import ORDERS, WORDS, Register, decode, encode, encode_text, pack, unpack


def words(text: str) -> tuple[int, ...]:
    return struct.unpack(f">{len(bytes.fromhex(text)) // 2}H", bytes.fromhex(text))


# pi as IEEE-754 single: 40 49 0F DB (IEEE 754-2019; byte orders as named on the wire)
@pytest.mark.parametrize(
    ("order", "wire"),
    [("ABCD", "40490FDB"), ("CDAB", "0FDB4049"), ("BADC", "4940DB0F"), ("DCBA", "DB0F4940")],
)
def test_pi_in_four_orders(order: str, wire: str) -> None:
    assert pack("f32", order, math.pi) == words(wire)
    assert unpack("f32", order, words(wire)) == pytest.approx(math.pi, rel=1e-7)


# 123.456 as IEEE-754 single: 42 F6 E9 79
@pytest.mark.parametrize(
    ("order", "wire"),
    [("ABCD", "42F6E979"), ("CDAB", "E97942F6"), ("BADC", "F64279E9"), ("DCBA", "79E9F642")],
)
def test_another_float_in_four_orders(order: str, wire: str) -> None:
    assert pack("f32", order, 123.456) == words(wire)


# pi as IEEE-754 double: 40 09 21 FB 54 44 2D 18
@pytest.mark.parametrize(
    ("order", "wire"),
    [
        ("ABCD", "400921FB54442D18"),
        ("CDAB", "2D18544421FB4009"),
        ("BADC", "0940FB214454182D"),
        ("DCBA", "182D4454FB210940"),
    ],
)
def test_double_in_four_orders(order: str, wire: str) -> None:
    assert pack("f64", order, math.pi) == words(wire)


@pytest.mark.parametrize(
    ("kind", "raw", "wire"),
    [
        ("u16", 70000, "FFFF"),
        ("u16", -1, "0000"),
        ("i16", -32768, "8000"),
        ("i16", 40000, "7FFF"),
        ("i32", -2, "FFFFFFFE"),
    ],
)
def test_integers_saturate_instead_of_wrapping(kind: str, raw: int, wire: str) -> None:
    assert pack(kind, "ABCD", raw) == words(wire)


@pytest.mark.parametrize(
    ("kind", "raw", "wire"),
    [
        ("bcd16", 1234, "1234"),
        ("bcd16", 12345, "9999"),
        ("bcd32", 1234567, "01234567"),
        ("sm16", -5, "8005"),
        ("sm32", -70000, "80011170"),
        ("u64", 0x123456789ABC, "0000123456789ABC"),
        ("i64", -2, "FFFFFFFFFFFFFFFE"),
    ],
)
def test_rarer_kinds(kind: str, raw: int, wire: str) -> None:
    assert pack(kind, "ABCD", raw) == words(wire)


def test_half_bytes_that_are_no_digits_are_no_number() -> None:
    assert math.isnan(unpack("bcd16", "ABCD", words("12A4")))


def test_a_field_of_bits_has_its_own_sign() -> None:
    register = Register("x", "holding", 0, "i16", mask=0x0FF0)
    assert encode(register, -2.0) == words("0FE0")
    assert decode(register, words("AFEB")) == -2.0
    assert encode(register, 300.0) == words("07F0")


def test_a_power_of_ten_scales_what_is_sent() -> None:
    register = Register("x", "holding", 0, "i32", unit="kg", decimals="point")
    assert encode(register, 12.34, 0.01) == (0, 1234)
    assert decode(register, (0, 1234), 0.01) == pytest.approx(12.34)


def test_a_text_is_padded_and_swapped_within_words_alone() -> None:
    register = Register("model", "input", 0, "text", characters=5, order="BADC")
    assert encode_text(register, "AB1") == words("4241" + "0031" + "0000")
    assert register.count == 3


def test_no_value_is_the_sentinel() -> None:
    register = Register("flow", "input", 0, "i32", order="BADC", unit="lb/min", sentinels=(-2147483648,))
    assert encode(register, None) == words("00800000")
    assert encode(register, math.nan) == words("00800000")


def test_bit_in_a_register_and_inverted() -> None:
    register = Register("up", "holding", 0, "bit", bit=3, inverted=True)
    assert encode(register, 0.0) == (8,)
    assert decode(register, (8,)) == 0.0
    assert decode(register, (0,)) == 1.0


def test_units_agree_with_the_daemons() -> None:
    assert set(units.FACTORS) == set(UNITS)
    for code, unit in UNITS.items():
        assert units.to_si(code, 7.0) == pytest.approx(unit.to_si(7.0), rel=1e-12), code
        assert units.from_si(code, 7.0) == pytest.approx(unit.from_si(7.0), rel=1e-12), code


@given(
    kind=st.sampled_from([kind for kind in WORDS if kind not in ("bit", "text")]),
    order=st.sampled_from(ORDERS),
    value=st.floats(0.0, 3000.0),
    scale=st.sampled_from([1.0, 0.1, 0.01]),
)
def test_both_codecs_say_the_same(kind: str, order: str, value: float, scale: float) -> None:
    ours = Register("x", "holding", 0, kind, order=order, scale=scale, unit="lb/min")
    theirs = RegisterSpec(Table.HOLDING, 0, WordType(kind), ByteOrder(order), scale=scale, unit="lb/min")
    si_value = units.to_si("lb/min", value * scale)
    wire = encode(ours, si_value)
    decoded, _ = decode_si(theirs, wire)
    assert decoded is not None
    assert decoded == pytest.approx(decode(ours, wire), rel=1e-9, abs=1e-12)
    written = encode_si(theirs, decoded)
    assert decode(ours, tuple(written)) == pytest.approx(decoded, rel=2e-7, abs=1e-12)
