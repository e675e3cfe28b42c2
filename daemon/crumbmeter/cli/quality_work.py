"""`crumbmeter quality`: the work behind its commands."""

import getpass
import json
import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

from crumbmeter.adapters.clock import machine_pause, machine_wall_us
from crumbmeter.cli.exits import FAILED, OK, REFUSED
from crumbmeter.cli.run import load_or_say
from crumbmeter.cli.screen import columns
from crumbmeter.journal.entry import SIMULATED
from crumbmeter.journal.errors import JournalUnreadableError
from crumbmeter.ledger import booked
from crumbmeter.ledger.quality import NotRecordedError, append
from crumbmeter.outward.tickets import parse_csv
from crumbmeter.qc.said import Said
from crumbmeter.report.document import content
from crumbmeter.report.forms import FormRefusedError, forms, said_of
from crumbmeter.report.questions import QUESTIONS, answer
from crumbmeter.report.sources import NoAnswerError, Sources, Span, opened
from crumbmeter.report.taking import file_bytes
from crumbmeter.report.terminal import text
from crumbmeter.report.ticket_intake import take
from crumbmeter.site import Site, SiteRefusedError, report
from crumbmeter.site.quality import load_quality_plan

Days = tuple[date | None, date | None]


@dataclass(frozen=True, slots=True)
class Places:
    """The site file, and where its records lie if it is not where the site file says."""

    site: Path
    record: Path | None = None
    quality: Path | None = None

    def load(self) -> Site | None:
        """Load the site; None where that has been refused, and said."""
        site = load_or_say(self.site)
        if site is None:
            return None
        if self.record is not None:
            site = replace(site, journal=replace(site.journal, folder=self.record))
        if self.quality is not None:
            site = replace(site, desk=replace(site.desk, people=self.quality / site.desk.people.name))
        return site


def ask(places: Places, question: str, about: str, days: Days, output: Path | None, *, as_json: bool) -> int:
    """Answer a question in the terminal or as a file."""
    site = places.load()
    if site is None:
        return REFUSED
    try:
        with opened(site) as sources:
            document = answer(sources, question, _span(sources, days), about)
            logo = sources.plan.place.logo
        if output is not None:
            kind = output.suffix.removeprefix(".")
            output.write_bytes(file_bytes(document, kind, logo, machine_wall_us() if kind == "pdf" else None))
            sys.stdout.write(f"{output}\n")
        elif as_json:
            sys.stdout.write(json.dumps(content(document), indent=1, allow_nan=False) + "\n")
        else:
            sys.stdout.write(text(document, columns()))
    except NoAnswerError as missing:
        sys.stderr.write(f"no answer: {missing}\n")
        return FAILED
    except SiteRefusedError as refused:
        sys.stderr.write(report(refused.problems) + "\n")
        return REFUSED
    except (JournalUnreadableError, OSError) as problem:
        sys.stderr.write(f"cannot answer: {problem}\n")
        return REFUSED
    return OK


def _span(sources: Sources, days: Days) -> Span:
    first, last = days
    if first is None:
        newest = next(booked.iterate(sources.reader, newest_first=True), None)
        if newest is None:
            raise NoAnswerError("no mix is on record yet")
        first = sources.plan.calendar.day_at(newest.ended_us).date
        first = min(first, last) if last is not None else first
    return sources.days(first, last or first)


def questions() -> int:
    """List the questions."""
    for one in QUESTIONS:
        about = f"ABOUT: {one.about}. " if one.about else ""
        sys.stdout.write(f"{one.name:14} {one.title}. {about}Files: {', '.join(one.files)}.\n")
    return OK


def say(places: Places, form: str, fields: Sequence[str], who: str) -> int:
    """Put one thing on record; without any field, list the form's."""
    site = places.load()
    if site is None:
        return REFUSED
    try:
        if not fields:
            return _list_form(site, form)
        with opened(site) as sources:
            given = dict(_pair(one) for one in fields)
            said = said_of(sources, form, given, _name(who), machine_wall_us())
        (put,) = _append(site, [said])
    except FormRefusedError as refused:
        sys.stderr.write(f"not recorded: {refused}\n")
        return REFUSED
    except (NoAnswerError, JournalUnreadableError, NotRecordedError) as problem:
        sys.stderr.write(f"not recorded: {problem}\n")
        return REFUSED
    except SiteRefusedError as refused_site:
        sys.stderr.write(report(refused_site.problems) + "\n")
        return REFUSED
    sys.stdout.write(f"on record as entry {put.seq}: {put.subject.value} {put.about}\n")
    return OK


def _pair(text_: str) -> tuple[str, str]:
    name, mark, value = text_.partition("=")
    if not mark:
        raise FormRefusedError(text_, "no equals sign", "NAME=VALUE", "Put the value in quotes where it has spaces.")
    return name, value


def _list_form(site: Site, name: str) -> int:
    every = {one.name: one for one in forms(site, load_quality_plan(site))}
    if name not in every:
        sys.stderr.write(f"no form {name!r}; there are: {', '.join(every)}\n")
        return REFUSED
    for one in every[name].fields:
        needed = "" if one.required else " (may be left out)"
        unit = f" [{one.unit}]" if one.unit else ""
        choices = f": {', '.join(one.choices)}" if one.choices else ""
        sys.stdout.write(f"{one.name:14} {one.label}{unit}{needed}{choices} {one.help}".rstrip() + "\n")
    return OK


def _name(who: str) -> str:
    return f"{who or getpass.getuser()} (command line)"


def _append(site: Site, saids: Sequence[Said]) -> tuple[Said, ...]:
    flags = SIMULATED if site.params.simulated else 0
    return append(site.desk.quality_folder, saids, machine_wall_us, machine_pause, flags=flags)


def tickets(places: Places, file: Path, who: str, *, correct: bool) -> int:
    """Put the load tickets of a file on record."""
    site = places.load()
    if site is None:
        return REFUSED
    try:
        raw = file.read_text("utf-8-sig")
        with opened(site) as sources:
            read = parse_csv(raw, file.name, sources.plan.calendar.zone)
            found = take(read, sources.said, f"{file.name}, {_name(who)}", machine_wall_us(), correct=correct)
        put = _append(site, found.new) if found.new else ()
    except (OSError, UnicodeDecodeError, NoAnswerError, JournalUnreadableError, NotRecordedError) as problem:
        sys.stderr.write(f"nothing was taken: {problem}\n")
        return REFUSED
    except SiteRefusedError as refused:
        sys.stderr.write(report(refused.problems) + "\n")
        return REFUSED
    for one in found.problems:
        sys.stderr.write(one + "\n")
    sys.stdout.write(
        f"{len(put)} tickets put on record, {len(found.known)} were there, {len(found.problems)} refused\n"
    )
    return FAILED if found.problems else OK
