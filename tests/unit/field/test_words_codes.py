"""Decimal digits, sign and magnitude, fields of bits, texts: what they mean, and what in them means nothing."""

import math
from dataclasses import replace

import pytest

from crumbmeter.field.spec import ByteOrder, RegisterSpec, Table, WordType
from crumbmeter.field.words import (
    UnencodableError,
    decode_si,
    decode_words,
    encode_raw,
    encode_si,
    make_decoder,
    mask_write,
)
from crumbmeter.field.words_codes import (
    all_bits,
    field_place,
    number_maker,
    pattern_of,
    raw_range,
    text_of,
    words_of,
    words_of_text,
)
from crumbmeter.model.quality import Reason

BCD16 = RegisterSpec(Table.HOLDING, 0, WordType.BCD16)
BCD32 = RegisterSpec(Table.HOLDING, 0, WordType.BCD32)
SM16 = RegisterSpec(Table.HOLDING, 0, WordType.SM16)
TEXT = RegisterSpec(Table.INPUT, 3, WordType.TEXT, characters=5)


@pytest.mark.parametrize("word", [0x000A, 0x00F0, 0x0B00, 0xC000, 0xFFFF])
def test_a_half_byte_beyond_nine_is_no_number(word: int) -> None:
    assert decode_si(BCD16, (word,)) == (None, Reason.INVALID_DIGITS)
    assert math.isnan(decode_words(BCD16, (word,)))
    assert decode_si(BCD32, (0x1234, word)) == (None, Reason.INVALID_DIGITS)


def test_a_sentinel_in_bcd_is_a_pattern_of_bits() -> None:
    register = replace(BCD16, sentinels=(0xFFFF, 0x9999))
    assert decode_si(register, (0xFFFF,)) == (None, Reason.SENTINEL)
    assert decode_si(register, (0x9999,)) == (None, Reason.SENTINEL)
    assert decode_si(register, (0x9998,)) == (9998.0, Reason.OK)
    with pytest.raises(UnencodableError, match="no value"):
        encode_raw(register, 9999)


def test_bcd_is_scaled_like_any_number() -> None:
    assert decode_si(replace(BCD16, scale=0.1, unit="kg"), (0x0125,)) == (12.5, Reason.OK)
    assert encode_si(replace(BCD16, scale=0.1, unit="kg"), 12.5) == (0x0125,)
    assert decode_si(replace(BCD16, scale=0.5, offset=3.0), (0x0010,)) == (8.0, Reason.OK)


def test_minus_zero_of_sign_and_magnitude_is_zero() -> None:
    assert decode_si(SM16, (0x8000,)) == (0.0, Reason.OK)
    assert encode_raw(SM16, 0) == (0,)
    assert encode_raw(SM16, -0.0) == (0,)


def test_a_sentinel_in_sign_and_magnitude_is_a_pattern_of_bits() -> None:
    assert decode_si(replace(SM16, sentinels=(0x8000,)), (0x8000,)) == (None, Reason.SENTINEL)
    assert decode_si(replace(SM16, sentinels=(0x8000,)), (0,)) == (0.0, Reason.OK)


@pytest.mark.parametrize(
    ("kind", "mask", "low", "high"),
    [
        (WordType.BIT, None, 0, 1),
        (WordType.U16, None, 0, 65535),
        (WordType.I16, None, -32768, 32767),
        (WordType.U64, None, 0, 2**64 - 1),
        (WordType.I64, None, -(2**63), 2**63 - 1),
        (WordType.BCD16, None, 0, 9999),
        (WordType.BCD32, None, 0, 99999999),
        (WordType.SM16, None, -32767, 32767),
        (WordType.SM32, None, -2147483647, 2147483647),
        (WordType.U16, 0x0FF0, 0, 255),
        (WordType.I16, 0x0FF0, -128, 127),
        (WordType.U32, 0x00FFFF00, 0, 65535),
    ],
)
def test_what_a_register_can_mean_at_most(kind: WordType, mask: int | None, low: int, high: int) -> None:
    register = RegisterSpec(Table.HOLDING, 0, kind, bit=0, mask=mask)
    assert raw_range(register) == (low, high)
    if mask is None and kind is not WordType.BIT:
        for end, beyond in ((low, low - 1), (high, high + 1)):
            assert decode_words(register, encode_raw(register, end)) == end
            with pytest.raises(UnencodableError, match="outside the type"):
                encode_raw(register, beyond)


