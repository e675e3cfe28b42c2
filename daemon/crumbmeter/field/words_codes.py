"""Bits and the numbers they mean: orders of bytes, two's complement, decimal digits, sign and magnitude, fields. Pure.

Between words and number stands the *pattern*: the value's bits as one unsigned number, A the most significant byte. An
order is a pair of endianness, one within the words and one of the whole value, so no bytes are shuffled by hand.
"""

import struct
from collections.abc import Callable, Sequence

from crumbmeter.field.spec import ByteOrder, RegisterSpec, WordType

NATIVE = {
    WordType.U16: "H",
    WordType.I16: "h",
    WordType.U32: "I",
    WordType.I32: "i",
    WordType.U64: "Q",
    WordType.I64: "q",
    WordType.F32: "f",
    WordType.F64: "d",
}
"""Types that the struct module reads, with its letters."""
SIGNED = (WordType.I16, WordType.I32, WordType.I64)
DECIMAL = (WordType.BCD16, WordType.BCD32)
SIGN_MAGNITUDE = (WordType.SM16, WordType.SM32)
MASKABLE = (WordType.U16, WordType.U32, WordType.U64, *SIGNED)
"""Types of which a few bits may be the value."""

_WITHIN_AND_WHOLE = {
    ByteOrder.ABCD: (">", ">"),
    ByteOrder.CDAB: ("<", "<"),
    ByteOrder.BADC: ("<", ">"),
    ByteOrder.DCBA: (">", "<"),
}
_FIRST_PRINTABLE, _LAST_PRINTABLE = 0x20, 0x7E


def codecs(register: RegisterSpec) -> tuple[struct.Struct, struct.Struct]:
    """Return the struct of the words and the struct of the value that share the same bytes. Native types only."""
    within, whole = _WITHIN_AND_WHOLE[register.order]
    kind = register.word_type
    return struct.Struct(f"{within}{kind.words}H"), struct.Struct(whole + NATIVE[kind])


def pattern_reader(register: RegisterSpec) -> Callable[[tuple[int, ...], int], int]:
    """Prepare reading the value's bits out of a block, at an offset."""
    within, whole = _WITHIN_AND_WHOLE[register.order]
    count = register.count
    pack = struct.Struct(f"{within}{count}H").pack
    from_bytes = int.from_bytes
    if whole == ">":
        return lambda words, offset: from_bytes(pack(*words[offset : offset + count]), "big")
    return lambda words, offset: from_bytes(pack(*words[offset : offset + count]), "little")


def pattern_of(register: RegisterSpec, words: Sequence[int]) -> int:
    """Return the value's bits as one unsigned number, A the most significant."""
    return pattern_reader(register)(tuple(words), 0)


def words_of(register: RegisterSpec, pattern: int) -> tuple[int, ...]:
    """Lay a pattern out as words: the inverse of `pattern_of`."""
    within, whole = _WITHIN_AND_WHOLE[register.order]
    count = register.count
    data = pattern.to_bytes(2 * count, "big" if whole == ">" else "little")
    words: tuple[int, ...] = struct.unpack(f"{within}{count}H", data)
    return words


def all_bits(register: RegisterSpec) -> int:
    """Return the mask of all bits of a register's words."""
    return (1 << (16 * register.count)) - 1


def field_place(register: RegisterSpec) -> tuple[int, int, int]:
    """Return mask, shift and width of the bits that are the value.

    Raises:
        ValueError: the mask has a hole, is empty, or is wider than the register.
    """
    if register.mask is None:
        return all_bits(register), 0, 16 * register.count
    mask = register.mask
    shift = (mask & -mask).bit_length() - 1
    width = mask.bit_length() - shift
    if mask <= 0 or mask > all_bits(register) or mask >> shift != (1 << width) - 1:
        raise ValueError(f"mask {mask:#x} is no run of bits side by side in {16 * register.count}")
    return mask, shift, width


def raw_range(register: RegisterSpec) -> tuple[int, int]:
    """Return the lowest and highest whole number that a register's bits can mean. Not for floats and texts."""
    kind = register.word_type
    if kind is WordType.BIT:
        return 0, 1
    width = field_place(register)[2]
    if kind in DECIMAL:
        return 0, int(10 ** (width // 4)) - 1
    if kind in SIGN_MAGNITUDE:
        return 1 - (1 << (width - 1)), (1 << (width - 1)) - 1
    if kind in SIGNED:
        return -(1 << (width - 1)), (1 << (width - 1)) - 1
    return 0, (1 << width) - 1


def sentinel_patterns(register: RegisterSpec) -> frozenset[int]:
    """Return the sentinels as bits, so that -32768 and 0x8000 are the same in an i16."""
    bits = (1 << field_place(register)[2]) - 1
    return frozenset(sentinel & bits for sentinel in register.sentinels)


def number_maker(register: RegisterSpec) -> Callable[[int], float | None]:
    """Prepare turning the bits of a value (mask and shift already done) into its number; None where they mean none."""
    kind, width = register.word_type, field_place(register)[2]
    if kind.of_floats:
        size, reader = 2 * kind.words, struct.Struct(">" + NATIVE[kind])
        return lambda bits: float(reader.unpack(bits.to_bytes(size, "big"))[0])
    if kind in DECIMAL:
        return digits_number
    top = 1 << (width - 1)
    if kind in SIGN_MAGNITUDE:
        return lambda bits: top - bits if bits & top else bits
    if kind in SIGNED:
        return lambda bits: bits - 2 * top if bits & top else bits
    return int


def bits_for(register: RegisterSpec, number: int) -> int:
    """Return the bits of a whole number that lies in `raw_range`, not yet shifted."""
    kind, width = register.word_type, field_place(register)[2]
    if kind in DECIMAL:
        return int(str(number), 16)
    if kind in SIGN_MAGNITUDE and number < 0:
        return (1 << (width - 1)) - number
    return number & ((1 << width) - 1)


def digits_number(bits: int) -> int | None:
    """Read decimal digits, one in each half-byte; None where a half-byte is beyond 9."""
    digits = f"{bits:x}"
    return int(digits) if digits.isdecimal() else None


def text_of(register: RegisterSpec, words: Sequence[int]) -> str | None:
    """Read a text of printable ASCII, without what pads it at the end; None where the words hold none.

    Args:
        register: ABCD has the first character in the upper byte of a word, BADC in the lower one.
        words: Exactly the words of this text.
    """
    if len(words) != register.count:
        raise ValueError(f"{len(words)} words for a text of {register.count}")
    data = struct.pack(f"{_text_order(register)}{len(words)}H", *words)[: register.characters].rstrip(b"\0 ")
    if not data or not all(_FIRST_PRINTABLE <= byte <= _LAST_PRINTABLE for byte in data):
        return None
    return data.decode("ascii")


def words_of_text(register: RegisterSpec, text: str) -> tuple[int, ...]:
    """Lay a text out as words, padded with zeros: the inverse of `text_of`.

    Raises:
        ValueError: it is too long, or not printable ASCII.
    """
    if len(text) > register.characters or not (text.isascii() and text.isprintable()):
        raise ValueError(f"{text!r} is no text of {register.characters} characters of ASCII")
    data = text.encode("ascii").ljust(2 * register.count, b"\0")
    words: tuple[int, ...] = struct.unpack(f"{_text_order(register)}{register.count}H", data)
    return words


def _text_order(register: RegisterSpec) -> str:
    if register.word_type is not WordType.TEXT or register.order not in (ByteOrder.ABCD, ByteOrder.BADC):
        raise ValueError("a text is of type text, in the order ABCD or BADC")
    return _WITHIN_AND_WHOLE[register.order][0]
