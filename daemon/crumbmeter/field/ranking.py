"""Which register, type, order, scale and offset an instrument's display stands for: candidates, ranked. Pure.

Each decoding of each place is a column of raw numbers; each column has the few lines that explain the readings best.
The price of a candidate adds up how usual its type, order, scale and offset are and how well it fits. Candidates that
show the same at everything seen are ties, in one group: no reading that was taken can tell them apart.
"""

import math
from collections.abc import Mapping, Sequence

from crumbmeter.field.candidates import Column, Decoding, Numbers, columns
from crumbmeter.field.fit import Level, level
from crumbmeter.field.lines import Line, lines_of
from crumbmeter.field.look import Look, Reading, stretches
from crumbmeter.field.orders import half_bits, order_bits
from crumbmeter.field.spec import ByteOrder, WordType
from crumbmeter.model.frozen import dataclass

_TYPE_BITS = {
    WordType.U16: 1.4, WordType.I16: 1.4, WordType.F32: 1.4, WordType.U32: 2.3, WordType.I32: 2.3, WordType.F64: 3.7,
    WordType.U64: 4.5, WordType.I64: 4.5, WordType.BCD16: 4.0, WordType.BCD32: 4.2, WordType.SM16: 4.8,
    WordType.SM32: 5.0,
}  # fmt: skip
_SWAPPED_WORD_BITS = 3.5
_SIGNED = {WordType.I16: 15, WordType.I32: 31, WordType.I64: 63}
_UNSIGNED = {WordType.U16: 15, WordType.U32: 31, WordType.U64: 63}
_SAFER_BITS = 0.4
"""A signed type also reads what is below zero; once half its range is used, an unsigned one goes further."""
_QUIET_BITS = 2.0
"""What an instrument shows flickers, as a rule; what stands through every look is set or held."""
_QUIET_SAMPLES = 3
_NONE_SHARE = 0.05
"""That the display stands for none of what was read."""
_TIE_FIT_BITS = 2.0
_WORTH_BITS = 18.0
"""What is so much dearer than the best, or than nothing at all, is not worth a line."""
_AGREEING = 6
"""Different numbers that have to agree where two lines could meet by their offsets."""
_NEAREST = 160
_SHOWN_GROUPS = 25


@dataclass(frozen=True, slots=True)
class Candidate:
    """One way in which the display could be read from the device."""

    where: Decoding
    scale: float
    offset: float
    bits: float
    """Its price; ten bits more is a thousand times less likely."""
    fit_bits: float
    shown: tuple[float, ...]
    """[unit] What it makes of each reading: the line at the middle of that look's samples."""
    most_away: float
    """[unit] The furthest that this is from what the display showed."""
    numbers: Numbers
    """Raw numbers of all samples."""


@dataclass(frozen=True, slots=True)
class Group:
    """Candidates that no reading so far tells apart, the most usual first."""

    candidates: tuple[Candidate, ...]
    share: float
    """How likely it is that one of these is meant, given all that was looked at."""


@dataclass(frozen=True, slots=True)
class Ranking:
    """What the looks say."""

    groups: tuple[Group, ...]
    none_share: float
    """How likely it is that the display stands for nothing that was read."""
    looked_at: int
    """Columns of different numbers."""
    one_load: bool
    """All readings are the same within what a display rounds: constants cannot be told from what follows."""


def rank(looks: Sequence[Look]) -> Ranking:
    """Rank what the display could stand for.

    Args:
        looks: Each with its samples and at least one reading; one unit throughout.

    Raises:
        ValueError: there is no reading.
    """
    readings = [reading for look in looks for reading in look.readings]
    if not readings:
        raise ValueError("no look has a reading of the display")
    one_load = _one_load(readings)
    found = columns(stretches(looks), constants=one_load)
    none_bits = _none_bits(readings, len(found))
    candidates = sorted(_candidates(looks, readings, found, none_bits), key=lambda candidate: candidate.bits)
    groups = _grouped(candidates[:_NEAREST], max(reading.resolution for reading in readings))
    best = min([none_bits, *(group[0].bits for group in groups)])
    weights = [math.fsum(2.0 ** (best - one.bits) for one in group) for group in groups]
    none = 2.0 ** (best - none_bits)
    whole = math.fsum(weights) + none
    shared = tuple(Group(tuple(group), weight / whole) for group, weight in zip(groups, weights, strict=True))
    return Ranking(shared[:_SHOWN_GROUPS], none / whole, len(found), one_load)


def _one_load(readings: Sequence[Reading]) -> bool:
    values = [reading.value for reading in readings]
    return max(values) - min(values) <= 2.0 * max(reading.resolution for reading in readings)


