"""Answer about moistures that came late: what they change in mix already made, in rows of their own."""

from itertools import groupby
from typing import Final

from crumbmeter.ledger import events
from crumbmeter.process.params import StreamKind
from crumbmeter.qc.booked import Booked
from crumbmeter.qc.moisture import Correction, Material, MoistureEntry, corrections, read
from crumbmeter.qc.said import Subject
from crumbmeter.report.document import Column, Document, Table, number, time
from crumbmeter.report.figures import moment
from crumbmeter.report.frame import percent
from crumbmeter.report.sources import Sources, Span

NEVER_US: Final = 1 << 62
"""[us] Control has never heard of what was only said for the quality record."""
NOTE: Final = (
    "Parcels stay as they were booked; these rows stand beside them. Of several streams of one material each has "
    "the share of its normal flow. The travel from the scale to the outlet is not taken off."
)


def moistures(sources: Sources, span: Span, _about: str) -> Document:
    """List what late moistures change in the mix of a period."""
    frame = sources.frame(span)
    params = sources.site.params
    initial = {stream.stream_id: stream.moisture for stream in params.streams if stream.wet}
    found = corrections(list(sources.parcels(span)), _entries(sources), initial, _shares(sources))
    columns = (
        Column("stream"), number("entry"), number("used", "percent of dry mass", 2),
        number("right", "percent of dry mass", 2), number("first parcel"), number("last parcel"), number("parcels"),
        number("dry aggregate", "g"), number("dry recycle", "g"), number("dose as booked", "percent", 3),
        number("dose corrected", "percent", 3),
    )  # fmt: skip

    def alike(one: Correction) -> tuple[str, int, float, float]:
        return one.stream_id, one.entry_seq, one.used_fraction, one.right_fraction

    rows = [
        (
            key[0], key[1] or None, 100.0 * key[2], 100.0 * key[3], group[0].parcel, group[-1].parcel, len(group),
            sum(one.dry_aggregate_change_g for one in group), sum(one.recycle_change_g for one in group),
            _mean([one.dose_booked for one in group]), _mean([one.dose_corrected for one in group]),
        )
        for key, group in ((key, list(some)) for key, some in groupby(sorted(found, key=alike), key=alike))
    ]  # fmt: skip
    told = (time("holds from"), Column("stream"), number("moisture", "percent of dry mass", 2), Column("by"))
    entries = Table(
        "Moistures on record",
        told,
        [
            (moment(one.effective_us, frame.zone), one.stream_id, 100.0 * one.fraction, one.who)
            for one in sorted(_entries(sources), key=lambda one: one.effective_us)
            if one.effective_us < span.before_us
        ],
    )
    blocks = (Table("Corrections", columns, rows, NOTE), entries)
    return frame.document("moistures", "Moistures that came late", frame.span(span.from_us, span.before_us), blocks)


def _mean(doses: list[float | None]) -> float | None:
    known = [one for one in doses if one is not None]
    return percent(sum(known) / len(known)) if known else None


def _entries(sources: Sources) -> list[MoistureEntry]:
    """Return the moistures of both records. Those entered at the desk were used by control from then on."""
    materials = _materials(sources)
    found = [
        MoistureEntry(one.stream_id, one.material, one.fraction, one.effective_us, NEVER_US, one.who, one.seq)
        for one in map(read, sources.said.of(Subject.MOISTURE))
    ]
    for one in events.iterate(sources.reader):
        stream, fraction = str(one.event.get("stream")), one.event.get("fraction")
        if one.event.name != "moisture_entered" or not isinstance(fraction, int | float) or stream not in materials:
            continue
        since_s = one.event.get("since_s")
        back_us = round(float(since_s) * 1e6) if isinstance(since_s, int | float) else 0
        at_us = one.stored.wall_us
        who = str(one.event.get("who"))
        found.append(MoistureEntry(stream, materials[stream], float(fraction), at_us - back_us, at_us, who))
    return found


def _materials(sources: Sources) -> dict[str, Material]:
    kinds = {StreamKind.AGGREGATE: Material.AGGREGATE, StreamKind.RECYCLE: Material.RECYCLE}
    return {stream.stream_id: kinds[stream.kind] for stream in sources.site.params.streams if stream.kind in kinds}


class _Share:
    """Tells a stream's share of its material, by the plant's normal flows."""

    def __init__(self, shares: dict[str, float]) -> None:
        self._shares = shares

    def __call__(self, _booked: Booked, stream_id: str) -> float:
        """Return the share; 1 for a stream that is alone or unknown."""
        return self._shares.get(stream_id, 1.0)


def _shares(sources: Sources) -> _Share:
    materials = _materials(sources)
    flows = {
        stream.stream_id: flow
        for stream, flow in zip(sources.site.params.streams, sources.site.normal.flows_kg_s, strict=True)
        if stream.stream_id in materials and flow is not None
    }
    sums: dict[Material, float] = {}
    for stream_id, flow in flows.items():
        sums[materials[stream_id]] = sums.get(materials[stream_id], 0.0) + flow
    return _Share({stream_id: flow / sums[materials[stream_id]] for stream_id, flow in flows.items() if flow > 0.0})
