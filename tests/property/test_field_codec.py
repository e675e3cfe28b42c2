"""Properties of the codec: both directions agree, clamp and finite check always hold, bad words never make a number."""

import math
import struct

import pytest
from hypothesis import assume, example, given
from hypothesis import strategies as st

from crumbmeter.field.spec import ByteOrder, OutputSpec, RegisterSpec, Table, WordType
from crumbmeter.field.words import UnencodableError, decode_si, decode_words, encode_raw, encode_si, make_decoder
from crumbmeter.model.quality import Reason
from crumbmeter.model.units import UNITS
from crumbmeter.runtime.writer import encode_clamped

INTEGERS = {
    WordType.U16: (0, 0xFFFF),
    WordType.I16: (-0x8000, 0x7FFF),
    WordType.U32: (0, 0xFFFF_FFFF),
    WordType.I32: (-0x8000_0000, 0x7FFF_FFFF),
    WordType.U64: (0, 0xFFFF_FFFF_FFFF_FFFF),
    WordType.I64: (-0x8000_0000_0000_0000, 0x7FFF_FFFF_FFFF_FFFF),
    WordType.BCD16: (0, 9999),
    WordType.BCD32: (0, 99_999_999),
    WordType.SM16: (-0x7FFF, 0x7FFF),
    WordType.SM32: (-0x7FFF_FFFF, 0x7FFF_FFFF),
}
EXACT = 2**46
"""Whole numbers up to here keep every count on the way to SI and back, whatever the offset."""
orders = st.sampled_from(list(ByteOrder))
units = st.sampled_from(sorted(UNITS))
scales = st.one_of(
    st.sampled_from([1.0, 0.1, 0.01, 0.001, 10.0, -1.0, -0.1, 0.0625, 3.6]),
    st.floats(1e-3, 1e3),
)
offsets = st.sampled_from([0.0, -273.15, 100.0, 0.5])


@st.composite
def integer_cases(draw: st.DrawFn) -> tuple[RegisterSpec, int]:
    kind = draw(st.sampled_from(sorted(INTEGERS)))
    low, high = INTEGERS[kind]
    register = RegisterSpec(
        Table.HOLDING, 0, kind, draw(orders), scale=draw(scales), offset=draw(offsets), unit=draw(units)
    )
    return register, draw(st.one_of(st.sampled_from([low, high]), st.integers(low, high)))


@given(integer_cases())
def test_every_count_survives_the_way_to_si_and_back(case: tuple[RegisterSpec, int]) -> None:
    register, raw = case
    words = encode_raw(register, raw)
    assert decode_words(register, words) == raw
    value, reason = decode_si(register, words)
    assert reason is Reason.OK
    assert value is not None
    if abs(raw) <= EXACT:
        assert encode_si(register, value) == words
    else:
        # 64 bits are more than a double holds: the value is right to its last digit, the count need not be.
        back = round((value - UNITS[register.unit].offset) / UNITS[register.unit].factor / register.scale)
        assert abs(back - register.offset / register.scale - raw) <= abs(raw) * 2.0**-44


@given(orders, st.floats(width=32, allow_nan=False, allow_infinity=False))
def test_every_single_float_survives(order: ByteOrder, raw: float) -> None:
    register = RegisterSpec(Table.HOLDING, 0, WordType.F32, order)
    assert decode_words(register, encode_raw(register, raw)) == raw
    assert decode_si(register, encode_si(register, raw)) == (raw, Reason.OK)


@given(orders, st.floats(allow_nan=False, allow_infinity=False))
def test_every_double_float_survives(order: ByteOrder, raw: float) -> None:
    register = RegisterSpec(Table.HOLDING, 0, WordType.F64, order)
    assert decode_words(register, encode_raw(register, raw)) == raw