@pytest.mark.parametrize(
    ("kind", "mask", "words", "number"),
    [
        (WordType.U16, 0x0FF0, (0xFABF,), 0xAB),
        (WordType.U16, 0xF000, (0xABCD,), 0xA),
        (WordType.U16, 0x000F, (0xABCD,), 0xD),
        (WordType.I16, 0x0FF0, (0x0800,), -128),
        (WordType.I16, 0x0FF0, (0xF7FF,), 127),
        (WordType.I16, 0x0003, (0x0003,), -1),
        (WordType.U32, 0x00FFFF00, (0x11AB, 0xCD22), 0xABCD),
        (WordType.I32, 0xF0000000, (0x8000, 0), -8),
        (WordType.U64, 0xFF << 56, (0xAB00, 0, 0, 0), 0xAB),
    ],
)
def test_a_field_is_its_bits_alone(kind: WordType, mask: int, words: tuple[int, ...], number: int) -> None:
    register = RegisterSpec(Table.INPUT, 0, kind, mask=mask)
    assert decode_words(register, words) == number
    assert make_decoder(replace(register, scale=0.5))((9, *words), 1) == (number * 0.5, Reason.OK)


def test_a_field_follows_the_order_of_bytes() -> None:
    register = RegisterSpec(Table.INPUT, 0, WordType.U16, ByteOrder.BADC, mask=0x00FF)
    assert decode_si(register, (0xAB00,)) == (float(0xAB), Reason.OK)


def test_a_sentinel_of_a_field_is_its_own_bits() -> None:
    register = RegisterSpec(Table.INPUT, 0, WordType.I16, mask=0x00F0, sentinels=(-1,))
    assert decode_si(register, (0x12F3,)) == (None, Reason.SENTINEL)
    assert decode_si(register, (0xFF1F,)) == (1.0, Reason.OK)


@pytest.mark.parametrize("mask", [0, -1, 0x10000, 0x0101, 0x5])
def test_a_mask_with_holes_or_beyond_the_register_is_refused(mask: int) -> None:
    with pytest.raises(ValueError, match=r"^mask -?0x\w+ is no run of bits side by side in 16$"):
        make_decoder(RegisterSpec(Table.INPUT, 0, WordType.U16, mask=mask))


@pytest.mark.parametrize(("mask", "number"), [(0xFFFF, 0xABCD), (0x0001, 1), (0x8000, 1)])
def test_a_field_may_be_all_of_its_register_or_one_bit(mask: int, number: int) -> None:
    assert decode_words(RegisterSpec(Table.INPUT, 0, WordType.U16, mask=mask), (0xABCD,)) == number


def test_where_a_field_is() -> None:
    assert field_place(RegisterSpec(Table.INPUT, 0, WordType.U32, mask=0x0FF0)) == (0x0FF0, 4, 8)
    assert field_place(RegisterSpec(Table.INPUT, 0, WordType.U32)) == (0xFFFFFFFF, 0, 32)
    assert all_bits(RegisterSpec(Table.INPUT, 0, WordType.I64)) == 2**64 - 1


def test_a_field_is_not_written_over_its_neighbours() -> None:
    words = r"^some bits of a register cannot be written without their neighbours: 1 in u16 at holding 0$"
    with pytest.raises(UnencodableError, match=words):
        encode_raw(RegisterSpec(Table.HOLDING, 0, WordType.U16, mask=0x00F0), 1)


def _after(word: int, masks: tuple[int, int]) -> int:
    """Do what a device does at function code 22 (v1.1b3, section 6.16)."""
    and_mask, or_mask = masks
    return (word & and_mask) | (or_mask & ~and_mask & 0xFFFF)


def test_a_mask_write_as_the_specification_shows_it() -> None:
    # v1.1b3, section 6.16: contents 0x12, AND mask 0xF2, OR mask 0x25 give 0x17.
    assert _after(0x12, (0xF2, 0x25)) == 0x17


@pytest.mark.parametrize("order", list(ByteOrder))
@pytest.mark.parametrize("word", [0x0000, 0xFFFF, 0xA5C3])
@pytest.mark.parametrize(
    ("kind", "mask", "bit", "raw"),
    [
        (WordType.U16, 0x0FF0, None, 0x5A),
        (WordType.I16, 0x00F0, None, -8),
        (WordType.BIT, None, 3, 1),
        (WordType.BIT, None, 15, 0),
    ],
)
def test_a_mask_write_changes_its_bits_and_no_others(
    order: ByteOrder, word: int, kind: WordType, mask: int | None, bit: int | None, raw: int
) -> None:
    register = RegisterSpec(Table.HOLDING, 0, kind, order, mask=mask, bit=bit)
    after = _after(word, mask_write(register, raw))
    assert decode_words(register, (after,)) == raw
    whole = RegisterSpec(Table.HOLDING, 0, WordType.U16, order)
    own = (mask or 0) | (0 if bit is None else 1 << bit)
    assert pattern_of(whole, (after,)) & ~own == pattern_of(whole, (word,)) & ~own


