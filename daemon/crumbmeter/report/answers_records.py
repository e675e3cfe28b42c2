"""Answers about what people put on record: calibrations, laboratory, a specification, and every entry there is."""

from collections.abc import Mapping, Sequence
from typing import Final

from crumbmeter.qc import calibrations as held
from crumbmeter.qc.booked import Booked
from crumbmeter.qc.calibration_entries import read as read_calibration
from crumbmeter.qc.laboratory.results import (
    MAIN_FIGURE,
    Result,
    Sample,
    Test,
    Tie,
    Ways,
    read_result,
    read_sample,
    tie,
)
from crumbmeter.qc.laboratory.trend import Pair, trend
from crumbmeter.qc.lots import Lot
from crumbmeter.qc.said import Said, Subject
from crumbmeter.report import calibration as certificates
from crumbmeter.report.answers_contents import contents_table
from crumbmeter.report.answers_trucks import trace_of
from crumbmeter.report.document import Block, Chart, Column, Document, Drawn, Series, Table, Text, number, time
from crumbmeter.report.figures import moment
from crumbmeter.report.sources import NoAnswerError, Sources, Span
from crumbmeter.site.against import Plan, against
from crumbmeter.site.calibration_limits import find_calibration_limits, load_calibration_limits
from crumbmeter.site.specification import known_specifications, load_specification

ALL_TIME: Final = Span(0, 1 << 62)


def _limits(sources: Sources) -> held.Limits:
    path = find_calibration_limits(sources.site.path)
    return held.Limits(()) if path is None else load_calibration_limits(path)


def _calibrations(sources: Sources) -> list[held.Calibration]:
    return [read_calibration(one) for one in sources.said.of(Subject.CALIBRATION)]


def standings(sources: Sources, span: Span) -> list[certificates.Standing]:
    """Return how each instrument stood at the end of a period, and what of late or failed tests touches it."""
    limits, found = _limits(sources), _calibrations(sources)
    return certificates.standings(
        held.standing(found, limits, span.before_us), held.touching(found, limits, span.from_us, span.before_us)
    )


def calibrations(sources: Sources, span: Span, _about: str) -> Document:
    """List every calibration with its verdict, and how each instrument stands at the end of the period."""
    frame, limits = sources.frame(span), _limits(sources)
    columns = (
        Column("entry"), Column("instrument"), Column("test"), time("performed"), number("trials"),
        number("worst error", "percent", 3), number("spread", "percent", 3), Column("verdict"), Column("why"),
        time("due"), Column("by"),
    )  # fmt: skip
    rows = []
    for one in _calibrations(sources):
        judged = held.judge(one, limits)
        rows.append(
            (
                f"calibration {one.seq}", one.instrument, one.kind.value, moment(one.done_us, frame.zone),
                len(one.trials), judged.worst_error_percent, judged.spread_percent, judged.outcome.value,
                "; ".join(judged.why) or None,
                None if judged.due_us is None else moment(judged.due_us, frame.zone), one.who,
            )
        )  # fmt: skip
    blocks = (
        certificates.standing_table(frame, standings(sources, span)),
        Table("All calibrations", columns, rows, "Limits and their sources stand in config/calibration-limits.toml."),
    )
    return frame.document("calibrations", "Calibrations", frame.span(span.from_us, span.before_us), blocks)


def certificate(sources: Sources, span: Span, about: str) -> Document:
    """Make the certificate of one calibration, named by its entry in the quality record."""
    one = next((one for one in _calibrations(sources) if str(one.seq) == about.removeprefix("calibration ")), None)
    if one is None:
        raise NoAnswerError(f"no calibration in entry {about!r}; the list of calibrations has their entries")
    limits = _limits(sources)
    made = certificates.certificate_of(held.judge(one, limits), limits, simulated=sources.site.params.simulated)
    return certificates.build(sources.frame(span), made)


