"""Decoders: everything about a register that can be looked up is looked up once, and what is left runs in every scan.

Sentinel and finite come before all else (REQ-6). A decoder gives a number with reason OK, a number with the reason why
it is to be taken as Uncertain, or no number and why there is none. Pure.
"""

import math
from collections.abc import Callable

from crumbmeter.field.scaling import gains, line, loop_limits
from crumbmeter.field.spec import ByteOrder, PowerOfTen, RegisterSpec, WordType
from crumbmeter.field.words_codes import (
    NATIVE,
    codecs,
    field_place,
    number_maker,
    pattern_of,
    pattern_reader,
    sentinel_patterns,
)
from crumbmeter.model.quality import Reason

Decoded = tuple[float | None, Reason]
Decoder = Callable[[tuple[int, ...], int], Decoded]
"""Words of a block and the offset of the value in them -> value in SI, or why there is none."""

_OK = Reason.OK
_NO_VALUE: Decoded = (None, Reason.SENTINEL)
_NOT_FINITE: Decoded = (None, Reason.NOT_FINITE)
_NO_DIGITS: Decoded = (None, Reason.INVALID_DIGITS)
_NO_SCALE: Decoded = (None, Reason.SCALE_UNKNOWN)
_TRUE: Decoded = (1.0, Reason.OK)
_FALSE: Decoded = (0.0, Reason.OK)


def make_decoder(register: RegisterSpec) -> Decoder:
    """Prepare the cheapest reader for one register.

    Raises:
        ValueError: the register contradicts itself, or holds a text.
    """
    kind = register.word_type
    if kind is WordType.TEXT:
        raise ValueError("a text is no value of the process")
    if kind is WordType.BIT:
        return _bit_decoder(register)
    if register.power is not None or register.live_zero is not None:
        return _scaled_decoder(register)
    if kind not in NATIVE or register.mask is not None:
        return _coded_decoder(register)
    if kind.of_floats:
        return _float_decoder(register)
    if kind is WordType.U16 and register.order in (ByteOrder.ABCD, ByteOrder.CDAB):
        return _word_decoder(register)
    return _integer_decoder(register)


def bit_of(register: RegisterSpec) -> int:
    """Return which bit of its word a contact is."""
    bit = register.bit
    if bit is None or not 0 <= bit <= 15:
        raise ValueError(f"a bit of a register needs its number, 0 to 15, not {bit!r}")
    return bit


def _bit_decoder(register: RegisterSpec) -> Decoder:
    set_, clear = (_FALSE, _TRUE) if register.inverted else (_TRUE, _FALSE)
    if register.table.of_bits:
        mask = 1
    else:
        bit = bit_of(register)
        swapped = register.order in (ByteOrder.BADC, ByteOrder.DCBA)
        mask = 1 << (bit ^ 8 if swapped else bit)

    def decode(words: tuple[int, ...], offset: int) -> Decoded:
        return set_ if words[offset] & mask else clear

    return decode


def _float_decoder(register: RegisterSpec) -> Decoder:
    packer, reader = codecs(register)
    pack, unpack, count = packer.pack, reader.unpack, register.count
    gain, bias = line(register)
    sentinels = sentinel_patterns(register)
    isfinite = math.isfinite

    def decode(words: tuple[int, ...], offset: int) -> Decoded:
        own = words[offset : offset + count]
        if sentinels and pattern_of(register, own) in sentinels:
            return _NO_VALUE
        value: float = unpack(pack(*own))[0] * gain + bias
        return (value, _OK) if isfinite(value) else _NOT_FINITE

    return decode


def _word_decoder(register: RegisterSpec) -> Decoder:
    gain, bias = line(register)
    sentinels = sentinel_patterns(register)

    def decode(words: tuple[int, ...], offset: int) -> Decoded:
        word = words[offset]
        return _NO_VALUE if word in sentinels else (word * gain + bias, _OK)

    return decode


def _integer_decoder(register: RegisterSpec) -> Decoder:
    packer, reader = codecs(register)
    pack, unpack, count = packer.pack, reader.unpack, register.count
    gain, bias = line(register)
    mask = field_place(register)[0]
    sentinels = sentinel_patterns(register)

    def decode(words: tuple[int, ...], offset: int) -> Decoded:
        raw: int = unpack(pack(*words[offset : offset + count]))[0]
        return _NO_VALUE if raw & mask in sentinels else (raw * gain + bias, _OK)

    return decode


def make_reader(register: RegisterSpec) -> Decoder:
    """Prepare reading the raw number of any register that holds one, before all scaling."""
    pattern_at = pattern_reader(register)
    mask, shift, _ = field_place(register)
    sentinels, number = sentinel_patterns(register), number_maker(register)
    isfinite = math.isfinite

    def read(words: tuple[int, ...], offset: int) -> Decoded:
        bits = (pattern_at(words, offset) & mask) >> shift
        if bits in sentinels:
            return _NO_VALUE
        raw = number(bits)
        if raw is None:
            return _NO_DIGITS
        return (raw, _OK) if isfinite(raw) else _NOT_FINITE

    return read


def _coded_decoder(register: RegisterSpec) -> Decoder:
    read = make_reader(register)
    gain, bias = line(register)

    def decode(words: tuple[int, ...], offset: int) -> Decoded:
        raw, reason = read(words, offset)
        return (None, reason) if raw is None else (raw * gain + bias, _OK)

    return decode


def _scaled_decoder(register: RegisterSpec) -> Decoder:
    read = make_reader(register)
    gain_at = _gain_reader(register, register.power)
    bias = line(register)[1]
    limits = None if register.live_zero is None else loop_limits(register.live_zero)
    isfinite = math.isfinite

    def decode(words: tuple[int, ...], offset: int) -> Decoded:
        raw, reason = read(words, offset)
        if raw is None:
            return None, reason
        if limits is not None:
            reason = limits.judge(raw)
            if reason is Reason.SENSOR_FAILURE:
                return None, reason
        gain, unknown = gain_at(words, offset)
        if gain is None:
            return None, unknown
        value = raw * gain + bias
        return (value, reason) if isfinite(value) else _NOT_FINITE

    return decode


def _gain_reader(register: RegisterSpec, power: PowerOfTen | None) -> Decoder:
    """Prepare finding the gain of this very reading, from the power of ten that came in the same reply."""
    if power is None:
        always: Decoded = (line(register)[0], _OK)
        return lambda _words, _offset: always
    read = make_reader(power.register)
    distance = power.register.address - register.address
    known = gains(register)

    def gain_at(words: tuple[int, ...], offset: int) -> Decoded:
        number, reason = read(words, offset + distance)
        if number is None:
            return None, reason
        gain = known.get(int(number))
        return _NO_SCALE if gain is None else (gain, _OK)

    return gain_at
