"""What every answer is made from: a site with its plan, the plant's record and the quality record, opened together."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from functools import cached_property
from pathlib import Path

from crumbmeter import __version__
from crumbmeter.journal.chain import Head
from crumbmeter.journal.reader import Reader
from crumbmeter.ledger import booked, quality
from crumbmeter.ledger.judging import Case, cases
from crumbmeter.model.faults import CrumbmeterError
from crumbmeter.qc.booked import Booked
from crumbmeter.qc.lots import By, Lot, lots
from crumbmeter.qc.said import InForce
from crumbmeter.qc.tickets import Tickets, tickets_in_force
from crumbmeter.report.frame import Frame, RestsOn
from crumbmeter.site import Site
from crumbmeter.site.quality import QualityPlan, load_quality_plan

SPARE_US = 60_000_000
"""[us] Added to the travel of line and drum, before which a cause of a deviation is looked for."""


class NoAnswerError(CrumbmeterError):
    """There is nothing to answer with; the text says what was looked for, and what would do."""


@dataclass(frozen=True, slots=True)
class Span:
    """A period, in [us] UTC since 1970."""

    from_us: int
    before_us: int


class Sources:
    """The two records of a site, open for reading. Not shared between threads."""

    def __init__(self, site: Site, plan: QualityPlan, reader: Reader, said: InForce) -> None:
        self.site = site
        self.plan = plan
        self.reader = reader
        self.said = said

    def days(self, first: date, last: date) -> Span:
        """Return the span of production days, both ends with it.

        Raises:
            NoAnswerError: the last one comes before the first.
        """
        if last < first:
            raise NoAnswerError(f"the period ends on {last}, before it begins on {first}")
        calendar = self.plan.calendar
        return Span(calendar.day_of(first).begin_us, calendar.day_of(last).end_us)

    def frame(self, span: Span) -> Frame:
        """Return the head of a report over a period."""
        first, last = self._ends(span)
        settings = self.site.settings_id
        heads = self.reader.heads()
        rests_on = RestsOn(
            settings_id=settings,
            plan_id=self.plan.plan_id,
            version=__version__,
            zone_edition=self.plan.calendar.zone_edition,
            first_seq=first,
            last_seq=last,
            rows=last - first + 1 if last else 0,
            head=head_text(heads["record"]),
            said_head=self._said_head(),
        )
        return Frame(
            site_title=self.site.title,
            simulated=self.site.params.simulated,
            metric=self.site.units == "metric",
            zone=self.plan.calendar.zone,
            rests_on=rests_on,
            project=self.plan.place.project,
            location=self.plan.place.location,
        )

    def _ends(self, span: Span) -> tuple[int, int]:
        ends = [
            next(
                self.reader.entries(
                    "record", from_wall_us=span.from_us, before_wall_us=span.before_us, newest_first=newest
                ),
                None,
            )
            for newest in (False, True)
        ]
        return tuple(0 if one is None else one.seq for one in ends)  # type: ignore[return-value]

    def _said_head(self) -> str:
        file = self.site.desk.quality_folder / quality.NAME
        if not file.exists():
            return ""
        with Reader(file) as reader:
            return head_text(reader.heads()["record"])

    def lead_us(self) -> int:
        """[us] Return how long before a deviation its cause may lie: line and drum, twice over."""
        params = self.site.params
        return round(2e6 * (params.line.travel_s + params.drum.outlet_residence_s)) + SPARE_US

    def cases(self, span: Span | None) -> list[Case]:
        """Return the deviations that touch a period; None: all of them."""
        from_us, before_us = (None, None) if span is None else (span.from_us, span.before_us)
        return cases(self.reader, self.said, self.plan.deviations, self.lead_us(), from_us, before_us)

    def parcels(self, span: Span) -> Iterator[Booked]:
        """Iterate the parcels of a period, by when they were booked."""
        return booked.iterate(self.reader, from_wall_us=span.from_us, before_wall_us=span.before_us)

    def lots(self, span: Span) -> list[Lot]:
        """Return the lots that touch a period. Lots by mass and by mix are counted from the record's beginning."""
        rule = self.plan.lots
        found = list(lots(self.parcels(span), rule)) if rule.by is By.DAY else self._every_lot
        return [
            one for one in found
            if one.made.ended_us >= span.from_us and one.made.began_us < span.before_us
        ]  # fmt: skip

    @cached_property
    def _every_lot(self) -> list[Lot]:
        """Cut the whole record, once: where a lot by mass begins, only all mix before it tells."""
        return list(lots(booked.iterate(self.reader), self.plan.lots))

    def tickets(self) -> Tickets:
        """Return the load tickets in force."""
        return tickets_in_force(self.said.holding)


def head_text(head: Head) -> str:
    """Write a head as `crumbmeter verify --head` takes it."""
    return f"{head.strand}:{head.seq}:{head.hash.hex()}"


@contextmanager
def opened(site: Site) -> Iterator[Sources]:
    """Open the records of a site.

    Raises:
        SiteRefusedError: its quality plan has faults.
        JournalUnreadableError: a record cannot be read.
        NoAnswerError: the plant has no record yet.
    """
    plan = load_quality_plan(site)
    file = record_file(site)
    if not file.exists():
        raise NoAnswerError(f"{file}: the plant has no record yet; it begins with `crumbmeter run`")
    said = quality.read_all(site.desk.quality_folder)
    with Reader(file) as reader:
        yield Sources(site, plan, reader, said)


def record_file(site: Site) -> Path:
    """Return the file of the plant's record."""
    return site.journal.folder / "journal.db"


def found_by_id(lots_found: Sequence[Lot], lot_id: str) -> Lot:
    """Return the lot of an id.

    Raises:
        NoAnswerError: none of these has it.
    """
    for one in lots_found:
        if one.lot_id == lot_id.removeprefix("lot "):
            return one
    there = ", ".join(one.lot_id for one in lots_found[:12]) or "none"
    raise NoAnswerError(f"no lot {lot_id!r} in this period; lots there: {there}")
