"""Electric loads of a feeder: apparent power and current of each, and what they ask of the supply together. Pure.

P = U I cos(phi) for one phase and P = sqrt(3) U I cos(phi) for three with U between phases: definitions. Nothing here
sizes a conductor, a fuse or a motor circuit: local code and a licensed electrician do.
"""

import math

from crumbmeter.model.frozen import dataclass


@dataclass(frozen=True, slots=True)
class Load:
    """One load."""

    name: str
    power_w: float
    """[W] Electric, at full load."""
    voltage_v: float
    """[V] Between phases where there are three."""
    phases: int
    power_factor: float
    duty: float
    """Share of the time in which it runs."""

    @property
    def apparent_va(self) -> float:
        """[VA] Return the apparent power."""
        return self.power_w / self.power_factor

    @property
    def reactive_var(self) -> float:
        """[var] Return the reactive power; all loads are taken as inductive."""
        return math.sqrt(max(0.0, self.apparent_va**2 - self.power_w**2))

    @property
    def current_a(self) -> float:
        """[A] Return the current in each of its conductors."""
        return current(self.apparent_va, self.voltage_v, self.phases)


@dataclass(frozen=True, slots=True)
class Supply:
    """Where the loads are fed from."""

    voltage_v: float
    phases: int
    most_a: float | None
    """[A] What it may give; None: not known."""


@dataclass(frozen=True, slots=True)
class Total:
    """All loads together."""

    connected_w: float
    connected_va: float
    demand_w: float
    """[W] With the diversity that was stated."""
    demand_va: float
    mean_w: float
    """[W] By each load's duty: what the meter counts."""


def current(apparent_va: float, voltage_v: float, phases: int) -> float:
    """[A] Return the current of an apparent power [VA] at a voltage [V], between phases where there are three."""
    return apparent_va / (voltage_v * (math.sqrt(3.0) if phases == 3 else 1.0))


def total(loads: tuple[Load, ...], diversity: float) -> Total:
    """Add up loads; apparent powers are added as vectors.

    Args:
        loads: All of them.
        diversity: Share of the connected load that ever runs at once.
    """
    power_w = math.fsum(load.power_w for load in loads)
    apparent_va = math.hypot(power_w, math.fsum(load.reactive_var for load in loads))
    mean_w = math.fsum(load.power_w * load.duty for load in loads)
    return Total(power_w, apparent_va, power_w * diversity, apparent_va * diversity, mean_w)