def results_of(sources: Sources, lot: Lot) -> list[tuple[str, Result]]:
    """Return the laboratory's results that belong to a lot, each with its sublot."""
    samples = [read_sample(one) for one in sources.said.of(Subject.SAMPLE)]
    if not samples:
        return []
    ties = _ties(sources, samples, [lot])
    found = [read_result(one) for one in sources.said.of(Subject.RESULT)]
    return [
        (ties[one.sample_id].sublots[0], one) for one in found if one.sample_id in ties and ties[one.sample_id].sublots
    ]


def laboratory(sources: Sources, _span: Span, _about: str) -> Document:
    """List samples and results of all time, where each belongs, and dose against performance."""
    samples = [read_sample(one) for one in sources.said.of(Subject.SAMPLE)]
    results = [read_result(one) for one in sources.said.of(Subject.RESULT)]
    # A sample is of the tons it names, whenever it was taken or entered.
    lots = sources.lots(ALL_TIME) if samples else []
    ties = _ties(sources, samples, lots)
    frame = sources.frame(ALL_TIME)
    by_sample = {one.sample_id: one for one in samples}
    columns = (
        Column("sample"), time("taken"), Column("sublot"), Column("found by"), Column("doubt"), Column("by"),
    )  # fmt: skip
    rows = [
        (
            one.sample_id, moment(one.taken_us, frame.zone), ", ".join(ties[one.sample_id].sublots) or None,
            ties[one.sample_id].by or None, ties[one.sample_id].doubt or None, one.who,
        )
        for one in samples
    ]  # fmt: skip
    blocks: list[Block] = [Table("Samples", columns, rows), _results_table(results, ties)]
    contents = contents_table(sources.site.params, lots, results, ties)
    blocks += [contents] if contents.rows else []
    blocks += _trends(lots, results, ties)
    alone = [one.result_id for one in results if one.sample_id not in by_sample]
    if alone:
        blocks.append(Text(f"Results without a sample on record: {', '.join(alone)}.", "Doubts"))
    return frame.document("laboratory", "Laboratory", "all samples on record", blocks)


def _results_table(results: Sequence[Result], ties: Mapping[str, Tie]) -> Table:
    columns = (
        Column("result"), Column("sample"), Column("sublot"), Column("test"), Column("figures"), Column("method"),
    )  # fmt: skip
    rows = [
        (
            one.result_id, one.sample_id,
            ", ".join(ties[one.sample_id].sublots) or None if one.sample_id in ties else None, one.test.value,
            ", ".join(f"{name} {value:.6g}" for name, value in one.figures.items()), one.method,
        )
        for one in results
    ]  # fmt: skip
    return Table("Results", columns, rows)


def _trends(lots: Sequence[Lot], results: Sequence[Result], ties: Mapping[str, Tie]) -> list[Block]:
    doses = {
        sublot.sublot_id: sublot.made.mean_dose
        for lot in lots
        for sublot in lot.sublots
        if sublot.made.mean_dose is not None
    }
    blocks: list[Block] = []
    for test in Test:
        figure = MAIN_FIGURE.get(test)
        pairs = [
            Pair(one.result_id, 100.0 * dose, one.figures[figure])
            for one in results
            if figure is not None and one.test is test and figure in one.figures and one.sample_id in ties
            for sublot in ties[one.sample_id].sublots[:1]
            if (dose := doses.get(sublot)) is not None
        ]
        if not pairs:
            continue
        told = trend(pairs)
        interval = "" if told.r_low is None else f" r = {told.r:.2f}, 95 % {told.r_low:.2f} to {told.r_high:.2f}."
        blocks.append(
            Chart(
                f"{test.value} against dose", "dose [percent]", str(figure).replace("_", " "),
                (Series(test.value, [pair.dose_percent for pair in pairs], [pair.figure for pair in pairs],
                        Drawn.POINTS),),
                note=f"{told.count} pairs: {told.words}.{interval}",
            )
        )  # fmt: skip
    return blocks


def _ties(sources: Sources, samples: Sequence[Sample], lots: Sequence[Lot]) -> dict[str, Tie]:
    ways = _ways(sources, lots)
    return {one.sample_id: tie(one, ways) for one in samples}


