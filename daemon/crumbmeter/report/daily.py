"""The daily report: what a production day or a shift made, and all that stood in its way."""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from crumbmeter.ledger.judging import Case
from crumbmeter.qc.calendar import Day, Shift
from crumbmeter.qc.circumstances import Happening
from crumbmeter.qc.lots import WINDOW_G, Lot
from crumbmeter.qc.made import joined
from crumbmeter.report.calibration import Standing, standing_table
from crumbmeter.report.control_charts import control_charts
from crumbmeter.report.deviation import deviations_table
from crumbmeter.report.document import Block, Column, Document, Fact, Facts, Signature, Table, Text, number, time
from crumbmeter.report.figures import Value, moment
from crumbmeter.report.frame import Frame
from crumbmeter.report.making import doses_table, made_facts, masses_table
from crumbmeter.report.rates import Integrated

MOST_GAPS: Final = 50
"""Gaps that are listed; the count of all is given."""


@dataclass(frozen=True, slots=True)
class Production:
    """All that a daily report is made of."""

    period: Day | Shift
    lots: Sequence[Lot]
    """Cut out of the parcels of this period alone."""
    cases: Sequence[Case]
    happened: Sequence[Happening]
    """Events of the period, in order."""
    rates: Integrated
    calibrations: Sequence[Standing] = ()
    window_g: int = WINDOW_G
    """[g] Of the windows whose scatter is told."""


def build(frame: Frame, day: Production) -> Document:
    """Make the report."""
    name = day.period.name if isinstance(day.period, Shift) else f"production day {day.period.date.isoformat()}"
    title = "Shift report" if isinstance(day.period, Shift) else "Daily production report"
    span = frame.span(day.period.begin_us, day.period.end_us)
    made = [one.made for one in day.lots]
    simulated = any(one.simulated_g for one in made)
    return frame.document("daily", title, f"{name}: {span}", _blocks(frame, day), simulated=simulated)


def _blocks(frame: Frame, day: Production) -> Iterator[Block]:
    if day.lots:
        yield made_facts(frame, joined([one.made for one in day.lots]))
    else:
        yield Text("No mix was booked in this period.")
    yield _operation(frame, day)
    sublots = [sublot for lot in day.lots for sublot in lot.sublots]
    if sublots:
        yield doses_table(frame, sublots, day.window_g)
        yield masses_table(frame, sublots)
        yield _totals(day)
    yield deviations_table(frame, day.cases)
    yield _stops(frame, day.happened)
    yield _alarms(day.happened)
    yield standing_table(frame, day.calibrations)
    yield _gaps(frame, day)
    yield from control_charts(sublots)
    yield Signature(("Prepared by", "Quality control"))


def _operation(frame: Frame, day: Production) -> Facts:
    refills = [dict(one.detail) for one in day.happened if one.name == "refill_ended"]
    bags = [dict(one.detail) for one in day.happened if one.name == "bag_loaded"]
    dumped = [dict(one.detail) for one in day.happened if one.name == "drum_dumped"]
    fed = day.rates.fed.coverage
    return Facts(
        (
            Fact("length of the period", (day.period.end_us - day.period.begin_us) / 3.6e9, "h", 2),
            Fact("time recorded Good", fed.good_s / 3600.0, "h", 2),
            Fact("the same, of the period", fed.good_percent, "percent", 1),
            Fact("gaps in the record", len(fed.gaps)),
            Fact("refills", len(refills)),
            Fact("rubber of the refills", frame.smalls(_grams(refills, "mass_kg")), frame.small, 1),
            Fact("bags, by people's word", len(bags)),
            Fact("rubber of the bags", frame.smalls(_grams(bags, "mass_kg")), frame.small, 1),
            Fact("rubber dumped out of the drum", frame.smalls(_grams(dumped, "rubber_kg")), frame.small, 1),
            Fact("deviations", len(day.cases)),
        ),
        "Operation",
    )


def _grams(details: Sequence[dict[str, object]], name: str) -> int:
    return sum(round(1000.0 * value) for one in details if isinstance(value := one.get(name), int | float))


def _totals(day: Production) -> Table:
    """Hold parcels against what the rates integrate to. Both are in kilograms, whatever the site's units."""
    masses = joined([one.made for one in day.lots]).masses
    told = (
        ("mix without rubber", masses.mix_g - masses.rubber_g, day.rates.mix),
        ("rubber", masses.rubber_g, day.rates.fed),
    )
    rows: list[tuple[Value, ...]] = []
    for name, booked_g, rate in told:
        booked_kg, rate_kg = booked_g / 1000.0, rate.value
        off_kg = None if rate_kg is None else rate_kg - booked_kg
        share = None if off_kg is None or not booked_kg else 100.0 * off_kg / booked_kg
        rows.append((name, booked_kg, rate_kg, off_kg, share, rate.coverage.good_percent))
    columns = (
        Column("material"), number("parcels", "kg", 3), number("integrated rate", "kg", 1),
        number("difference", "kg", 1), number("difference", "percent of parcels", 2), number("rate good", "percent", 1),
    )  # fmt: skip
    note = (
        "The total is that of the parcels. Beside it the rates of the rows, each held until the next row (OPC UA Part"
        " 13, Total2, stepped); what their gaps leave out is in the difference, and so is what line and drum held at"
        " both ends: parcels are counted at the drum's outlet, rates at the injection point and at the auger."
    )
    return Table("Totals against rates", columns, rows, note)


def _stops(frame: Frame, happened: Sequence[Happening]) -> Table:
    rows = [
        (moment(one.at_us, frame.zone), str(one.detail.get("cause", "")), str(one.detail.get("trigger", "")), one.seq)
        for one in happened
        if one.name == "feed_stopped"
    ]
    columns = (time("at"), Column("cause"), Column("trigger"), number("record entry"))
    return Table("Stops of the feed by itself", columns, rows)


def _alarms(happened: Sequence[Happening]) -> Table:
    raised = [one for one in happened if one.name == "alarm_raised"]
    counts = Counter(str(one.detail.get("alarm")) for one in raised)
    first = Counter(str(one.detail.get("alarm")) for one in raised if one.detail.get("first_out"))
    rows = [(alarm, count, first[alarm]) for alarm, count in sorted(counts.items(), key=lambda one: (-one[1], one[0]))]
    return Table("Alarms", (Column("alarm"), number("raised"), number("first out")), rows)


def _gaps(frame: Frame, day: Production) -> Table:
    gaps = day.rates.fed.coverage.gaps
    rows = [
        (moment(begin_us, frame.zone), moment(end_us, frame.zone), (end_us - begin_us) / 1e6)
        for begin_us, end_us in gaps[:MOST_GAPS]
    ]
    more = f" Of {len(gaps)} gaps the first {MOST_GAPS} are listed." if len(gaps) > MOST_GAPS else ""
    note = f"Times in which the fed rate was Bad or nothing was recorded.{more}"
    return Table("Gaps", (time("from"), time("to"), number("length", "s", 1)), rows, note)
