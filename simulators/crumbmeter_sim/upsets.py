"""What goes wrong with the material: one belt's gate shut, binder held back, fines of the bag-house, a drum dumped."""

from collections.abc import Callable
from typing import TYPE_CHECKING

from crumbmeter_sim import drum as d
from crumbmeter_sim.verbs import Step

if TYPE_CHECKING:
    from crumbmeter_sim.plant import Plant
    from crumbmeter_sim.rig import Rig


class Fines:
    """Virgin fines that leave the drum with the air, are kept in the bag-house, and may come back in a surge."""

    def __init__(self) -> None:
        self.kept_kg = 0.0
        """[kg] In the bag-house now."""
        self.share = 0.0
        """Of the virgin material that passes the injection point: positive is lost to the air, negative comes back."""

    def take(self, virgin_kg: float) -> float:
        """Let virgin material [kg] pass; return what of it is in the mix."""
        lost_kg = max(self.share * virgin_kg, -self.kept_kg)
        self.kept_kg += lost_kg
        return virgin_kg - lost_kg


class Dumped:
    """What was dumped from the drum onto the ground, by component."""

    def __init__(self) -> None:
        self.before = [0.0] * 6
        self.after = [0.0] * 8

    def dump(self, plant: "Plant", share: float) -> None:
        """Take a share of every cell out of the drum."""
        plant.mixes.dump(share)
        for rows, heap in ((plant.drum.before, self.before), (plant.drum.after, self.after)):
            for component, row in enumerate(rows):
                heap[component] += share * sum(row)
                rows[component] = [kg * (1.0 - share) for kg in row]

    @property
    def dry_kg(self) -> float:
        """[kg] Aggregate, recycle and binder on the ground."""
        before = sum(self.before[i] for i in (d.VIRGIN, d.RECYCLE, d.CARRIED))
        return before + sum(self.after[i] for i in (d.A_VIRGIN, d.A_RECYCLE, d.A_CARRIED, d.A_BINDER))


def _gate(*, shut: bool) -> "Upset":
    def do(rig: "Rig", step: Step) -> None:
        for belt in rig.plant.belts:
            if belt.name == step.values["belt"]:
                belt.gate_shut = shut
                return
        raise KeyError(f"no belt named {step.values['belt']!r} (have: {', '.join(b.name for b in rig.plant.belts)})")

    return do


def _binder(*, held: bool) -> "Upset":
    def do(rig: "Rig", _: Step) -> None:
        rig.plant.binder.held = held

    return do


def _fines(rig: "Rig", step: Step) -> None:
    rig.plant.fines.share = step.values.get("percent", 0.0) / 100.0


def _dump(rig: "Rig", step: Step) -> None:
    if rig.plant.drum.running:
        raise ValueError(f"t_s = {step.t_s:g}: a drum is dumped while it stands; stop it first (drum_stop)")
    rig.plant.dumped.dump(rig.plant, step.values["percent"] / 100.0)


Upset = Callable[["Rig", Step], None]

UPSETS: dict[str, Upset] = {
    "gate_shut": _gate(shut=True),
    "gate_open": _gate(shut=False),
    "binder_held": _binder(held=True),
    "binder_back": _binder(held=False),
    "fines": _fines,
    "fines_even": _fines,
    "dump_drum": _dump,
}
