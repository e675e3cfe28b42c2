"""Answers about trucks: what a ticket carries, and which tickets carry a stretch of mix."""

from crumbmeter.ledger.contents import diverter_changes
from crumbmeter.qc.drawing import draw
from crumbmeter.qc.silos import fill, silo_entries
from crumbmeter.qc.trace_window import Window, window_of
from crumbmeter.qc.tracing import DeviationTrace, TicketDose, Trace, dose_of_ticket, trace_deviation
from crumbmeter.report.document import Block, Column, Document, Fact, Facts, Table, Text, number, time
from crumbmeter.report.figures import moment
from crumbmeter.report.frame import Frame, percent
from crumbmeter.report.sources import NoAnswerError, Sources, Span

MOST_TICKETS = 2000
"""Tickets whose dose is told in one list."""
K = 2.0
"""Coverage factor of the doses told here (JCGM 100, 6.3.3)."""


def trace_of(sources: Sources, first_us: int, last_us: int) -> tuple[Trace, Window]:
    """Follow the mix of some hours through the silos into the tickets.

    Args:
        sources: The records.
        first_us: [us] UTC when the first of it left the drum, or a ticket was loaded.
        last_us: [us] UTC when the last of it did.
    """
    silos = sources.plan.silos
    entries = silo_entries(sources.said.holding)
    window = window_of(entries, silos, first_us, last_us)
    hours = Span(window.parcels_from_us, window.before_us)
    signal = sources.plan.diverter
    diverter = (
        diverter_changes(sources.reader, signal, window.parcels_from_us, window.before_us) if signal else iter(())
    )
    within = [one for one in entries if one.at_us < window.before_us]
    filled = fill(sources.parcels(hours), diverter, silos, within)
    loads = [one for one in sources.tickets().loads if window.from_us <= one.loaded_us < window.before_us]
    about = [one for one in within if one.at_us >= window.from_us]
    return Trace(draw(filled, loads, about, silos)), window


def traced(sources: Sources, first_seq: int, last_seq: int, span: Span) -> DeviationTrace | None:
    """Return the tickets that carry a stretch of mix; None where no ticket is known at all."""
    if not sources.tickets().loads:
        return None
    trace, _ = trace_of(sources, span.from_us, span.before_us)
    return trace_deviation(trace, [(first_seq, last_seq)])


def trucks(sources: Sources, span: Span, _about: str) -> Document:
    """List the load tickets of a period with their doses."""
    frame = sources.frame(span)
    found = sources.tickets()
    loads = [one for one in found.loads if span.from_us <= one.loaded_us < span.before_us]
    doses: list[TicketDose] = []
    if loads:
        trace, _ = trace_of(sources, span.from_us, span.before_us - 1)
        doses = [dose_of_ticket(trace, one.number) for one in loads[:MOST_TICKETS] if one.number in trace.loads]
    columns = (
        Column("ticket"), time("loaded"), Column("silo"), Column("truck"), Column("project"),
        number("net", frame.ton, 2), number("rubber", "percent of mix", 3), number("± (k=2)", "percent of mix", 3),
        number("asked for", "percent of mix", 3), number("mix of unknown origin", frame.ton, 2), Column("quality"),
    )  # fmt: skip
    rows = [
        (
            f"ticket {one.ticket.number}", moment(one.ticket.loaded_us, frame.zone), one.ticket.silo_id or None,
            one.ticket.truck or None, one.ticket.project or None, frame.tons(one.ticket.net_g), percent(one.dose),
            percent(None if one.dose is None else K * one.uncertainty), percent(one.target),
            frame.tons(one.unknown_g), one.quality.word,
        )
        for one in doses
    ]  # fmt: skip
    blocks: list[Block] = [Table("Load tickets", columns, rows)]
    if len(loads) > MOST_TICKETS:
        blocks.append(Text(f"Of {len(loads)} tickets the first {MOST_TICKETS} are listed: ask for fewer days."))
    if found.doubts:
        blocks.append(Table("Doubts", (Column("what"),), [(str(one),) for one in found.doubts]))
    return frame.document(
        "trucks", "Load tickets", frame.span(span.from_us, span.before_us), blocks,
        simulated=any(one.simulated for one in doses),
    )  # fmt: skip