def _ways(sources: Sources, lots: Sequence[Lot]) -> Ways:
    ranges = [
        (sublot.made.first_parcel, sublot.made.last_parcel, sublot.sublot_id) for lot in lots for sublot in lot.sublots
    ]

    def sublot_of(parcel: int) -> str | None:
        return next((name for first, last, name in ranges if first <= parcel <= last), None)

    def parcels_of_ticket(number_: str) -> Sequence[int]:
        ticket = next((one for one in sources.tickets().loads if one.number == number_), None)
        if ticket is None:
            return ()
        trace, _ = trace_of(sources, ticket.loaded_us, ticket.loaded_us)
        pieces = trace.loads[number_].pieces if number_ in trace.loads else ()
        return tuple(dict.fromkeys(piece.source.parcel.number for piece in pieces if piece.source is not None))

    return Ways(
        parcels_of_ticket=parcels_of_ticket,
        parcel_at=lambda at_us: _number_at(sources, at_us),
        parcel_behind=lambda mix_kg, at_us: _number_behind(sources, mix_kg, at_us),
        sublot_of=sublot_of,
    )


def _day(sources: Sources, at_us: int) -> list[Booked]:
    day = sources.plan.calendar.day_at(at_us)
    return list(sources.parcels(Span(day.begin_us, day.end_us)))


def _number_at(sources: Sources, at_us: int) -> int | None:
    return next((one.parcel.number for one in _day(sources, at_us) if one.began_us <= at_us < one.ended_us), None)


def _number_behind(sources: Sources, mix_kg: float, at_us: int) -> int | None:
    left_g = mix_kg * 1000.0
    for one in _day(sources, at_us):
        left_g -= one.parcel.mix_g
        if left_g < 0.0:
            return one.parcel.number
    return None


def specification(sources: Sources, span: Span, about: str) -> Document:
    """Check the site against a specification: what it would fail."""
    known = known_specifications(sources.site.path)
    path = known.get(about) if about else sources.plan.specification
    if path is None:
        there = ", ".join(known) or "none"
        raise NoAnswerError(f"no specification {about or 'in the quality plan'}; there are: {there}")
    profile = load_specification(path)
    rule = sources.plan.lots
    plan = Plan(
        None if rule.lot_g is None else rule.lot_g / 1000.0, None if rule.sublot_g is None else rule.sublot_g / 1000.0
    )
    columns = (
        Column("asked for"), Column("the site"), Column("verdict"), Column("site key"), Column("remedy"),
        Column("section"), Column("status of the text"),
    )  # fmt: skip
    rows = [
        (
            one.asked, one.answer.found, one.verdict.value, one.answer.site_key or None, one.answer.remedy or None,
            one.section, one.status.value,
        )
        for one in against(sources.site, profile, plan)
    ]  # fmt: skip
    frame = sources.frame(span)
    return frame.document(
        "specification", f"The site against {profile.title}", "as the site file is now",
        (Table("Lines", columns, rows),), wide=True,
    )  # fmt: skip


def entries(sources: Sources, span: Span, about: str) -> Document:
    """List what people said for the record in a period, with what took the place of what."""
    frame = sources.frame(span)
    every = sorted([*sources.said.holding, *sources.said.replaced.values()], key=lambda one: one.seq)
    corrected = {old.seq: new for new, old in sources.said.replaced.items()}
    rows = [
        (
            one.seq, moment(one.said_us, frame.zone), one.subject.value, one.about, _words(one), one.who,
            moment(one.effective_us, frame.zone), one.corrects or None, one.reason or None, corrected.get(one.seq),
        )
        for one in every
        if span.from_us <= one.said_us < span.before_us and about in ("", one.subject.value)
    ]  # fmt: skip
    columns = (
        number("entry"), time("said"), Column("about a"), Column("which"), Column("what"), Column("by"),
        time("holds from"), number("corrects entry"), Column("reason"), number("corrected by entry"),
    )  # fmt: skip
    table = Table("Entries of the quality record", columns, rows)
    return frame.document("entries", "Entries", frame.span(span.from_us, span.before_us), (table,), wide=True)


def _words(one: Said) -> str:
    return ", ".join(f"{name}: {value}" for name, value in sorted(one.what.items()))
