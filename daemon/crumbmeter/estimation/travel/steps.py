"""Steps in what was fed: without one there is nothing to see arrive."""

from collections.abc import Sequence
from dataclasses import dataclass

LEAST_SHARE = 0.08
"""A change of less than this share of the usual rate is no step."""


@dataclass(frozen=True, slots=True)
class Step:
    """One change of a rate."""

    at_cell: int
    before: float
    after: float
    kind: str
    """start, stop or rate."""


def steps_in(
    rate: Sequence[float], settle_cells: int, reach_cells: int, least_share: float = LEAST_SHARE
) -> list[Step]:
    """Find the steps of a rate that was steady enough before and after.

    Args:
        rate: Per cell.
        settle_cells: A change takes up to this long; it is the length of the means before and after, too.
        reach_cells: So much of the record must follow a step, or its arrival is not in it.
        least_share: A change of less than this share of the usual rate is none.
    """
    usual = _usual(rate)
    if usual <= 0.0:
        return []
    sums = [0.0]
    for value in rate:
        sums.append(sums[-1] + value)
    span = max(1, settle_cells)
    changes = []
    for cell in range(span, len(rate) - 2 * span + 1):
        before = (sums[cell] - sums[cell - span]) / span
        after = (sums[cell + 2 * span] - sums[cell + span]) / span
        changes.append((abs(after - before), cell, before, after))
    found: list[Step] = []
    taken: list[int] = []
    for size, cell, before, after in sorted(changes, key=lambda change: (-change[0], change[1])):
        if size < least_share * usual:
            break
        if all(abs(cell - other) > 2 * span for other in taken):
            taken.append(cell)
            if cell + reach_cells <= len(rate):
                low = LEAST_SHARE * usual
                kind = "start" if before < low else "stop" if after < low else "rate"
                found.append(Step(cell, before, after, kind))
    return sorted(found, key=lambda step: step.at_cell)


def _usual(rate: Sequence[float]) -> float:
    """Return the mean while it flows."""
    highest = max(rate, default=0.0)
    flowing = [value for value in rate if value > 0.1 * highest]
    return sum(flowing) / len(flowing) if flowing and highest > 0.0 else 0.0


def in_words(steps: Sequence[Step]) -> str:
    """Count them by kind."""
    if not steps:
        return "no usable step"
    names = {"start": ("start", "starts"), "stop": ("stop", "stops"), "rate": ("rate change", "rate changes")}
    parts = []
    for kind, (one, more) in names.items():
        number = sum(step.kind == kind for step in steps)
        if number:
            parts.append(f"{number} {one if number == 1 else more}")
    return ", ".join(parts)