@given(orders, scales, offsets, units, st.floats(-1e6, 1e6))
def test_scaled_floats_come_back_within_their_resolution(
    order: ByteOrder, scale: float, offset: float, unit: str, value_si: float
) -> None:
    register = RegisterSpec(Table.HOLDING, 0, WordType.F32, order, scale=scale, offset=offset, unit=unit)
    words = encode_si(register, value_si)
    back, _ = decode_si(register, words)
    assert back is not None
    # One part in 2^24 of the raw number, in SI; the offset may be larger than what it is added to.
    raw = abs(decode_words(register, words))
    gain = abs(scale * UNITS[unit].factor)
    assert abs(back - value_si) <= gain * raw * 2.0**-23 + 1e-9 * (1.0 + abs(value_si) + gain * raw)


@given(st.sampled_from(list(WordType)), orders, st.integers(0, 2**64 - 1))
@example(WordType.F32, ByteOrder.ABCD, 0x7FC00000)
@example(WordType.F32, ByteOrder.DCBA, 0xFF800000)
@example(WordType.F64, ByteOrder.ABCD, 0x7FF0000000000000)
def test_any_words_give_a_finite_number_or_none(kind: WordType, order: ByteOrder, pattern: int) -> None:
    assume(kind not in (WordType.BIT, WordType.TEXT))
    register = RegisterSpec(Table.INPUT, 0, kind, order, scale=0.1, unit="degF")
    words = struct.unpack(">4H", struct.pack(">Q", pattern))[4 - kind.words :]
    value, reason = decode_si(register, words)
    if reason is Reason.OK:
        assert value is not None
        assert math.isfinite(value)
    else:
        assert value is None
        assert reason is (Reason.NOT_FINITE if kind.of_floats else Reason.INVALID_DIGITS)
        assert kind.of_floats or kind in (WordType.BCD16, WordType.BCD32)


@given(st.integers(0, 2**32 - 1), orders)
def test_no_pattern_declared_a_sentinel_is_ever_a_number(pattern: int, order: ByteOrder) -> None:
    words = struct.unpack(">2H", struct.pack(">I", pattern))
    for kind in (WordType.U32, WordType.I32, WordType.F32):
        plain = RegisterSpec(Table.INPUT, 0, kind, order)
        raw = decode_words(plain, words)
        if kind is WordType.F32:
            ordered = struct.pack(">f", raw) if math.isfinite(raw) else None
            assume(ordered is not None)
            sentinel = int.from_bytes(ordered or b"", "big")
        else:
            sentinel = int(raw)
        register = RegisterSpec(Table.INPUT, 0, kind, order, sentinels=(sentinel,))
        assert decode_si(register, words) == (None, Reason.SENTINEL)


@given(st.integers(0, 20), integer_cases())
def test_a_decoder_reads_at_its_offset_and_nowhere_else(before: int, case: tuple[RegisterSpec, int]) -> None:
    register, raw = case
    words = encode_raw(register, raw)
    block = (0xAAAA,) * before + words + (0x5555,) * 3
    assert make_decoder(register)(block, before) == decode_si(register, words)


any_float = st.floats(allow_nan=True, allow_infinity=True)


@given(st.integers(0, 65535), st.integers(0, 65535), any_float)
@example(0, 1000, math.nan)
@example(0, 1000, math.inf)
@example(0, 1000, 1e308)
@example(0, 1000, -0.0)
def test_whatever_the_core_asks_the_wire_stays_within_the_limits(one: int, other: int, value_si: float) -> None:
    low, high = sorted((one, other))
    register = RegisterSpec(Table.HOLDING, 0, WordType.U16, scale=0.01, unit="rpm")
    step_si = 0.01 / 60.0
    spec = OutputSpec("auger_speed", 0, register, low_si=low * step_si, high_si=high * step_si)
    if not math.isfinite(value_si):
        with pytest.raises(UnencodableError, match="not finite"):
            encode_clamped(spec, value_si)
        return
    words = encode_clamped(spec, value_si)
    assert low <= decode_words(register, words) <= high
    if low * step_si <= value_si <= high * step_si:
        assert abs(decode_words(register, words) - value_si / step_si) <= 0.5 + 1e-9
