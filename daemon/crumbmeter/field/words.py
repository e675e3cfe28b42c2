"""Register words to numbers and back, one register at a time. Pure; the only codec of the daemon.

Three levels: *words* are what goes over the wire, *raw* is the number that the device means by them (counts), *SI* is
`unit(scale * raw + offset)`. The writer clamps before it encodes: what cannot be encoded here is refused, never wrapped
and never bent (REQ-31). Byte orders are named by their bytes (REQ-13): every order is a pair of endianness, one within
the words and one of the whole value, so no bytes are shuffled by hand.
"""

import math
import struct
from collections.abc import Callable, Sequence

from crumbmeter.field.spec import ByteOrder, RegisterSpec, WordType
from crumbmeter.model.faults import CrumbmeterError
from crumbmeter.model.quality import Reason
from crumbmeter.model.units import UNITS

Decoder = Callable[[tuple[int, ...], int], tuple[float | None, Reason]]
"""Words of a block and the offset of the value in them -> value in SI, or why there is none."""

_WITHIN_AND_WHOLE = {
    ByteOrder.ABCD: (">", ">"),
    ByteOrder.CDAB: ("<", "<"),
    ByteOrder.BADC: ("<", ">"),
    ByteOrder.DCBA: (">", "<"),
}
_FORMATS = {
    WordType.U16: "H",
    WordType.I16: "h",
    WordType.U32: "I",
    WordType.I32: "i",
    WordType.F32: "f",
    WordType.F64: "d",
}
_FLOATS = (WordType.F32, WordType.F64)
_RANGES = {
    WordType.BIT: (0, 1),
    WordType.U16: (0, 0xFFFF),
    WordType.I16: (-0x8000, 0x7FFF),
    WordType.U32: (0, 0xFFFF_FFFF),
    WordType.I32: (-0x8000_0000, 0x7FFF_FFFF),
}
_OK = Reason.OK
_NO_VALUE: tuple[None, Reason] = (None, Reason.SENTINEL)
_NOT_FINITE: tuple[None, Reason] = (None, Reason.NOT_FINITE)
_TRUE = (1.0, Reason.OK)
_FALSE = (0.0, Reason.OK)


class UnencodableError(CrumbmeterError, ValueError):
    """A number cannot be said in this register. Nothing may be written for it."""

    def __init__(self, what: str, register: RegisterSpec, number: float) -> None:
        super().__init__(
            f"{what}: {number!r} in {register.word_type.value} at {register.table.value} {register.address}"
        )
        self.register = register
        self.number = number


def _codecs(register: RegisterSpec) -> tuple[struct.Struct, struct.Struct]:
    """Return the struct of the words and the struct of the value that share the same bytes."""
    within, whole = _WITHIN_AND_WHOLE[register.order]
    kind = register.word_type
    return struct.Struct(f"{within}{kind.words}H"), struct.Struct(whole + _FORMATS[kind])


def _line(register: RegisterSpec) -> tuple[float, float]:
    """Return gain and bias of `si = gain * raw + bias`."""
    unit = UNITS[register.unit]
    return register.scale * unit.factor, register.offset * unit.factor + unit.offset


def _mask(register: RegisterSpec) -> int:
    return (1 << (16 * register.word_type.words)) - 1


def _pattern(register: RegisterSpec, words: Sequence[int]) -> int:
    """Return the value's bits as one unsigned number, A the most significant."""
    within, whole = _WITHIN_AND_WHOLE[register.order]
    data = struct.pack(f"{within}{len(words)}H", *words)
    return int.from_bytes(data, "big" if whole == ">" else "little")


def _sentinel_patterns(register: RegisterSpec) -> frozenset[int]:
    """Return the sentinels as bit patterns, so that -32768 and 0x8000 are the same in an i16."""
    mask = _mask(register)
    return frozenset(sentinel & mask for sentinel in register.sentinels)


def decode_words(register: RegisterSpec, words: Sequence[int]) -> int | float:
    """Read the raw number: an integer, or a float for f32 and f64 (which may be NaN here).

    Args:
        register: How the words make a number.
        words: Exactly the words of this value; a single 0 or 1 where the table holds bits.
    """
    if len(words) != register.count:
        raise ValueError(f"{len(words)} words for a value of {register.count}")
    if register.word_type is WordType.BIT:
        if register.table.of_bits:
            return 1 if words[0] else 0
        return (_pattern(register, words) >> _bit(register)) & 1
    packer, reader = _codecs(register)
    raw: int | float = reader.unpack(packer.pack(*words))[0]
    return raw


def _bit(register: RegisterSpec) -> int:
    bit = register.bit
    if bit is None or not 0 <= bit <= 15:
        raise ValueError(f"a bit of a register needs its number, 0 to 15, not {bit!r}")
    return bit


