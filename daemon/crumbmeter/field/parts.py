"""What a read request is made of: the values in it, for finding the one that a device refuses (lesson 41). Pure."""

from collections.abc import Mapping, Sequence

from crumbmeter.field.spec import AddressSpan, OutputSpec, ReadPlan, SignalSource
from crumbmeter.model.frozen import dataclass


@dataclass(frozen=True, slots=True)
class Part:
    """Addresses of one block that somebody asked for."""

    address: int
    """PDU offset, counted from 0."""
    count: int
    names: tuple[str, ...]
    """Signals, and outputs that are read back."""


def parts_of(
    plan: ReadPlan, sources: Sequence[SignalSource], outputs: Sequence[OutputSpec]
) -> Mapping[int, tuple[Part, ...]]:
    """Return the parts of each block, by its index, in the order of their addresses."""
    found: dict[int, dict[AddressSpan, list[str]]] = {}
    wanted = [
        (place.block, source.register, source.signal_id) for place, source in zip(plan.signals, sources, strict=True)
    ]
    wanted += [(place.block, output.register, output.role) for place, output in zip(plan.outputs, outputs, strict=True)]
    for block, register, name in wanted:
        found.setdefault(block, {}).setdefault(register.span, []).append(name)
    return {
        block: tuple(
            Part(span.first, span.end - span.first, tuple(names))
            for span, names in sorted(spans.items(), key=lambda item: (item[0].first, item[0].end))
        )
        for block, spans in found.items()
    }
