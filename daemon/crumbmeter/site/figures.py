"""What a mix comes to at a plant rate: used by the checks and by the words of `check`. Pure."""

from collections.abc import Iterable
from dataclasses import dataclass

from crumbmeter.process.dose import Mix, rubber_for, virgin_binder_for
from crumbmeter.process.params import DoseBasis, StreamKind, StreamParams
from crumbmeter.site.keys.batch import IngredientKeys


@dataclass(frozen=True, slots=True)
class DryFlow:
    """One stream without its water."""

    kind: StreamKind
    dry_kg_s: float
    binder_content: float
    """Fraction of dry mass."""


def normal_flows(streams: Iterable[StreamParams], flows_kg_s: Iterable[float | None]) -> list[DryFlow]:
    """Return what enters the mix from each stream at the plant's normal rate.

    Args:
        streams: Of the site.
        flows_kg_s: [kg/s] As their scales indicate it; None for binder.
    """
    return [
        DryFlow(stream.kind, stream.entering(flow), stream.binder_content)
        for stream, flow in zip(streams, flows_kg_s, strict=True)
        if flow is not None
    ]


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


def normal_batch(parts: Iterable[IngredientKeys], mix_kg: float, total_binder_content: float) -> Mix:
    """Return the parts [kg] of a batch of so much mix without rubber.

    Args:
        parts: Ingredients, each solid with its share.
        mix_kg: [kg] Mix without rubber.
        total_binder_content: Total binder as a fraction of it.
    """
    shares = [
        DryFlow(StreamKind(part.kind), (part.share_percent or 0.0) / 100.0, (part.binder_percent or 0.0) / 100.0)
        for part in parts
        if part.kind != "binder"
    ]
    whole = mix_of(shares, total_binder_content)
    factor = mix_kg / whole.total if whole.total > 0.0 else 0.0
    return Mix(
        whole.dry_aggregate * factor, whole.recycle * factor, whole.recycle_binder * factor,
        whole.virgin_binder * factor,
    )  # fmt: skip


def scaled(flows: Iterable[DryFlow], factor: float) -> list[DryFlow]:
    """Return the streams at another plant rate."""
    return [DryFlow(flow.kind, flow.dry_kg_s * factor, flow.binder_content) for flow in flows]


def rubber_kg_s(flows: Iterable[DryFlow], total_binder_content: float, basis: DoseBasis, dose: float) -> float:
    """[kg/s] Return the rubber that a dose asks for at these flows."""
    return rubber_for(basis, dose, mix_of(flows, total_binder_content))
