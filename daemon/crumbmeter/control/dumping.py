"""A share of the drum goes to the ground: it is booked as wasted, and the model no longer holds it (derived here).

What lay behind the injection point has its rubber, what lay before it has none yet; belts keep what is on them. What is
owed to mix that has gone is owed no more. The mix that waits before the injection point is less too, and rubber in the
line is then too much for it: trim finds that by itself, from the paths.
"""

from crumbmeter.control.outlet import MASS_PARTS, RUBBER
from crumbmeter.control.state import State
from crumbmeter.model.frozen import dataclass, replace
from crumbmeter.process.path import PathState

LEAST_SHARE = 0.01
"""Less than one hundredth of a drum is not worth a word, and most likely an entry error: 0.5 for 50."""


@dataclass(frozen=True, slots=True)
class Heap:
    """What lies on the ground, in whole grams."""

    mix_g: int
    """All of it, with its rubber."""
    rubber_g: int


def dump(state: State, share: float) -> tuple[State, Heap]:
    """Take a share out of all that the drum holds.

    Args:
        state: Before.
        share: 0 to 1, the same everywhere in the drum.
    """
    kept = 1.0 - share
    stages, plant = state.outlet.stages, state.plant
    # Material of older mixes, while a change of mix is under way, lies in the drum beside that of the newest.
    all_paths = (plant.paths, *(older.paths for older in plant.mixes.leaving))
    before_kg = sum(sum(path.drum) for paths in all_paths for path in paths)
    leaving = tuple(replace(older, paths=_less(older.paths, kept)) for older in plant.mixes.leaving)
    heap = Heap(
        mix_g=round(1000.0 * share * (before_kg + sum(sum(stages[part]) for part in MASS_PARTS))),
        rubber_g=round(1000.0 * share * sum(stages[RUBBER])),
    )
    gone_kg = share * state.feed.balance_kg
    after = replace(
        state,
        plant=replace(plant, paths=_less(plant.paths, kept), mixes=replace(plant.mixes, leaving=leaving)),
        outlet=replace(state.outlet, stages=tuple(tuple(kept * kg for kg in part) for part in stages)),
        feed=replace(
            state.feed, balance_kg=state.feed.balance_kg - gone_kg, forgotten_kg=state.feed.forgotten_kg + gone_kg
        ),
        totals=replace(
            state.totals, wasted_mix_g=state.totals.wasted_mix_g + heap.mix_g,
            wasted_rubber_g=state.totals.wasted_rubber_g + heap.rubber_g,
        ),
    )  # fmt: skip
    return after, heap


def _less(paths: tuple[PathState, ...], kept: float) -> tuple[PathState, ...]:
    return tuple(replace(path, drum=tuple(kept * kg for kg in path.drum)) for path in paths)
