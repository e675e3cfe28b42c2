"""Arithmetic of a batch: what its weighed masses come to, and how far a counter has gone. Masses in kg. Pure."""

from collections.abc import Sequence

from crumbmeter.process.dose import Mix, dry_rate
from crumbmeter.process.params import IngredientParams, StreamKind


def mix_of_masses(ingredients: Sequence[IngredientParams], masses_kg: Sequence[float]) -> Mix:
    """Return the parts of the batch that these weighed masses make.

    Args:
        ingredients: What each mass is of.
        masses_kg: [kg] As weighed: hot-bin weights are dry, RAP is mostly wet. Below zero counts as nothing.
    """
    dry = recycle = recycle_binder = binder = 0.0
    for ingredient, weighed_kg in zip(ingredients, masses_kg, strict=True):
        mass_kg = dry_rate(max(0.0, weighed_kg), ingredient.moisture)
        if ingredient.kind is StreamKind.BINDER:
            binder += mass_kg
        elif ingredient.kind is StreamKind.RECYCLE:
            recycle += mass_kg
            recycle_binder += mass_kg * ingredient.binder_content
        else:
            dry += mass_kg
    return Mix(dry, recycle, recycle_binder, binder)


def counter_way(before: int, now: int, modulus: int) -> int:
    """[count] Return how far a counter that rolls over has gone; negative where it was set back.

    The shorter way is taken for the true one: a counter of 16 bits tells up to 32767 batches unseen.

    Args:
        before: [count] Earlier value.
        now: [count] Present value.
        modulus: [count] Where it rolls over: one more than its highest value.
    """
    way = (now - before) % modulus
    return way if way <= modulus // 2 else way - modulus


def release_s(mass_kg: float, rate_kg_s: float, travel_s: float, tail_s: float) -> float:
    """[s] Return how long a charge takes from the opening of the valve to its last dust in the pugmill.

    Args:
        mass_kg: [kg] Charge.
        rate_kg_s: [kg/s] Out of the vessel. Positive.
        travel_s: [s] Of the line.
        tail_s: [s] What the last dust takes beyond it.
    """
    return mass_kg / rate_kg_s + travel_s + tail_s
