"""Register words to numbers and back, one register at a time. Pure; the only codec of the daemon.

Three levels: *words* are what goes over the wire, *raw* is the number that the device means by them (counts), *SI* is
`unit(scale * raw + offset)`. The writer clamps before it encodes: what cannot be encoded here is refused, never wrapped
and never bent (REQ-31). Byte orders are named by their bytes (REQ-13). How bits mean numbers stands in words_codes, how
numbers become SI in scaling, what runs in every scan in words_decoders.
"""

import math
from collections.abc import Sequence

from crumbmeter.field.scaling import line
from crumbmeter.field.spec import RegisterSpec, Table, WordType
from crumbmeter.field.words_codes import (
    bits_for,
    codecs,
    field_place,
    number_maker,
    pattern_of,
    raw_range,
    sentinel_patterns,
    words_of,
)
from crumbmeter.field.words_decoders import Decoded, Decoder, bit_of, make_decoder
from crumbmeter.model.faults import CrumbmeterError

__all__ = [
    "Decoder",
    "UnencodableError",
    "decode_si",
    "decode_words",
    "decode_written_si",
    "encode_raw",
    "encode_si",
    "make_decoder",
    "mask_write",
]


class UnencodableError(CrumbmeterError, ValueError):
    """A number cannot be said in this register. Nothing may be written for it."""

    def __init__(self, what: str, register: RegisterSpec, number: float) -> None:
        super().__init__(
            f"{what}: {number!r} in {register.word_type.value} at {register.table.value} {register.address}"
        )
        self.register = register
        self.number = number


def decode_words(register: RegisterSpec, words: Sequence[int]) -> int | float:
    """Read the raw number: an integer, or a float for f32 and f64 (which may be NaN here).

    NaN also stands for decimal digits that are none: raw numbers are compared and shown, never taken for values.

    Args:
        register: How the words make a number.
        words: Exactly the words of this value; a single 0 or 1 where the table holds bits.
    """
    if len(words) != register.count:
        raise ValueError(f"{len(words)} words for a value of {register.count}")
    if register.word_type is WordType.BIT:
        if register.table.of_bits:
            return 1 if words[0] else 0
        return (pattern_of(register, words) >> bit_of(register)) & 1
    if register.word_type is WordType.TEXT:
        raise ValueError("a text is no number")
    mask, shift, _ = field_place(register)
    raw = number_maker(register)((pattern_of(register, words) & mask) >> shift)
    return math.nan if raw is None else raw


def decode_si(register: RegisterSpec, words: Sequence[int]) -> Decoded:
    """Read the value in SI, or why the words hold none (REQ-6: sentinel and finite come before all else).

    Args:
        register: How the words make a number.
        words: Those of the register's `reach`: its own, and up to its power of ten where it has one.
    """
    return make_decoder(register)(tuple(words), register.address - register.reach.first)


def decode_written_si(register: RegisterSpec, words: Sequence[int]) -> float | None:
    """Return the value in SI that was really asked of the device, after rounding to its counts (REQ-31)."""
    return decode_si(register, words)[0]


def encode_raw(register: RegisterSpec, raw: float) -> tuple[int, ...]:
    """Write a raw number as words.

    Raises:
        UnencodableError: not finite, not whole (integers and bits), outside the type, or it would read as a sentinel.
    """
    if not math.isfinite(raw):
        raise UnencodableError("not finite", register, raw)
    words = _float_words(register, float(raw)) if register.word_type.of_floats else _integer_words(register, raw)
    if register.word_type is not WordType.BIT and pattern_of(register, words) in sentinel_patterns(register):
        raise UnencodableError("the device takes this for no value", register, raw)
    return words


def _float_words(register: RegisterSpec, raw: float) -> tuple[int, ...]:
    packer, writer = codecs(register)
    try:
        # Minus zero would differ from zero in raw counts.
        words: tuple[int, ...] = packer.unpack(writer.pack(raw + 0.0))
    except OverflowError as error:
        raise UnencodableError("outside the type", register, raw) from error
    return words


def _integer_words(register: RegisterSpec, raw: float) -> tuple[int, ...]:
    number = _whole(register, raw)
    if register.word_type is WordType.BIT:
        if not (register.table.of_bits or register.table is Table.NODE):
            raise UnencodableError("one bit of a register cannot be written without its neighbours", register, raw)
        return (number,)
    if register.mask is not None:
        raise UnencodableError("some bits of a register cannot be written without their neighbours", register, raw)
    return words_of(register, bits_for(register, number))


def _whole(register: RegisterSpec, raw: float) -> int:
    """Return a raw number as an integer that the register can hold."""
    if register.word_type is WordType.TEXT:
        raise UnencodableError("a text is no number", register, raw)
    low, high = raw_range(register)
    if raw != int(raw):
        raise UnencodableError("not a whole count", register, raw)
    if not low <= raw <= high:
        raise UnencodableError("outside the type", register, raw)
    return int(raw)


def mask_write(register: RegisterSpec, raw: float) -> tuple[int, int]:
    """Return the AND and OR masks by which function code 22 puts a number into some bits of one word.

    The device does `(word AND and_mask) OR (or_mask AND NOT and_mask)` (Application Protocol v1.1b3, section 6.16).

    Raises:
        UnencodableError: as encode_raw; or the value is not a bit or a field of one holding register.
    """
    if not math.isfinite(raw):
        raise UnencodableError("not finite", register, raw)
    number = _whole(register, raw)
    is_bit = register.word_type is WordType.BIT
    if register.table.of_bits or register.count != 1 or not (is_bit or register.mask is not None):
        raise UnencodableError("not some bits of one word", register, raw)
    mask = 1 << bit_of(register) if is_bit else field_place(register)[0]
    shift = (mask & -mask).bit_length() - 1
    bits = bits_for(register, number)
    if not is_bit and bits in sentinel_patterns(register):
        raise UnencodableError("the device takes this for no value", register, raw)
    whole = RegisterSpec(register.table, register.address, WordType.U16, register.order)
    return words_of(whole, 0xFFFF ^ mask)[0], words_of(whole, bits << shift)[0]


def encode_si(register: RegisterSpec, value_si: float) -> tuple[int, ...]:
    """Write a value in SI as words, rounded half to even in raw counts. The caller has clamped it.

    Args:
        register: Where it goes.
        value_si: [SI unit of the register] Contacts are 1.0 and 0.0, nothing between.

    Raises:
        UnencodableError: as encode_raw; or the power of ten of the register is known to the device alone.
    """
    if not math.isfinite(value_si):
        raise UnencodableError("not finite", register, value_si)
    if register.word_type is WordType.BIT:
        if value_si not in (0.0, 1.0):
            raise UnencodableError("a contact is 0 or 1", register, value_si)
        return encode_raw(register, value_si if not register.inverted else 1.0 - value_si)
    if register.power is not None:
        raise UnencodableError("the device may change its power of ten at any time", register, value_si)
    gain, bias = line(register)
    raw = (value_si - bias) / gain
    if not math.isfinite(raw):
        raise UnencodableError("outside the type", register, value_si)
    return encode_raw(register, raw if register.word_type.of_floats else round(raw))