def truck(sources: Sources, _span: Span, about: str) -> Document:
    """Tell what one ticket carries."""
    ticket = next((one for one in sources.tickets().loads if one.number == about.removeprefix("ticket ")), None)
    if ticket is None:
        raise NoAnswerError(f"no load ticket {about!r} in the quality record; a void one carries nothing")
    trace, window = trace_of(sources, ticket.loaded_us, ticket.loaded_us)
    told = dose_of_ticket(trace, ticket.number)
    span = Span(window.parcels_from_us, ticket.loaded_us + 1)
    frame = sources.frame(span)
    touched = [
        (one.deviation.deviation_id, mark.mark.value, frame.tons(mark.surely_g), frame.tons(mark.most_g))
        for one in sources.cases(span)
        for mark in trace_deviation(trace, [(one.deviation.first_seq, one.deviation.last_seq)]).tickets
        if mark.ticket.number == ticket.number
    ]
    columns = (
        Column("deviation"), Column("carries it"), number("surely at least", frame.ton, 2),
        number("at most", frame.ton, 2),
    )  # fmt: skip
    blocks = (
        _ticket_facts(frame, told),
        Table("Deviations in it", columns, touched),
        *_unknown(window),
        *((Text(" ".join(trace.outflow.refused), "Not followed"),) if trace.outflow.refused else ()),
    )
    title = f"Load ticket {ticket.number}"
    return frame.document("truck", title, _loaded(frame, told), blocks, simulated=told.simulated)


def _loaded(frame: Frame, told: TicketDose) -> str:
    return f"loaded {moment(told.ticket.loaded_us, frame.zone).isoformat(sep=' ', timespec='seconds')}"


def _ticket_facts(frame: Frame, told: TicketDose) -> Facts:
    runs = ", ".join(f"{first} to {last}" for first, last in told.seqs)
    return Facts(
        (
            Fact("net mass", frame.tons(told.ticket.net_g), frame.ton, 2),
            Fact("silo", told.ticket.silo_id or None),
            Fact("truck", told.ticket.truck or None),
            Fact("project", told.ticket.project or None),
            Fact("rubber", percent(told.dose), "percent of mix", 3),
            Fact("expanded uncertainty (k=2), of it", None if told.dose is None else 100.0 * K * told.uncertainty,
                 "percent of mix", 4),
            Fact("by weighing (k=1)", 100.0 * told.weighing_uncertainty, "percent of mix", 4),
            Fact("by mixing in the silo (k=1)", 100.0 * told.mixing_uncertainty, "percent of mix", 4),
            Fact("asked for", percent(told.target), "percent of mix", 3),
            Fact("rubber, lowest and highest possible", _range(told)),
            Fact("mix of unknown origin", frame.tons(told.unknown_g), frame.ton, 2),
            Fact("time in silo, least", told.in_silo_least_s / 60.0, "min", 0),
            Fact("time in silo, most", told.in_silo_most_s / 60.0, "min", 0),
            Fact("record entries of its parcels", runs or None),
            Fact("worst quality", told.quality.word),
        )
    )  # fmt: skip


def _range(told: TicketDose) -> str | None:
    if told.lowest is None or told.highest is None:
        return None
    return f"{100.0 * told.lowest:.3f} to {100.0 * told.highest:.3f} percent of mix"


def _unknown(window: Window) -> tuple[Text, ...]:
    names = [name or "under the drum" for name in window.unknown]
    if not names:
        return ()
    words = (
        f"Nobody said when {', '.join(names)} was last empty within the hours looked at: what it held when they "
        "began is unknown, and what is possible is the wider for it. Say it for the record when a silo has run empty."
    )
    return (Text(words, "What is not known"),)
