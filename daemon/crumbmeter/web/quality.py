"""What QC asks and says at the desk: answers out of both records, files of them, entries for the quality record.

The records are opened anew for each request and read in a thread. A PDF or a Parquet file is made by a process of its
own: the libraries for them are large, and whatever becomes of them must not touch the pages.
"""

import asyncio
import contextlib
import os
import sys
import tempfile
from collections.abc import Iterator, Mapping
from datetime import date
from pathlib import Path
from typing import Any, Final

from crumbmeter.adapters.clock import machine_pause
from crumbmeter.journal.entry import SIMULATED
from crumbmeter.journal.errors import JournalUnreadableError
from crumbmeter.ledger.quality import NotRecordedError, append
from crumbmeter.outward.tickets import ReadTickets, parse_csv, parse_json
from crumbmeter.qc.said import Said
from crumbmeter.report.document import content
from crumbmeter.report.forms import Form, FormRefusedError, forms, said_of
from crumbmeter.report.questions import QUESTIONS, answer
from crumbmeter.report.sources import NoAnswerError, Sources, opened
from crumbmeter.report.ticket_intake import Intake, take
from crumbmeter.site import Site, SiteRefusedError
from crumbmeter.site.quality import load_quality_plan
from crumbmeter.web.faults import DeskError

Json = dict[str, Any]
Days = tuple[date | None, date | None]
JOBS: Final = 2
"""Files that are made at once."""
JOB_S: Final = 60.0
"""[s] A file takes no longer."""
OPTIONS: Final = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
"""One thread is enough for a chart."""


class Quality:
    """The records of a site, for the handlers of the API. Nothing is kept open."""

    def __init__(self, site: Site) -> None:
        self._site = site
        self._jobs = asyncio.Semaphore(JOBS)

    def form(self, name: str) -> Form:
        """Return a form.

        Raises:
            DeskError: 409 where this site offers none of that name, or the plan is refused.
        """
        with _told():
            found = {one.name: one for one in forms(self._site, load_quality_plan(self._site))}
        if name not in found:
            raise DeskError(422, "body.form", repr(name), f"one of {', '.join(found)}", "Choose one of them.")
        return found[name]

    def overview(self, now_us: int) -> Json:
        """Say which questions and forms there are. Reads the quality plan."""
        with _told():
            plan = load_quality_plan(self._site)
        return {
            "questions": [
                {"name": one.name, "title": one.title, "under": one.under, "about": one.about, "files": list(one.files)}
                for one in QUESTIONS
            ],
            "forms": [_form(one) for one in forms(self._site, plan)],
            "today": plan.calendar.day_at(now_us).date.isoformat(),
            "zone": plan.calendar.zone.key,
        }

    def answer(self, name: str, days: Days, about: str, now_us: int) -> Json:
        """Answer a question. Blocks: call it in a thread."""
        with _told(), opened(self._site) as sources:
            first, last = days_of(sources, days, now_us)
            return content(answer(sources, name, sources.days(first, last), about))

    async def file(self, name: str, kind: str, days: Days, about: str, now_us: int) -> bytes:
        """Make a file of an answer, in a process of its own.

        Raises:
            DeskError: 404 where there is no answer, 503 where too many are being made or one takes too long.
        """
        if self._jobs.locked():
            raise DeskError(
                503, "files", f"{JOBS} are being made", "a free place", "Ask again in a moment.", retry_after_s=5
            )
        async with self._jobs:
            with tempfile.TemporaryDirectory(prefix="crumbmeter-file-") as folder:
                target = Path(folder) / f"answer.{kind}"
                today = await asyncio.to_thread(self._today, now_us)
                await self._make(target, name, (days[0] or days[1] or today, days[1] or days[0] or today), about)
                return await asyncio.to_thread(target.read_bytes)

    def _today(self, now_us: int) -> date:
        with _told():
            return load_quality_plan(self._site).calendar.day_at(now_us).date

    async def _make(self, target: Path, name: str, days: tuple[date, date], about: str) -> None:
        site = self._site
        words = [
            sys.executable, "-m", "crumbmeter", "quality", "ask", str(site.path), "--record", str(site.journal.folder),
            "--quality-folder", str(site.desk.quality_folder), "-o", str(target),
        ]  # fmt: skip
        for option, day in zip(("--from", "--to"), days, strict=True):
            words += [option, day.isoformat()]
        made = await asyncio.create_subprocess_exec(
            *words, "--", name, about, stdin=asyncio.subprocess.DEVNULL, stdout=asyncio.subprocess.DEVNULL,
            stderr=asyncio.subprocess.PIPE, env=os.environ | OPTIONS,
        )  # fmt: skip
        try:
            async with asyncio.timeout(JOB_S):
                _, told = await made.communicate()
        except TimeoutError:
            raise DeskError(
                503, "files", f"not made within {JOB_S:g} s", "a file", "Ask for fewer days.", retry_after_s=60
            ) from None
        finally:
            if made.returncode is None:
                made.kill()
                await made.wait()
        if made.returncode:
            why = told.decode(errors="replace").strip().splitlines()
            raise DeskError(404, name, why[-1] if why else "nothing was made", "an answer", "Look at what was asked.")

    def say(self, form: str, fields: Mapping[str, str], who: str, now_us: int) -> Said:
        """Put one thing on record. Blocks: call it in a thread.

        Raises:
            DeskError: 409 where it cannot be taken, 503 where the record cannot be written now.
        """
        with _told():
            with opened(self._site) as sources:
                said = said_of(sources, form, fields, who, now_us)
            (put,) = self._append([said], now_us)
        return put

    def tickets(self, raw: str, who: str, now_us: int, *, as_csv: bool) -> Intake:
        """Put load tickets on record. Blocks: call it in a thread."""
        with _told():
            with opened(self._site) as sources:
                zone = sources.plan.calendar.zone
                read: ReadTickets = parse_csv(raw, "body", zone) if as_csv else parse_json(raw, "message", zone)
                found = take(read, sources.said, who, now_us)
            if found.new:
                self._append(list(found.new), now_us)
        return found

    def _append(self, saids: list[Said], now_us: int) -> tuple[Said, ...]:
        flags = SIMULATED if self._site.params.simulated else 0
        return append(self._site.desk.quality_folder, saids, lambda: now_us, machine_pause, flags=flags)


