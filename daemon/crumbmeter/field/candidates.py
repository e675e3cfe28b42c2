"""Every way in which the words of some looks can be numbers: columns of raw numbers, one for each decoding. Pure.

Whole stretches are unpacked at once, in each type and order; decodings that give the same numbers in every sample are
one column, since nothing that was read can tell them apart.
"""

import struct
from collections.abc import Callable, Iterator, Sequence

from crumbmeter.field.look import Stretch
from crumbmeter.field.spec import ByteOrder, Table, WordType
from crumbmeter.field.words_codes import DECIMAL, digits_number
from crumbmeter.model.frozen import dataclass

_WITHIN_AND_WHOLE = {
    ByteOrder.ABCD: (">", ">"),
    ByteOrder.CDAB: ("<", "<"),
    ByteOrder.BADC: ("<", ">"),
    ByteOrder.DCBA: (">", "<"),
}
_NATIVE = {
    1: ((WordType.U16, "H"), (WordType.I16, "h")),
    2: ((WordType.U32, "I"), (WordType.I32, "i"), (WordType.F32, "f")),
    4: ((WordType.U64, "Q"), (WordType.I64, "q"), (WordType.F64, "d")),
}
"""By how many words: types with the letters of the struct module."""
_CODED = {1: (WordType.BCD16, WordType.SM16), 2: (WordType.BCD32, WordType.SM32), 4: ()}
_LEAST_FLOAT, _MOST_FLOAT = 1e-9, 1e12
"""Floats beyond these are what other words look like, unless they are zero."""
Numbers = tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Decoding:
    """One way to read one place."""

    table: Table
    address: int
    """PDU offset."""
    word_type: WordType
    order: ByteOrder

    @property
    def words(self) -> int:
        """Count its addresses."""
        return self.word_type.words


@dataclass(frozen=True, slots=True)
class Column:
    """Raw numbers of all samples, and every decoding that gives exactly these."""

    of_floats: bool
    numbers: Numbers
    decodings: tuple[Decoding, ...]


def columns(found: Sequence[Stretch], *, constants: bool = False) -> tuple[Column, ...]:
    """Decode all stretches in every way.

    Args:
        found: What the looks have in common.
        constants: Also those that are the same in every sample.
    """
    kept: dict[tuple[bool, Numbers], list[Decoding]] = {}
    done: list[Stretch] = []
    for stretch in found:
        shared = [other.address + len(other.rows[0]) for other in done if other.table is stretch.table]
        known_end = max(shared, default=0)
        for word_type, order, of_floats, decoded in _decoded(stretch.rows):
            first = max(0, known_end - stretch.address - word_type.words + 1)
            for at, numbers in enumerate(zip(*decoded, strict=True)):
                if at >= first and (constants or numbers.count(numbers[0]) != len(numbers)):
                    _keep(kept, of_floats, numbers, Decoding(stretch.table, stretch.address + at, word_type, order))
        done.append(stretch)
    return tuple(Column(of_floats, numbers, tuple(places)) for (of_floats, numbers), places in kept.items())


def _keep(
    kept: dict[tuple[bool, Numbers], list[Decoding]], of_floats: bool, numbers: Sequence[float | None], where: Decoding
) -> None:
    if None in numbers:
        return
    whole: Numbers = tuple(numbers)  # type: ignore[arg-type]
    if of_floats and not _sane(whole):
        return
    kept.setdefault((of_floats, whole), []).append(where)


def _sane(numbers: Numbers) -> bool:
    """Tell whether floats can be meant: finite, and of a size that instruments give. NaN fails every comparison."""
    return all(_LEAST_FLOAT <= abs(number) <= _MOST_FLOAT or number == 0.0 for number in numbers)


def _decoded(
    rows: Sequence[Sequence[int]],
) -> Iterator[tuple[WordType, ByteOrder, bool, list[list[float | None]]]]:
    """Yield type, order and, for each sample, the number at each place."""
    length = len(rows[0])
    for count, kinds in _NATIVE.items():
        if count > length:
            continue
        orders = (ByteOrder.ABCD, ByteOrder.BADC) if count == 1 else tuple(ByteOrder)
        for order in orders:
            within, whole = _WITHIN_AND_WHOLE[order]
            packed = [struct.pack(f"{within}{length}H", *row) for row in rows]
            for word_type, letter in kinds:
                decoded = [_unpacked(data, whole, letter, count) for data in packed]
                yield word_type, order, word_type.of_floats, decoded
            patterns = [_unpacked(data, whole, kinds[0][1], count) for data in packed]
            for word_type in _CODED[count]:
                number = _digits if word_type in DECIMAL else _magnitude(16 * count)
                yield word_type, order, False, [[number(bits) for bits in row] for row in patterns]


def _unpacked(data: bytes, whole: str, letter: str, count: int) -> list[float | None]:
    """Read one sample's words at every place, `count` words each."""
    length = len(data) // 2
    found: list[float | None] = [None] * (length - count + 1)
    for shift in range(count):
        places = (length - shift) // count
        if places:
            found[shift::count] = struct.unpack_from(f"{whole}{places}{letter}", data, 2 * shift)
    return found


def _digits(bits: float | None) -> float | None:
    return None if bits is None else digits_number(int(bits))


def _magnitude(width: int) -> Callable[[float | None], float | None]:
    top = 1 << (width - 1)

    def number(bits: float | None) -> float | None:
        if bits is None:
            return None
        whole = int(bits)
        return top - whole if whole & top else whole

    return number
