"""Answers about rubber: the account of a period, and the recall of a bag lot."""

from crumbmeter.control.params import Params
from crumbmeter.estimation.gum import of_limits
from crumbmeter.ledger import events
from crumbmeter.ledger.contents import content_g
from crumbmeter.ledger.period import Span as Period
from crumbmeter.ledger.period import read_period
from crumbmeter.qc.bag_lots import UNKNOWN_LOT, LotsInMix, Supply, lots_in_mix
from crumbmeter.qc.booked import Booked
from crumbmeter.qc.recall import Recall, recall
from crumbmeter.qc.rubber_accounts import Assumed, Fed, Hopper, mass_balance
from crumbmeter.qc.rubber_entries import BagLoad, RubberEntry, bag_load, bag_lots, rubber_entries
from crumbmeter.report import rubber as rubber_report
from crumbmeter.report.answers_trucks import trace_of
from crumbmeter.report.document import Column, Document, Fact, Facts, Table, Text, number, time
from crumbmeter.report.figures import moment
from crumbmeter.report.sources import NoAnswerError, Sources, Span

DAY_US = 86_400_000_000
USED_UP_US = 7 * DAY_US
"""[us] Rubber of a bag is looked for in the mix of so long after its lot's last bag. Ours."""


def rubber(sources: Sources, span: Span, _about: str) -> Document:
    """Account for the rubber of a period."""
    params = sources.site.params
    period = read_period(sources.reader, params, Period(span.from_us, span.before_us))
    if period is None:
        raise NoAnswerError("no mix was booked in that period, so no rubber was fed into any")
    recorded = period.recorded
    bags = bag_loads(sources, span)
    entries = [one for one in rubber_entries(sources.said.holding) if span.from_us <= one.at_us < span.before_us]
    known = params.uncertainty
    fed = Fed(
        rubber_g=round(recorded.rubber_kg * 1000.0),
        weighing_g=recorded.weighing_kg * 1000.0,
        span_share=of_limits(known.hopper_scale.half_width),
        on_the_way_g=recorded.on_the_way_kg * 1000.0,
        dumped_g=round(recorded.dumped_kg * 1000.0),
        parcels=period.parcels,
    )
    account = mass_balance(
        bags, bag_lots(sources.said.holding), fed, _hoppers(sources, params, span), entries,
        Assumed(sources.plan.bags.scale, known.waste.half_width),
    )  # fmt: skip
    mixed = in_mix(sources, span, bags, entries)
    uses = [mixed.use_of(lot) for lot in dict.fromkeys(bag.lot for bag in bags)]
    content = rubber_report.RubberContent(
        span.from_us, span.before_us, account, uses, mixed.short_g, simulated=period.simulated
    )
    return rubber_report.build(sources.frame(span), content)


def bag_loads(sources: Sources, span: Span) -> list[BagLoad]:
    """Return the bags that were loaded in a period."""
    found = events.iterate(sources.reader, from_wall_us=span.from_us, before_wall_us=span.before_us)
    loads = (bag_load(one.event, one.stored.wall_us, one.stored.seq) for one in found)
    return [one for one in loads if one is not None]


def _hoppers(sources: Sources, params: Params, span: Span) -> list[Hopper]:
    names = [signal.signal_id for signal in params.signals]
    weigh = names[params.weighing.hopper_mass]
    hoppers = [_hopper(sources, "weigh hopper", weigh, span, feeds=True)]
    if params.contacts.supply_mass is not None:
        supply = names[params.contacts.supply_mass]
        span_share = of_limits(params.uncertainty.supply_scale.half_width)
        hoppers.append(_hopper(sources, "supply hopper", supply, span, span_share=span_share))
    else:
        hoppers.append(Hopper("supply hopper", None, None))
    return hoppers


def _hopper(
    sources: Sources, name: str, signal_id: str, span: Span, *, span_share: float = 0.0, feeds: bool = False
) -> Hopper:
    opening, closing = (content_g(sources.reader, signal_id, at_us) for at_us in (span.from_us, span.before_us))
    opening, closing = _ends(sources, signal_id, span, opening, closing)
    return Hopper(name, opening, closing, span_share=span_share, feeds=feeds)


def _ends(
    sources: Sources, signal_id: str, span: Span, opening: int | None, closing: int | None
) -> tuple[int | None, int | None]:
    """Take the record's own first and last row where it begins after the period does, or ends before."""
    if opening is not None and closing is not None:
        return opening, closing
    found = list(sources.parcels(span))
    if not found:
        return opening, closing
    first_us, last_us = found[0].began_us, found[-1].ended_us
    return (
        content_g(sources.reader, signal_id, first_us) if opening is None else opening,
        content_g(sources.reader, signal_id, last_us) if closing is None else closing,
    )


