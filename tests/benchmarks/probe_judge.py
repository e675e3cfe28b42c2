"""Whether what was found is what the display stands for: by its behaviour over the instrument's whole range. Strict.

The found line is read out of the map's own words at two hundred values from one end of the range to the other, and has
to give each value as well as the true line does, within the display's resolution. It may use no word of anything else.
"""

from dataclasses import dataclass
from typing import Any

from crumbmeter.field.look import Look, Run, reading_of
from crumbmeter.field.ranking import Candidate, Ranking, tied
from crumbmeter.field.spec import RegisterSpec, Table
from crumbmeter.field.words import decode_words
from tests.benchmarks.probe_maps import Map, Point, whole_range


def looks_of(drawn: Map) -> list[Look]:
    """What a survey of the device would have brought: words, and the text that a person typed."""
    table = Table(drawn.table)
    found = []
    for look, shown in enumerate(drawn.shown):
        images = [tuple(drawn.image(look, sample)) for sample in range(drawn.samples)]
        samples = tuple(cut(table, drawn.first, image) for image in images)
        found.append(Look(samples, tuple(reading_of(f"{one} {drawn.unit}") for one in shown)))
    return found


def cut(table: Table, first: int, image: tuple[int, ...]) -> tuple[Run, ...]:
    """One run for all: a block boundary inside a value is another test's matter."""
    return (Run(table, first, image),)


def truly(drawn: Map, found: Candidate, *, multiples: bool = False) -> bool:
    """Tell whether a candidate gives the displayed value over the whole range.

    Args:
        drawn: The map.
        found: The candidate.
        multiples: Also where it makes it, as well as the true line does, from the same value in another unit.
    """
    if found.where.table.value != drawn.table:
        return False
    points = [*drawn.truth, *drawn.multiples] if multiples else drawn.truth
    return any(_gives(drawn, point, found) for point in points)


def _gives(drawn: Map, point: Point, found: Candidate) -> bool:
    assert point.codec is not None
    first, end = found.where.address, found.where.address + found.where.words
    own = range(point.address, point.address + point.count)
    inside = [address for address in range(first, end) if address in own]
    beside = [address for address in range(first, end) if address not in own]
    if not inside or not all(_always_zero(drawn, address) for address in beside):
        return False
    register = RegisterSpec(found.where.table, 0, found.where.word_type, found.where.order)
    true = drawn.target.codec
    assert true is not None
    allowed = 0.5 * (drawn.resolution + min(true.quantum, drawn.resolution)) + 1e-6 * abs(drawn.high)
    if point in drawn.truth:
        allowed = max(allowed, 0.5 * (drawn.resolution + point.codec.quantum) + 1e-6 * abs(drawn.high))
    for value in whole_range(drawn):
        words = point.codec.words(value * point.factor)
        got = [words[address - point.address] if address in own else 0 for address in range(first, end)]
        if not abs(found.scale * decode_words(register, got) + found.offset - value) <= allowed:
            return False
    return True


def _always_zero(drawn: Map, address: int) -> bool:
    """Tell whether a word is an unused one of the map, or the front of nothing but zeros."""
    for point in drawn.points:
        if point.address <= address < point.address + point.count:
            return point.label == "constant" and point.words(0, 0)[address - point.address] == 0
    return True


@dataclass(frozen=True)
class Score:
    """What one map came to."""

    number: int
    first_itself: bool
    """The very first line is right over the whole range."""
    first_group: bool
    """A right one is among those that no reading taken can tell from the first."""
    first_multiple: bool
    """One of these makes it, as well as the true line does, of the same value in another unit."""
    first_three: bool
    tie_lines: int
    tie_places: int
    """Different addresses in the first group."""
    justified: bool
    """All of the first group show the same at everything seen."""
    rank: int
    """Of the group with a right line; 0: none."""
    share: float
    truth: dict[str, Any]
    first: dict[str, Any]


def score(number: int, drawn: Map, ranking: Ranking) -> Score:
    """Judge a ranking."""
    ranks = [
        place for place, group in enumerate(ranking.groups, 1) if any(truly(drawn, one) for one in group.candidates)
    ]
    place = ranks[0] if ranks else 0
    ties = ranking.groups[0].candidates if ranking.groups else ()
    target = drawn.target
    assert target.codec is not None
    return Score(
        number, bool(ties) and truly(drawn, ties[0]), place == 1,
        any(truly(drawn, one, multiples=True) for one in ties), 1 <= place <= 3, len(ties),
        len({one.where.address for one in ties}), all(tied(ties[0], one, drawn.resolution) for one in ties[1:]), place,
        round(ranking.groups[0].share, 4) if ranking.groups else 0.0,
        {
            "address": target.address, "type": target.codec.kind, "order": target.codec.order,
            "scale": target.codec.scale, "offset": target.codec.offset, "shown": drawn.shown, "unit": drawn.unit,
            "range": [drawn.low, drawn.high], **drawn.traits,
        },
        _told(ties[0]) if ties else {},
    )  # fmt: skip


def _told(one: Candidate) -> dict[str, Any]:
    where = one.where
    return {
        "address": where.address, "type": where.word_type.value, "order": where.order.value, "scale": one.scale,
        "offset": one.offset, "bits": round(one.bits, 2), "fit_bits": round(one.fit_bits, 2),
    }  # fmt: skip
