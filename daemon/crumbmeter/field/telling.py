"""What would tell candidates apart, in words for the person there; and where a manual's address is. Pure."""

import math
from collections.abc import Sequence

from crumbmeter.field.ranking import Candidate, Group, Ranking
from crumbmeter.field.spec import Table
from crumbmeter.model.frozen import dataclass

_SURE_BITS = 10.0
"""A thousand to one."""
_SHIFT_BITS = 12.0
_BOUNDS = {
    "u16": (0.0, 65535.0), "i16": (-32768.0, 32767.0), "sm16": (-32767.0, 32767.0), "bcd16": (0.0, 9999.0),
    "u32": (0.0, 4294967295.0), "i32": (-2147483648.0, 2147483647.0), "sm32": (-2147483647.0, 2147483647.0),
    "bcd32": (0.0, 99999999.0),
}  # fmt: skip
"""[count] What whole numbers of each type can say; the others have no bound that a plant reaches."""


@dataclass(frozen=True, slots=True)
class Telling:
    """What to do to tell one candidate from another."""

    first: Candidate
    other: Candidate
    do: str


@dataclass(frozen=True, slots=True)
class Shift:
    """Where a value stands, seen from the address that a manual gives."""

    step: int
    """-1, 0 or 1 addresses beside it."""
    candidate: Candidate


def between_ties(group: Group, unit: str) -> tuple[Telling, ...]:
    """Say for each tie of a group what would tell it from the group's first."""
    first = group.candidates[0]
    return tuple(Telling(first, other, _to_do(first, other, unit)) for other in group.candidates[1:])


def _to_do(first: Candidate, other: Candidate, unit: str) -> str:
    if not _meet(first, other):
        if first.scale != other.scale and first.offset == other.offset:
            return "look while the load changes or falls; where both then still agree, either will do"
        return "a copy: look while the value changes or falls, or while the display is held; a live one follows at once"
    if first.where.word_type.of_floats or other.where.word_type.of_floats:
        return "look at more loads: the halves of another value agree only by chance"
    low, high = _reach(first)
    other_low, other_high = _reach(other)
    words = []
    if _differ(high, other_high):
        words.append(f"go above {_at(first, min(high, other_high))}{unit and ' ' + unit}")
    if _differ(low, other_low):
        words.append(f"go below {_at(first, max(low, other_low))}{unit and ' ' + unit}")
    return " or ".join(words) or "no reading can: both mean the same over all that they can say"


def _differ(one: float, other: float) -> bool:
    """Tell whether two bounds are unlike enough to be met: -32768 and -32767 are not."""
    return abs(one - other) > 1.0 if math.isfinite(one) and math.isfinite(other) else one != other


def _reach(candidate: Candidate) -> tuple[float, float]:
    return _BOUNDS.get(candidate.where.word_type.value, (-math.inf, math.inf))


def _at(candidate: Candidate, raw: float) -> str:
    return f"{candidate.scale * raw + candidate.offset:.10g}"


def _meet(first: Candidate, other: Candidate) -> bool:
    """Tell whether two candidates share a word."""
    one, two = first.where, other.where
    apart = one.address >= two.address + two.words or two.address >= one.address + one.words
    return one.table is two.table and not apart


def more_readings(ranking: Ranking, values: Sequence[float]) -> int:
    """Return how many more readings, at other loads, would leave the first group a thousand to one ahead; 0: none.

    Args:
        ranking: What the looks say.
        values: [unit] All readings so far.
    """
    if not ranking.groups:
        return 1
    rest = max(1.0 - ranking.groups[0].share, 1e-12)
    lead_bits = math.log2(max(ranking.groups[0].share, 1e-12) / rest)
    first = ranking.groups[0].candidates[0]
    each_bits = math.log2(2.0 * max(abs(value) for value in values) or 1.0) - first.fit_bits / len(values)
    if lead_bits >= _SURE_BITS:
        return 0
    return max(1, math.ceil((_SURE_BITS - lead_bits) / max(2.0, each_bits)))


def shifts(ranking: Ranking, table: Table, offset: int) -> tuple[Shift, ...]:
    """Find the likeliest candidate at an address, and one beside it either way; the likeliest first.

    Args:
        ranking: What the looks say; of a single look it is enough, since only three places are asked about.
        table: Which table the manual names.
        offset: PDU offset that the manual's address means where it is taken at its word.
    """
    found: dict[int, Candidate] = {}
    for group in ranking.groups:
        for candidate in group.candidates:
            step = candidate.where.address - offset
            if candidate.where.table is table and abs(step) <= 1:
                kept = found.get(step)
                if kept is None or candidate.bits < kept.bits:
                    found[step] = candidate
    ordered = sorted(found.items(), key=lambda item: item[1].bits)
    if not ordered:
        return ()
    best = ordered[0][1].bits
    return tuple(Shift(step, candidate) for step, candidate in ordered if candidate.bits <= best + _SHIFT_BITS)