def _levels(looks: Sequence[Look], numbers: Numbers) -> list[Level]:
    """Take the numbers of each look together, once for each of its readings.

    A few samples tell their spread badly, so that of all looks counts for half.
    """
    taken, begin = [], 0
    for look in looks:
        end = begin + len(look.samples)
        if look.readings:
            taken.append((level(numbers[begin:end]), len(look.readings)))
        begin = end
    if not any(one.spread for one, _ in taken):
        return [one for one, times in taken for _ in range(times)]
    common = math.fsum(one.spread * one.spread for one, _ in taken) / len(taken)
    return [
        Level(one.middle, math.sqrt(0.5 * (one.spread * one.spread + common)), one.count)
        for one, times in taken
        for _ in range(times)
    ]


def _candidates(
    looks: Sequence[Look], readings: Sequence[Reading], found: Sequence[Column], none_bits: float
) -> list[Candidate]:
    """Find what is worth a line, the usual decodings first: they set the bar for the others."""
    orders = order_bits(found)
    priced = [(tuple(_decoding_bits(where, column, orders) for where in column.decodings), column) for column in found]
    candidates: list[Candidate] = []
    limit_bits = none_bits + _WORTH_BITS
    for prices, column in sorted(priced, key=lambda one: min(one[0])):
        levels = _levels(looks, column.numbers)
        quiet = all(at.spread == 0.0 and at.count >= _QUIET_SAMPLES for at in levels)
        extra = _QUIET_BITS if quiet else 0.0
        least = min(prices) + extra
        for line in lines_of(readings, levels, column, limit_bits - least):
            limit_bits = min(limit_bits, _WORTH_BITS + line.bits + least)
            candidates += _of_line(column, line, readings, levels, [price + extra for price in prices])
    return candidates


def _of_line(
    column: Column, line: Line, readings: Sequence[Reading], levels: Sequence[Level], prices: Sequence[float]
) -> list[Candidate]:
    shown = tuple(line.scale * at.middle + line.offset for at in levels)
    away = max(abs(one - reading.value) for one, reading in zip(shown, readings, strict=True))
    return [
        Candidate(
            where, line.scale, line.offset, line.bits + price, line.fit_bits, shown, away, column.numbers,
        )
        for where, price in zip(column.decodings, prices, strict=True)
    ]  # fmt: skip


def _decoding_bits(where: Decoding, column: Column, orders: Mapping[ByteOrder, float]) -> float:
    """Price type and order, and what the numbers themselves say about them."""
    bits = _TYPE_BITS[where.word_type]
    if where.words == 1:
        bits += 0.1 if where.order is ByteOrder.ABCD else _SWAPPED_WORD_BITS
    else:
        bits += orders[where.order]
    if where.word_type.of_floats:
        return bits + half_bits(column.numbers, where.word_type)
    most = max(column.numbers)
    if where.word_type in _SIGNED and most < 2.0 ** (_SIGNED[where.word_type] - 1):
        return bits - _SAFER_BITS
    if where.word_type in _UNSIGNED and most >= 2.0 ** (_UNSIGNED[where.word_type] - 1):
        return bits - _SAFER_BITS
    return bits


def _none_bits(readings: Sequence[Reading], count: int) -> float:
    most = max(max(abs(reading.value), reading.resolution) for reading in readings)
    chance = -math.log2(_NONE_SHARE) - math.log2(max(1, count))
    return chance + len(readings) * math.log2(2.0 * most)


def _grouped(candidates: Sequence[Candidate], resolution: float) -> list[list[Candidate]]:
    groups: list[list[Candidate]] = []
    for candidate in candidates:
        for group in groups:
            if tied(group[0], candidate, resolution):
                group.append(candidate)
                break
        else:
            groups.append([candidate])
    return groups


def tied(first: Candidate, other: Candidate, resolution: float) -> bool:
    """Tell whether two candidates show the same at every sample, so that no reading taken can tell them apart.

    The same: within half of the display's last digit, or as a count of either is rounded or cut off. Lines with
    different offsets meet anywhere twice, and so only tie where enough different numbers agree to a count.

    Args:
        first: One.
        other: The other; a second line through the same numbers never ties.
        resolution: [unit] What the display's last digit counts.
    """
    if first.numbers == other.numbers and first.where.word_type.of_floats == other.where.word_type.of_floats:
        return first.scale == other.scale and first.offset == other.offset
    if abs(first.fit_bits - other.fit_bits) > _TIE_FIT_BITS * len(first.shown):
        return False
    count, least = max(_quantum(first), _quantum(other)), min(_quantum(first), _quantum(other))
    if count > resolution * 1.001:
        return False
    spare = 1e-6 * max(abs(one) for one in first.shown)
    if abs(first.shown[0] - other.shown[0]) > resolution + count:
        return False
    apart = [
        abs(first.scale * a + first.offset - other.scale * b - other.offset)
        for a, b in zip(first.numbers, other.numbers, strict=True)
    ]
    if first.offset != other.offset:
        enough = min(len(set(first.numbers)), len(set(other.numbers))) >= _AGREEING
        return enough and max(apart) <= 0.5 * (count + least) + spare
    return max(apart) <= max(0.5 * resolution, 0.0 if count == least else count) + spare


def _quantum(candidate: Candidate) -> float:
    return 0.0 if candidate.where.word_type.of_floats else abs(candidate.scale)
