"""The deviation report: what was wrong, where it went, what was done, and what QC says of it."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from crumbmeter.ledger.judging import Case
from crumbmeter.qc.circumstances import Happening
from crumbmeter.qc.deviations import Kind
from crumbmeter.qc.reviews import Review
from crumbmeter.qc.tracing import DeviationTrace, Mark
from crumbmeter.report.document import Block, Column, Document, Fact, Facts, Signature, Table, Text, number, time
from crumbmeter.report.figures import Value, iso, moment
from crumbmeter.report.frame import Frame, percent

UNKNOWN: Final = (Kind.NOT_RECORDED, Kind.NOT_PROVEN)
"""Kinds whose rubber nobody may rely on: it is left empty."""


@dataclass(frozen=True, slots=True)
class DeviationContent:
    """All that a deviation report is made of."""

    case: Case
    trace: DeviationTrace | None = None
    """None: no silos or tickets are known."""
    sublots: Sequence[str] = ()


def deviations_table(frame: Frame, cases: Sequence[Case]) -> Table:
    """Return the list of some deviations."""
    columns = (
        Column("deviation"), time("from"), number("mix", frame.ton, 1), number("over or short", frame.small, 1),
        number("of that asked for", "percent", 1), number("worst", "percent", 1), Column("first out"), Column("QC"),
        Column("disposition"),
    )  # fmt: skip
    return Table("Deviations", columns, [_row(frame, one) for one in cases])


def _row(frame: Frame, case: Case) -> tuple[Value, ...]:
    one, review = case.deviation, case.review
    mix_known, rubber_known = one.kind is not Kind.NOT_RECORDED, one.kind not in UNKNOWN
    return (
        one.deviation_id, moment(one.began_us, frame.zone), frame.tons(one.mix_g) if mix_known else None,
        frame.smalls(one.off_g) if rubber_known else None, percent(one.off) if rubber_known else None,
        percent(one.worst),
        _alarm(case.around.first_out), review.standing.value,
        None if review.disposition is None else review.disposition.value,
    )  # fmt: skip


def build(frame: Frame, content: DeviationContent) -> Document:
    """Make the report."""
    one = content.case.deviation
    return frame.document(
        "deviation",
        f"Deviation {one.deviation_id}: {one.kind.value}",
        frame.span(one.began_us, one.ended_us),
        _blocks(frame, content),
        simulated=one.simulated,
    )


def _blocks(frame: Frame, content: DeviationContent) -> Iterator[Block]:
    case = content.case
    yield _facts(frame, content)
    if case.deviation.kind is Kind.NOT_RECORDED:
        yield Text("These parcels are not in the record: what was made is not known, and no figure is given for it.")
    if case.deviation.kind is Kind.NOT_PROVEN:
        yield Text("Inputs were Bad: the rubber in this mix is not proven, and no figure is given for it.")
    yield _trucks(frame, content.trace)
    yield from _elsewhere(frame, content.trace)
    yield _actions(frame, case.around.actions, case.around.actions_count)
    yield Table("Alarms raised in it, in their order", (Column("alarm"),), [(alarm,) for alarm in case.around.alarms])
    yield from _review(frame, case.review)


def _facts(frame: Frame, content: DeviationContent) -> Facts:
    one, around, review = content.case.deviation, content.case.around, content.case.review
    known = one.kind is not Kind.NOT_RECORDED

    def mass(value: Value) -> Value:
        return value if known else None

    def rubber(value: Value) -> Value:
        return value if one.kind not in UNKNOWN else None

    return Facts(
        (
            Fact("parcels", f"{one.first_number} to {one.last_number} ({one.parcels})"),
            Fact("record entries", f"{one.first_seq} to {one.last_seq}"),
            Fact("sublots", ", ".join(content.sublots)),
            Fact("mixes", ", ".join(one.mix_ids)),
            Fact("mix touched", mass(frame.tons(one.mix_g)), frame.ton, 2),
            Fact("rubber", rubber(frame.smalls(one.rubber_g)), frame.small, 2),
            Fact("rubber asked for", mass(frame.smalls(one.target_rubber_g)), frame.small, 2),
            Fact("rubber over (+) or short (-)", rubber(frame.smalls(one.off_g)), frame.small, 2),
            Fact("the same, of that asked for", rubber(percent(one.off)), "percent", 1),
            Fact(
                "its standard uncertainty (k=1)",
                rubber(frame.smalls(one.rubber_uncertainty_g)),
                frame.small,
                2,
            ),
            Fact("worst window", percent(one.worst), "percent", 1),
            Fact("first-out alarm", _alarm(around.first_out)),
            Fact("mix with Good inputs", mass(_share(one.good_g, one.mix_g)), "percent", 1),
            Fact("mix with a Bad input", mass(_share(one.bad_g, one.mix_g)), "percent", 1),
            Fact("run states", ", ".join(one.worst_states)),
            Fact("crumbmeter in control", one.controlled if known else None),
            Fact("review", review.standing.value),
        )
    )


def _share(part_g: int, whole_g: int) -> float | None:
    return 100.0 * part_g / whole_g if whole_g else None


def _alarm(happening: Happening | None) -> str | None:
    return None if happening is None else str(happening.detail.get("alarm"))


def _trucks(frame: Frame, trace: DeviationTrace | None) -> Table:
    columns = (
        Column("ticket"), Column("truck"), time("loaded"), Column("carries it"), number("ticket net", frame.ton, 2),
        number("surely", frame.ton, 2), number("first in, first out", frame.ton, 2), number("at most", frame.ton, 2),
    )  # fmt: skip
    if trace is None:
        return Table("Trucks", columns, [], "No tickets or silos are known for this time: no truck can be named.")
    rows = [
        (
            one.ticket.number, one.ticket.truck, moment(one.ticket.loaded_us, frame.zone), one.mark.value,
            frame.tons(one.ticket.net_g), frame.tons(one.surely_g), frame.tons(one.nominal.mix_g),
            frame.tons(one.most_g),
        )
        for mark in (Mark.SURELY, Mark.POSSIBLY)
        for one in trace.of(mark)
    ]  # fmt: skip
    note = "Mix of the deviation on each ticket, within the mixing band that the quality plan states for the silo."
    return Table("Trucks", columns, rows, note)


def _elsewhere(frame: Frame, trace: DeviationTrace | None) -> Iterator[Table]:
    if trace is None:
        return
    held = [(f"still in silo {silo_id}", masses.mix_g) for silo_id, masses in trace.in_silos.items()]
    held += [
        ("written off", trace.written_off.mix_g),
        ("diverter not known: in any silo", trace.anywhere.mix_g),
        ("on the way to a silo", trace.on_the_way.mix_g),
    ]
    rows = [(where, frame.tons(mass_g)) for where, mass_g in held if mass_g]
    yield Table("Not on a ticket", (Column("where"), number("mix, first in, first out", frame.ton, 2)), rows)


def _actions(frame: Frame, actions: Sequence[Happening], count: int) -> Table:
    rows = [
        (
            moment(one.at_us, frame.zone), one.name.replace("_", " "),
            ", ".join(f"{key} {value}" for key, value in one.detail.items()), one.seq,
        )
        for one in actions
    ]  # fmt: skip
    note = f"The first {len(actions)} of {count}." if count > len(actions) else ""
    columns = (time("at"), Column("what was done"), Column("details"), number("record entry"))
    return Table("What the daemon and people did", columns, rows, note)


def _review(frame: Frame, review: Review) -> Iterator[Block]:
    rows: list[tuple[Value, ...]] = [
        (
            moment(one.said_us or one.effective_us, frame.zone), one.who,
            "; ".join(f"{key} {value}" for key, value in one.what.items() if key != "signed_over"),
            f"{one.corrects}: {one.reason}" if one.corrects else None, one.seq,
        )
        for one in review.entries
    ]  # fmt: skip
    columns = (time("said"), Column("by"), Column("what"), Column("corrects entry"), number("quality entry"))
    yield Facts(
        (
            Fact("cause", None if review.cause is None else review.cause.value),
            Fact("disposition", None if review.disposition is None else review.disposition.value),
        ),
        "Review by quality control",
    )
    yield Table("All that was said of it", columns, rows)
    if review.outdated:
        yield Text(f"{len(review.outdated)} earlier signatures stand over other figures, or over an earlier judgement.")
    signed = review.signed
    if signed is None:
        yield Signature(("Quality control",))
        return
    said = f"{iso(moment(signed.said_us or signed.effective_us, frame.zone))}, entry {signed.seq} of the quality record"
    meaning = ": ".join(str(signed.what[key]) for key in ("disposition_signed", "meaning") if signed.what.get(key))
    yield Signature((), ((signed.who, f"{said}: {meaning}"),))