def days_of(sources: Sources, days: Days, now_us: int) -> tuple[date, date]:
    """Return the production days that are asked for: today, where nothing was said."""
    today = sources.plan.calendar.day_at(now_us).date
    first, last = days
    return first or last or today, last or first or today


def _form(form: Form) -> Json:
    fields = [
        {
            "name": one.name, "label": one.label, "kind": one.kind, "unit": one.unit, "choices": list(one.choices),
            "required": one.required, "help": one.help, "subject": one.subject,
        }
        for one in form.fields
    ]  # fmt: skip
    return {
        "name": form.name, "title": form.title, "question": form.question, "roles": list(form.roles),
        "button": form.button, "fields": fields,
    }  # fmt: skip


@contextlib.contextmanager
def _told() -> Iterator[None]:
    """Turn what can go wrong with the records into refusals."""
    try:
        yield
    except NoAnswerError as missing:
        raise DeskError(
            404, "quality", str(missing), "an answer", "Look at what was asked, and at the period."
        ) from missing
    except FormRefusedError as refused:
        raise DeskError(
            409, f"body.fields.{refused.field}", refused.found, refused.expected, refused.remedy
        ) from refused
    except SiteRefusedError as refused_plan:
        first = refused_plan.problems[0]
        raise DeskError(
            409, f"{first.file}, line {first.line}, {first.key}", first.found or "missing", first.expected, first.remedy
        ) from refused_plan
    except JournalUnreadableError as unreadable:
        raise DeskError(
            409, "record", str(unreadable), "a record that can be read", "Run crumbmeter verify on it."
        ) from unreadable
    except NotRecordedError as problem:
        raise DeskError(
            503, "quality record", str(problem), "a record that can be written", "Try again.", retry_after_s=5
        ) from problem
