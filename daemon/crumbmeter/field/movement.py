"""What moves: registers over the samples of a look, and what of their decodings is worth showing. Pure."""

import math
from collections.abc import Sequence
from enum import StrEnum
from itertools import pairwise

from crumbmeter.field.spec import WordType
from crumbmeter.field.views import WordView, views
from crumbmeter.model.frozen import dataclass

_LEAST_FLOAT, _MOST_FLOAT = 1e-4, 1e9
_MOST_WHOLE = {2: 10**8, 4: 10**12}
"""By words: a larger whole number is what other values look like in a wrong type."""
_NOT_SHOWN = ("text",)


class Movement(StrEnum):
    """How a word behaved."""

    STILL = "still"
    COUNTS_UP = "counts up"
    MOVES = "moves"
    JUMPS = "jumps"
    """All over its range: the low half of a float, or of a long count."""


@dataclass(frozen=True, slots=True)
class Moved:
    """One address over all samples."""

    movement: Movement
    least: int
    most: int


_JUMP = 0x2000


def movement_of(words: Sequence[int]) -> Moved:
    """Judge one word over the samples, in their order."""
    least, most = min(words), max(words)
    steps = [after - before for before, after in pairwise(words)]
    if least == most:
        return Moved(Movement.STILL, least, most)
    if max(abs(step) for step in steps) >= _JUMP:
        return Moved(Movement.JUMPS, least, most)
    if min(steps) >= 0 and sum(step > 0 for step in steps) >= 2:
        return Moved(Movement.COUNTS_UP, least, most)
    return Moved(Movement.MOVES, least, most)


def plausible_views(words: Sequence[int]) -> tuple[WordView, ...]:
    """Read words in every way of their count, and keep what could be meant.

    Dropped: floats of a size that no instrument gives, long counts beyond a hundred million, digits that are none, and
    a signed reading that says the same as the unsigned one.

    Args:
        words: One, two or four.
    """
    kept: list[WordView] = []
    for view in views(words):
        value = view.value
        if view.word_type in _NOT_SHOWN or value is None or isinstance(value, str):
            continue
        if WordType(view.word_type).of_floats:
            if value == 0.0 or not _LEAST_FLOAT <= abs(value) <= _MOST_FLOAT or not math.isfinite(value):
                continue
        elif len(words) > 1 and (abs(value) >= _MOST_WHOLE[len(words)] or value == 0):
            continue
        same = any(one.order == view.order and one.value == value and not _of_floats(one) for one in kept)
        if not same or _of_floats(view):
            kept.append(view)
    return tuple(kept)


def _of_floats(view: WordView) -> bool:
    return WordType(view.word_type).of_floats
