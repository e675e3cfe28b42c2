"""What a mix comes to at a plant rate: used by the checks and by the words of `check`. Pure."""

from collections.abc import Iterable
from dataclasses import dataclass

from crumbmeter.process.dose import Mix, rubber_for, virgin_binder_for
from crumbmeter.process.params import DoseBasis, StreamKind


@dataclass(frozen=True, slots=True)
class DryFlow:
    """One stream without its water."""

    kind: StreamKind
    dry_kg_s: float
    binder_content: float
    """Fraction of dry mass."""


def mix_of(flows: Iterable[DryFlow], total_binder_content: float) -> Mix:
    """Return the parts of the mix [kg/s] that these streams make with the binder that the mix asks for.

    Args:
        flows: All streams but the virgin binder.
        total_binder_content: Total binder as a fraction of the mix without rubber.
    """
    aggregate = recycle = recycle_binder = 0.0
    for flow in flows:
        if flow.kind is StreamKind.RECYCLE:
            recycle += flow.dry_kg_s
            recycle_binder += flow.dry_kg_s * flow.binder_content
        elif flow.kind is not StreamKind.BINDER:
            aggregate += flow.dry_kg_s
    return Mix(
        dry_aggregate=aggregate,
        recycle=recycle,
        recycle_binder=recycle_binder,
        virgin_binder=virgin_binder_for(aggregate + recycle, recycle_binder, total_binder_content),
    )


def scaled(flows: Iterable[DryFlow], factor: float) -> list[DryFlow]:
    """Return the streams at another plant rate."""
    return [DryFlow(flow.kind, flow.dry_kg_s * factor, flow.binder_content) for flow in flows]


def rubber_kg_s(flows: Iterable[DryFlow], total_binder_content: float, basis: DoseBasis, dose: float) -> float:
    """[kg/s] Return the rubber that a dose asks for at these flows."""
    return rubber_for(basis, dose, mix_of(flows, total_binder_content))