def in_mix(sources: Sources, span: Span, bags: list[BagLoad], entries: list[RubberEntry]) -> LotsInMix:
    """Follow the bags of a period into its parcels."""
    params = sources.site.params
    opening_g = sum(one.opening_g or 0 for one in _hoppers(sources, params, span))
    opening = ((UNKNOWN_LOT, opening_g),) if opening_g else ()
    held_g = max([opening_g, *(bag.mass_g for bag in bags)])
    supply = Supply(mixing_g=round(sources.plan.bags.mixing * held_g), opening=opening)
    return lots_in_mix(sources.parcels(span), bags, entries, supply)


def recalled(sources: Sources, _span: Span, about: str) -> Document:
    """Recall one bag lot: mix lots, tickets and projects that have it, surely or possibly."""
    everything = bag_loads(sources, Span(0, 1 << 62))
    own = [one for one in everything if one.lot == about]
    if not own:
        there = ", ".join(dict.fromkeys(one.lot for one in everything)) or "none"
        raise NoAnswerError(f"no bag of lot {about!r} was loaded; lots that were: {there}")
    begin_us = own[0].loaded_us - DAY_US
    span = Span(begin_us, own[-1].loaded_us + USED_UP_US)
    bags = [one for one in everything if span.from_us <= one.loaded_us < span.before_us]
    entries = [one for one in rubber_entries(sources.said.holding) if span.from_us <= one.at_us < span.before_us]
    mixed = in_mix(sources, span, bags, entries)
    use = mixed.use_of(about)
    touched = (*use.surely, *use.possibly)
    if not touched:
        raise NoAnswerError(f"no rubber of lot {about!r} is in any mix yet: its bags are still in the hoppers")
    first_us = min(one.began_us for one in touched)
    last_us = max(one.ended_us for one in touched)
    trace, _ = trace_of(sources, first_us, last_us)
    found = recall(about, mixed, trace, _lot_of(sources, Span(first_us, last_us + 1)))
    return _recall_document(sources, Span(first_us, last_us + 1), found)


def _lot_of(sources: Sources, span: Span) -> "_LotOf":
    return _LotOf([(one.made.first_parcel, one.made.last_parcel, one.lot_id) for one in sources.lots(span)])


class _LotOf:
    """Tells the lot of a parcel."""

    def __init__(self, ranges: list[tuple[int, int, str]]) -> None:
        self._ranges = ranges

    def __call__(self, booked: Booked) -> str:
        """Return its id; empty where it is in none of the lots looked at."""
        number_ = booked.parcel.number
        return next((lot for first, last, lot in self._ranges if first <= number_ <= last), "")


def _recall_document(sources: Sources, span: Span, found: Recall) -> Document:
    frame = sources.frame(span)
    facts = Facts(
        (
            Fact("bags of this lot", found.use.bags),
            Fact("rubber in them", frame.smalls(found.use.loaded_g), frame.small, 1),
            Fact("nominally in mix", frame.smalls(found.use.in_parcels_g), frame.small, 1),
            Fact("nominally still in the hoppers", frame.smalls(found.use.left_g), frame.small, 1),
            Fact("mix that surely has it", frame.tons(found.surely_mix_g), frame.ton, 1),
            Fact("mix that possibly has it", frame.tons(found.possibly_mix_g), frame.ton, 1),
            Fact("of this still in silos", frame.tons(found.in_silos_g), frame.ton, 1),
        )
    )
    lots = Table(
        "Mix lots",
        (Column("lot"), Column("has it"), number("mix", frame.ton, 1), number("rubber", frame.small, 1)),
        [
            (f"lot {one.lot_id}" if one.lot_id else None, one.mark.value, frame.tons(one.mix_g),
             frame.smalls(one.rubber_g))
            for one in found.mix_lots
        ],
    )  # fmt: skip
    tickets = Table(
        "Load tickets",
        (Column("ticket"), time("loaded"), Column("truck"), Column("project"), Column("has it"),
         number("at most", frame.ton, 2)),
        [
            (f"ticket {one.touched.ticket.number}", moment(one.touched.ticket.loaded_us, frame.zone),
             one.touched.ticket.truck or None, one.touched.ticket.project or None, one.mark.value,
             frame.tons(one.touched.most_g))
            for one in found.tickets
        ],
    )  # fmt: skip
    words = (
        "Surely: all rubber of that mix is of this lot. Possibly: some of it may be. Rubber of unknown lot lay in the "
        "hoppers before the first bag; which bag feeds which mix is known within the mixing share of the quality plan."
    )
    return frame.document(
        "recall", f"Recall of bag lot {found.use.lot}", frame.span(span.from_us, span.before_us),
        (facts, lots, tickets, Text(words)), simulated=found.simulated,
    )  # fmt: skip
