"""Material on its way over a grid of time: along a belt, through a drum, past an instrument.

The drum is a chain of stirred stages (Levenspiel, tanks in series) of which a part may be left over: `n + f` stages are
n whole ones and one of the share f in front. Each stage is solved exactly for an inflow that is even within a cell, so
that its mean residence is exact whatever the cell's length; the spread grows by cell^2 / 6 in each stage (derived).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp

SLOWEST, FASTEST = 0.3, 2.0
"""Limits of how much the load may change a drum's pace."""


def off_belt(mass_kg: Sequence[float], moved_m: Sequence[float], length_m: float) -> list[float]:
    """Return what leaves a belt in each cell [kg]; a belt that stands keeps what lies on it.

    Args:
        mass_kg: [kg] Laid on it in each cell.
        moved_m: [m] Way of the belt in each cell.
        length_m: [m] Its length.
    """
    left: list[float] = []
    # Material laid within cell j lies between ends[j] and ends[j + 1]; `gone` is how far the far end has come.
    ends = [0.0]
    for way in moved_m:
        ends.append(ends[-1] + way)
    cell, taken = 0, 0.0
    for end in ends[1:]:
        limit, out = end - length_m, 0.0
        while cell < len(mass_kg) and ends[cell + 1] <= limit:
            out += mass_kg[cell] * (1.0 - taken)
            cell, taken = cell + 1, 0.0
        if cell < len(mass_kg) and limit > ends[cell]:
            share = (limit - ends[cell]) / (ends[cell + 1] - ends[cell])
            out += mass_kg[cell] * (share - taken)
            taken = share
        left.append(out)
    return left


@dataclass(frozen=True, slots=True)
class Entry:
    """What falls into a drum at one place."""

    part: float
    """Share of the drum's travel that is still to come from there; 1 at its mouth."""
    mass_kg: Sequence[float]
    rate_kg_s: float
    """[kg/s] Mean while material flows: the load that the residence holds for."""


def through_drum(
    entries: Sequence[Entry],
    turned_s: Sequence[float],
    residence_s: float,
    stages: float,
    load_effect: float,
) -> list[float]:
    """Return what leaves a drum in each cell [kg].

    Args:
        entries: What falls in, and where.
        turned_s: [s] Turning of the drum in each cell, as time at nominal speed.
        residence_s: [s] Mean travel from the mouth to the outlet, at the entries' mean rates.
        stages: Stages of the whole way, at least 1.
        load_effect: By how much of itself the pace rises when the content doubles.
    """
    whole = max(1, int(stages))
    over = stages - whole if stages > whole else 0.0
    front = 1 if over > 1e-6 else 0
    places = _places(entries, whole, front, stages)
    reference_kg = sum(entry.rate_kg_s * residence_s * min(1.0, entry.part) for entry in entries)
    content = [0.0] * (front + whole)
    extra = [0.0] * (front + whole)
    total_kg = 0.0
    left: list[float] = []
    for cell, turned in enumerate(turned_s):
        coming_kg = 0.0
        for place, *_ in places:
            extra[place] = 0.0
        for place, share, masses in places:
            extra[place] += share * masses[cell]
            coming_kg += share * masses[cell]
        load = total_kg / reference_kg if reference_kg > 0.0 else 1.0
        pace = min(FASTEST, max(SLOWEST, 1.0 + load_effect * (load - 1.0)))
        progress = stages * turned * pace / residence_s
        out = _cell(content, extra, progress, over if front else 1.0)
        total_kg += coming_kg - out
        left.append(out)
    return left


def _places(
    entries: Sequence[Entry], whole: int, front: int, stages: float
) -> list[tuple[int, float, Sequence[float]]]:
    """Say into which stages each entry falls: between two stages it is shared, so that its mean way is exact."""
    places: list[tuple[int, float, Sequence[float]]] = []
    for entry in entries:
        to_pass = min(1.0, max(0.0, entry.part)) * stages
        if front and to_pass > whole:
            share = (to_pass - whole) / (stages - whole)
            places += [(0, share, entry.mass_kg), (1, 1.0 - share, entry.mass_kg)]
            continue
        to_pass = max(1.0, min(float(whole), to_pass))
        lower = front + whole - int(to_pass)
        share = to_pass - int(to_pass)
        places.append((lower, 1.0 - share, entry.mass_kg))
        if share > 0.0:
            places.append((lower - 1, share, entry.mass_kg))
    return places


def _cell(content: list[float], extra: Sequence[float], progress: float, first: float) -> float:
    """Move the chain on by one cell in place; return what left it [kg].

    Args:
        content: [kg] In each stage.
        extra: [kg] What falls into each stage in this cell.
        progress: Cell over the residence of a whole stage; 0 holds everything.
        first: Share of a whole stage that the first one is.
    """
    if progress <= 1e-12:
        for place, more in enumerate(extra):
            content[place] += more
        return 0.0
    quick = progress / first
    keep = exp(-quick)
    rest = content[0] * keep + extra[0] * (1.0 - keep) / quick
    moving = content[0] + extra[0] - rest
    after = [rest]
    keep = exp(-progress)
    stay = (1.0 - keep) / progress
    for held, more in zip(content[1:], extra[1:], strict=True):
        moving += more
        rest = held * keep + moving * stay
        after.append(rest)
        moving += held - rest
    content[:] = after
    return moving


def at_ends(means: Sequence[float]) -> list[float]:
    """Make of means over cells the values at the ends of the cells."""
    return [0.5 * (value + after) for value, after in zip(means, [*means[1:], means[-1]], strict=True)]


def later(values: Sequence[float], delay_s: float, cell_s: float) -> list[float]:
    """Shift a series by a delay that need not be a whole number of cells; its first value stands before it."""
    cells = delay_s / cell_s
    whole = int(cells)
    part = cells - whole
    padded = [values[0]] * (whole + 1) + list(values)
    return [(1.0 - part) * padded[place + 1] + part * padded[place] for place in range(len(values))]


def lagged(values: Sequence[float], lag_s: float, cell_s: float) -> list[float]:
    """Pass a series through a first-order lag; exact for a line that is straight between the values."""
    if lag_s <= 1e-6:
        return list(values)
    keep = exp(-cell_s / lag_s)
    state = last = values[0]
    out: list[float] = []
    for value in values:
        behind = (value - last) * lag_s / cell_s
        state = value - behind + (state - last + behind) * keep
        last = value
        out.append(state)
    return out