@pytest.mark.parametrize(
    ("register", "raw", "why"),
    [
        (RegisterSpec(Table.HOLDING, 0, WordType.U16), 1, "not some bits of one word"),
        (RegisterSpec(Table.HOLDING, 0, WordType.U32, mask=0xFF), 1, "not some bits of one word"),
        (RegisterSpec(Table.COIL, 0, WordType.BIT), 1, "not some bits of one word"),
        (RegisterSpec(Table.HOLDING, 0, WordType.U16, mask=0xF0), 16, "outside the type"),
        (RegisterSpec(Table.HOLDING, 0, WordType.U16, mask=0xF0), 1.5, "not a whole count"),
        (RegisterSpec(Table.HOLDING, 0, WordType.U16, mask=0xF0), math.inf, "not finite"),
        (
            RegisterSpec(Table.HOLDING, 0, WordType.U16, mask=0xF0, sentinels=(15,)),
            15,
            "the device takes this for no value",
        ),
        (RegisterSpec(Table.HOLDING, 0, WordType.BIT, bit=2), 2, "outside the type"),
    ],
)
def test_what_a_mask_write_cannot_say_is_refused(register: RegisterSpec, raw: float, why: str) -> None:
    with pytest.raises(UnencodableError, match=f"^{why}: {raw!r} in"):
        mask_write(register, raw)


# --- texts -----------------------------------------------------------------------------------------------------------


def test_a_text_ends_where_it_is_padded() -> None:
    assert text_of(TEXT, (0x4142, 0x4300, 0)) == "ABC"
    assert text_of(TEXT, (0x4142, 0x2020, 0x2041)) == "AB"  # the sixth byte is no part of five characters
    assert text_of(TEXT, (0x2041, 0x4220, 0x2000)) == " AB"
    assert text_of(TEXT, (0x587E, 0x2158, 0x5800)) == "X~!XX"
    assert words_of_text(TEXT, "ABCDE") == (0x4142, 0x4344, 0x4500)
    assert TEXT.count == 3


@pytest.mark.parametrize(
    "words", [(0, 0, 0), (0x2020, 0x2020, 0x20FF), (0x4100, 0x4200, 0), (0x41C4, 0, 0), (0x7F41, 0, 0)]
)
def test_what_is_no_printable_text_is_none(words: tuple[int, ...]) -> None:
    assert text_of(TEXT, words) is None


@pytest.mark.parametrize("text", ["ABCDEF", "\u00c4", "A\tB"])
def test_what_cannot_be_said_in_five_characters_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="no text of 5"):
        words_of_text(TEXT, text)


def test_a_text_is_never_a_value() -> None:
    with pytest.raises(ValueError, match=r"^a text is no value of the process$"):
        make_decoder(TEXT)
    with pytest.raises(ValueError, match=r"^a text is no number$"):
        decode_words(TEXT, (1, 2, 3))
    with pytest.raises(UnencodableError, match=r"^a text is no number: 1 in text at input 3$"):
        encode_raw(TEXT, 1)
    for wrong in (replace(TEXT, order=ByteOrder.CDAB), replace(TEXT, word_type=WordType.U16, characters=2)):
        with pytest.raises(ValueError, match=r"^a text is of type text, in the order ABCD or BADC$"):
            text_of(wrong, (0,) * wrong.count)
    with pytest.raises(ValueError, match="2 words for a text of 3"):
        text_of(TEXT, (1, 2))


def test_words_of_is_the_inverse_of_pattern_of() -> None:
    for order in ByteOrder:
        register = RegisterSpec(Table.INPUT, 0, WordType.U64, order)
        assert pattern_of(register, words_of(register, 0x0123456789ABCDEF)) == 0x0123456789ABCDEF


def test_a_float_is_made_of_its_bits() -> None:
    assert number_maker(RegisterSpec(Table.INPUT, 0, WordType.F32))(0x3FC00000) == 1.5
    assert number_maker(RegisterSpec(Table.INPUT, 0, WordType.F64))(0x3FF8 << 48) == 1.5