def decode_si(register: RegisterSpec, words: Sequence[int]) -> tuple[float | None, Reason]:
    """Read the value in SI, or why the words hold none (REQ-6: sentinel and finite come before all else)."""
    return make_decoder(register)(tuple(words), 0)


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
    words = _float_words(register, float(raw)) if register.word_type in _FLOATS else _integer_words(register, raw)
    if register.word_type is not WordType.BIT and _pattern(register, words) in _sentinel_patterns(register):
        raise UnencodableError("the device takes this for no value", register, raw)
    return words


def _float_words(register: RegisterSpec, raw: float) -> tuple[int, ...]:
    packer, writer = _codecs(register)
    try:
        # Minus zero would differ from zero in raw counts.
        words: tuple[int, ...] = packer.unpack(writer.pack(raw + 0.0))
    except OverflowError as error:
        raise UnencodableError("outside the type", register, raw) from error
    return words


def _integer_words(register: RegisterSpec, raw: float) -> tuple[int, ...]:
    low, high = _RANGES[register.word_type]
    if raw != int(raw):
        raise UnencodableError("not a whole count", register, raw)
    if not low <= raw <= high:
        raise UnencodableError("outside the type", register, raw)
    if register.word_type is WordType.BIT:
        if not register.table.of_bits:
            raise UnencodableError("one bit of a register cannot be written without its neighbours", register, raw)
        return (int(raw),)
    packer, writer = _codecs(register)
    words: tuple[int, ...] = packer.unpack(writer.pack(int(raw)))
    return words


def encode_si(register: RegisterSpec, value_si: float) -> tuple[int, ...]:
    """Write a value in SI as words, rounded half to even in raw counts. The caller has clamped it.

    Args:
        register: Where it goes.
        value_si: [SI unit of the register] Contacts are 1.0 and 0.0, nothing between.

    Raises:
        UnencodableError: as encode_raw.
    """
    if not math.isfinite(value_si):
        raise UnencodableError("not finite", register, value_si)
    if register.word_type is WordType.BIT:
        if value_si not in (0.0, 1.0):
            raise UnencodableError("a contact is 0 or 1", register, value_si)
        return encode_raw(register, value_si if not register.inverted else 1.0 - value_si)
    gain, bias = _line(register)
    raw = (value_si - bias) / gain
    if not math.isfinite(raw):
        raise UnencodableError("outside the type", register, value_si)
    return encode_raw(register, raw if register.word_type in _FLOATS else round(raw))


def make_decoder(register: RegisterSpec) -> Decoder:
    """Prepare the cheapest reader for one register: everything that can be looked up is looked up here, once."""
    if register.word_type is WordType.BIT:
        return _bit_decoder(register)
    if register.word_type in _FLOATS:
        return _float_decoder(register)
    if register.word_type is WordType.U16 and register.order in (ByteOrder.ABCD, ByteOrder.CDAB):
        return _word_decoder(register)
    return _integer_decoder(register)


def _bit_decoder(register: RegisterSpec) -> Decoder:
    set_, clear = (_FALSE, _TRUE) if register.inverted else (_TRUE, _FALSE)
    if register.table.of_bits:
        mask = 1
    else:
        bit = _bit(register)
        swapped = register.order in (ByteOrder.BADC, ByteOrder.DCBA)
        mask = 1 << (bit ^ 8 if swapped else bit)

    def decode(words: tuple[int, ...], offset: int) -> tuple[float | None, Reason]:
        return set_ if words[offset] & mask else clear

    return decode


def _float_decoder(register: RegisterSpec) -> Decoder:
    packer, reader = _codecs(register)
    pack, unpack, count = packer.pack, reader.unpack, register.count
    gain, bias = _line(register)
    sentinels = _sentinel_patterns(register)
    isfinite = math.isfinite

    def decode(words: tuple[int, ...], offset: int) -> tuple[float | None, Reason]:
        own = words[offset : offset + count]
        if sentinels and _pattern(register, own) in sentinels:
            return _NO_VALUE
        value: float = unpack(pack(*own))[0] * gain + bias
        return (value, _OK) if isfinite(value) else _NOT_FINITE

    return decode


def _word_decoder(register: RegisterSpec) -> Decoder:
    gain, bias = _line(register)
    sentinels = _sentinel_patterns(register)

    def decode(words: tuple[int, ...], offset: int) -> tuple[float | None, Reason]:
        word = words[offset]
        return _NO_VALUE if word in sentinels else (word * gain + bias, _OK)

    return decode


def _integer_decoder(register: RegisterSpec) -> Decoder:
    packer, reader = _codecs(register)
    pack, unpack, count = packer.pack, reader.unpack, register.count
    gain, bias = _line(register)
    mask = _mask(register)
    sentinels = _sentinel_patterns(register)

    def decode(words: tuple[int, ...], offset: int) -> tuple[float | None, Reason]:
        raw: int = unpack(pack(*words[offset : offset + count]))[0]
        return _NO_VALUE if raw & mask in sentinels else (raw * gain + bias, _OK)

    return decode
