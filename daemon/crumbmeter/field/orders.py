"""Which order of bytes a device uses, told by its floats: a device mostly keeps to one. Pure.

The halves of a true float are unlike each other: the upper one is quiet, the lower one jumps with every change. Words
of other values seldom look so in a wrong order, and each that does in the right one speaks for it.
"""

import math
import struct
from collections.abc import Mapping, Sequence
from itertools import pairwise

from crumbmeter.field.candidates import Column, Numbers
from crumbmeter.field.spec import ByteOrder, WordType

_PRIOR = {ByteOrder.ABCD: 0.50, ByteOrder.CDAB: 0.26, ByteOrder.DCBA: 0.12, ByteOrder.BADC: 0.12}
"""How common each is: a judgement of ours."""
_WEIGHT = 2.0
"""So many floats as the prior is worth."""
_LEAST, _MOST = 1e-3, 1e7
_QUIET = 0.05
DEAD_HALF_BITS, LAZY_HALF_BITS = 6.0, 4.0
"""A float whose low half stands, or hardly moves, while the value does: the half of something else, as a rule."""


def order_bits(found: Sequence[Column]) -> Mapping[ByteOrder, float]:
    """Price the orders of values of more than one word, by the floats that look like ones in each.

    Args:
        found: All columns of the looks; at best of many registers.
    """
    counts = dict.fromkeys(ByteOrder, 0)
    for column in found:
        if column.of_floats and _genuine(column.numbers):
            for where in column.decodings:
                if where.word_type is WordType.F32:
                    counts[where.order] += 1
    whole = sum(counts.values()) + _WEIGHT
    return {order: -math.log2((counts[order] + _WEIGHT * _PRIOR[order]) / whole) for order in ByteOrder}


def _genuine(numbers: Numbers) -> bool:
    sizes = [abs(number) for number in numbers]
    if not _LEAST <= min(sizes) <= max(sizes) <= _MOST:
        return False
    steps = sorted(abs(after - before) for before, after in pairwise(numbers))
    return steps[len(steps) // 2] <= _QUIET * max(sizes) and half_bits(numbers, WordType.F32) == 0.0


def half_bits(numbers: Numbers, word_type: WordType) -> float:
    """Price a float whose low half does not behave like one.

    Args:
        numbers: Of all samples.
        word_type: F32 or F64.
    """
    different = set(numbers)
    if len(different) > 1 and all(_upper_half_alone(number, word_type) for number in different):
        return 0.0 if all(2.0 * number == round(2.0 * number) for number in different) else DEAD_HALF_BITS
    if all(_decimal(number, word_type) for number in different):
        return 0.0
    if word_type is WordType.F32:
        halves = {struct.unpack(">I", struct.pack(">f", number))[0] & 0xFFFF for number in different}
        lazy = 1 << 12
    else:
        halves = {struct.unpack(">Q", struct.pack(">d", number))[0] & 0xFFFFFFFF for number in different}
        lazy = 1 << 28
    if len(halves) == 1:
        return DEAD_HALF_BITS
    return LAZY_HALF_BITS if max(halves) - min(halves) < lazy else 0.0


def _upper_half_alone(number: float, word_type: WordType) -> bool:
    if word_type is WordType.F32:
        return bool(struct.unpack(">I", struct.pack(">f", number))[0] & 0xFFFF == 0)
    return bool(struct.unpack(">Q", struct.pack(">d", number))[0] & 0xFFFFFFFFFFFF == 0)


def _decimal(number: float, word_type: WordType) -> bool:
    """Tell whether a float stands for a decimal of at most three places: its low half then follows from that."""
    thousandths = 1000.0 * number
    precision = 2.0**-23 if word_type is WordType.F32 else 2.0**-50
    return abs(thousandths - round(thousandths)) <= abs(thousandths) * precision and abs(thousandths) < 1e6
