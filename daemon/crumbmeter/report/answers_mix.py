"""Answers about mix: deviations, days and shifts, lots, the production log."""

from collections.abc import Sequence

from crumbmeter.ledger import events
from crumbmeter.ledger.judging import Case
from crumbmeter.qc.calendar import Day, Shift
from crumbmeter.qc.circumstances import Happening
from crumbmeter.qc.lots import By, LotRule
from crumbmeter.qc.lots import lots as cut_lots
from crumbmeter.report import daily
from crumbmeter.report import deviation as deviation_report
from crumbmeter.report import lot as lot_report
from crumbmeter.report.answers_records import results_of, standings
from crumbmeter.report.answers_trucks import traced
from crumbmeter.report.answers_within import judged_of
from crumbmeter.report.document import Column, Document, Table, Text, number, time
from crumbmeter.report.figures import moment
from crumbmeter.report.frame import percent
from crumbmeter.report.log_reading import log_rows, log_site
from crumbmeter.report.production_log import build as build_log
from crumbmeter.report.production_log import production_log
from crumbmeter.report.rates import integrated
from crumbmeter.report.sources import NoAnswerError, Sources, Span, found_by_id

LOG_S = 300.0
"""[s] Every five minutes (Ohio DOT CMS 402.07.C)."""
LOG_LIMITS_S = (1.0, 86_400.0)


def deviations(sources: Sources, span: Span, _about: str) -> Document:
    """List the deviations of a period."""
    frame = sources.frame(span)
    found = sources.cases(span)
    rule = sources.plan.deviations
    words = (
        f"Mix is a deviation where the rubber of a window of {frame.tons(rule.window_g):.3g} "
        f"{frame.ton.replace('_', ' ')} is more than {100.0 * rule.within:g} % off what was asked for. "
        "Tons are those at the drum's outlet."
    )
    return frame.document(
        "deviations", "Deviations", frame.span(span.from_us, span.before_us),
        (deviation_report.deviations_table(frame, found), Text(words)),
        simulated=any(one.deviation.simulated for one in found),
    )  # fmt: skip


def deviation(sources: Sources, span: Span, about: str) -> Document:
    """Tell all of one deviation, to the truck."""
    case = find_case(sources, about, span)
    one = case.deviation
    its = Span(one.began_us, one.ended_us)
    sublots = [
        sublot.sublot_id
        for lot in sources.lots(its)
        for sublot in lot.sublots
        if sublot.made.first_parcel <= one.last_number and sublot.made.last_parcel >= one.first_number
    ]
    trace = traced(sources, one.first_seq, one.last_seq, its)
    return deviation_report.build(sources.frame(its), deviation_report.DeviationContent(case, trace, sublots))


def find_case(sources: Sources, deviation_id: str, span: Span | None = None) -> Case:
    """Find a deviation by its id; looked for in a period first, then in all the record.

    Raises:
        NoAnswerError: there is none of that id.
    """
    for where in (span, None) if span is not None else (None,):
        for one in sources.cases(where):
            if one.deviation.deviation_id == deviation_id:
                return one
    raise NoAnswerError(f"no deviation {deviation_id!r}: it may have another name under another quality plan")


def day(sources: Sources, span: Span, about: str) -> Document:
    """Report a production day, or the shift that `about` names by its number."""
    calendar = sources.plan.calendar
    period: Day | Shift = calendar.day_at(span.from_us)
    if about.strip():
        shifts = calendar.shifts_of(calendar.day_at(span.from_us).date)
        if not about.strip().isdigit() or not 1 <= int(about) <= len(shifts):
            raise NoAnswerError(f"no shift {about!r}: the day has shifts 1 to {len(shifts)}")
        period = shifts[int(about) - 1]
    its = Span(period.begin_us, period.end_us)
    rule = sources.plan.lots
    own = LotRule(
        By.DAY, sublot_g=rule.sublot_g, calendar=calendar, window_g=rule.window_g, simulated_site=rule.simulated_site,
    )  # fmt: skip
    return daily.build(
        sources.frame(its),
        daily.Production(
            period=period,
            lots=list(cut_lots(sources.parcels(its), own)),
            cases=sources.cases(its),
            happened=happenings(sources, its),
            rates=integrated(sources.reader, its.from_us, its.before_us),
            calibrations=standings(sources, its),
            window_g=rule.window_g,
        ),
    )


def happenings(sources: Sources, span: Span) -> Sequence[Happening]:
    """Return the events of a period."""
    found = events.iterate(sources.reader, from_wall_us=span.from_us, before_wall_us=span.before_us)
    return [Happening(one.stored.wall_us, one.stored.seq, one.event.name, dict(one.event.detail)) for one in found]


def lots(sources: Sources, span: Span, _about: str) -> Document:
    """List the lots of a period."""
    frame = sources.frame(span)
    columns = (
        Column("lot"), time("from"), time("to"), number("sublots"), number("mix", frame.ton, 1),
        number("rubber", frame.small, 1), number("dose", "percent", 3), number("asked for", "percent", 3),
        number("over or short", "percent", 2), number("good", "percent", 1), Column("ended by"),
    )  # fmt: skip
    found = sources.lots(span)
    rows = [
        (
            f"lot {one.lot_id}", moment(one.made.began_us, frame.zone), moment(one.made.ended_us, frame.zone),
            len(one.sublots), frame.tons(one.made.mix_g), frame.smalls(one.made.masses.rubber_g),
            percent(one.made.mean_dose), percent(one.made.target_dose), percent(one.made.relative_error),
            one.made.good_percent, one.ended.value,
        )
        for one in found
    ]  # fmt: skip
    table = Table("Lots", columns, rows)
    simulated = any(one.made.simulated_g for one in found)
    return frame.document("lots", "Lots", frame.span(span.from_us, span.before_us), (table,), simulated=simulated)


def lot(sources: Sources, span: Span, about: str) -> Document:
    """Report one lot."""
    found = found_by_id(sources.lots(span), about)
    its = Span(found.made.began_us, found.made.ended_us)
    numbers = range(found.made.first_parcel, found.made.last_parcel + 1)
    touching = [
        one for one in sources.cases(its)
        if one.deviation.first_number in numbers or one.deviation.last_number in numbers
        or one.deviation.first_number < numbers[0] <= one.deviation.last_number
    ]  # fmt: skip
    results = results_of(sources, found)
    content = lot_report.LotContent(
        lot=found,
        cases=touching,
        judged=judged_of(sources.plan, found, [result for _, result in results]),
        calibrations=standings(sources, its),
        results=results,
        window_g=sources.plan.lots.window_g,
    )
    return lot_report.build(sources.frame(its), content)


def log(sources: Sources, span: Span, about: str) -> Document:
    """Make the agency's production log."""
    low_s, high_s = LOG_LIMITS_S
    try:
        interval_s = float(about) if about.strip() else LOG_S
    except ValueError:
        interval_s = -1.0
    if not low_s <= interval_s <= high_s:
        raise NoAnswerError(f"the interval is {about!r}; expected seconds from {low_s:g} to {high_s:g}")
    place, params = sources.plan.place, sources.site.params
    frame = sources.frame(span)
    site = log_site(
        params, frame.zone, location=place.location, additive=place.additive, brand=place.brand, metric=frame.metric
    )
    table = production_log(log_rows(sources.reader, params, span.from_us, span.before_us), site, interval_s)
    return build_log(frame, table, span.from_us, span.before_us)
