"""`crumbmeter accept SITE`: half of the run in monitor only, the rest in control, then judged and put on record."""

import json
import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from crumbmeter.adapters.clock import machine_pause, machine_wall_us
from crumbmeter.adapters.control_line import NoDaemonError
from crumbmeter.cli.accept_guide import Guide, Guided
from crumbmeter.cli.entries_file import NoMomentError, moment
from crumbmeter.cli.exits import FAILED, NO_DAEMON, OK, REFUSED
from crumbmeter.cli.quality_work import Places
from crumbmeter.cli.recorded import wait_for_record
from crumbmeter.cli.screen import columns
from crumbmeter.commission.acceptance import Run, judge
from crumbmeter.commission.plan_file import PlanFileError, read_plan
from crumbmeter.journal.entry import SIMULATED
from crumbmeter.journal.errors import JournalUnreadableError
from crumbmeter.journal.reader import Reader
from crumbmeter.ledger.quality import NotRecordedError, append, head_of
from crumbmeter.qc.acceptance import Acceptance, is_run, said_of, signature
from crumbmeter.qc.specification import Specification
from crumbmeter.qc.verdict import Verdict
from crumbmeter.report import acceptance as paper
from crumbmeter.report.answers_commissioning import commissioning
from crumbmeter.report.answers_records import ALL_TIME
from crumbmeter.report.document import content
from crumbmeter.report.sources import NoAnswerError, Span, opened, record_file
from crumbmeter.report.taking import file_bytes
from crumbmeter.report.terminal import text
from crumbmeter.site import Site, SiteRefusedError, report
from crumbmeter.site.specification import known_specifications, load_specification

Answer = Callable[[str], str]


@dataclass(frozen=True, slots=True)
class Asked:
    """What was asked for."""

    specification: str
    by: str
    witness: str = ""
    minutes: float = 30.0
    """[min] Of process time, half of it in each part."""
    span: Span | None = None
    """None: guide a run now."""
    plan: Path | None = None
    output: Path | None = None
    as_json: bool = False


def accept(places: Places, asked: Asked, answer: Answer = input) -> int:
    """Run it, or judge one on record.

    Returns:
        Exit code: 0 every line passes, 1 a line fails or cannot be judged, or it was not finished, 2 refused,
        3 no daemon.
    """
    site = places.load()
    if site is None:
        return REFUSED
    try:
        specification = _specification(site, asked.specification)
        plan = None if asked.plan is None else read_plan(asked.plan)
        guided = _guided(site, asked, answer)
        asked_run = Run(guided.span, guided.finished, guided.why_not, asked.by, asked.witness, plan)
        run = _judged(site, specification, asked_run)
        _put(site, run)
        _show(site, run, asked)
        sign(site, run.run_id, [("integrator", asked.by), ("witness", asked.witness)], answer)
        if asked.output is not None:
            _write(site, asked.output, run.run_id)
    except NoDaemonError as fault:
        sys.stderr.write(f"{fault}\nA run on record is judged with --from and --to.\n")
        return NO_DAEMON
    except (NoAnswerError, PlanFileError, JournalUnreadableError, NotRecordedError, OSError) as problem:
        sys.stderr.write(f"no acceptance run: {problem}\n")
        return REFUSED
    except SiteRefusedError as refused:
        sys.stderr.write(report(refused.problems) + "\n")
        return REFUSED
    return OK if run.finished and run.verdict is Verdict.PASSES else FAILED


def _specification(site: Site, name: str) -> Specification:
    known = known_specifications(site.path)
    if name not in known:
        raise NoAnswerError(f"no specification {name!r}; there are: {', '.join(known) or 'none'}")
    return load_specification(known[name])


def _guided(site: Site, asked: Asked, answer: Answer) -> Guided:
    if asked.span is not None:
        return Guided(asked.span, finished=True, why_not="")
    with opened(site):
        began_us = newest_us(site)  # and what would keep the run from being judged is told before it begins
    ended = Guide(site, asked.minutes * 60.0, answer).run()
    wait_for_record(site, ended.last_s)
    return Guided(Span(began_us, newest_us(site) + 1), ended.finished, ended.why_not)


def newest_us(site: Site) -> int:
    """[us] Return the wall time of the newest entry of the plant's record.

    Raises:
        NoAnswerError: there is none.
    """
    file = record_file(site)
    if not file.exists():
        raise NoAnswerError(f"{file}: the plant has no record yet; it begins with `crumbmeter run`")
    with Reader(file) as reader:
        newest = next(reader.entries("record", newest_first=True), None)
    if newest is None:
        raise NoAnswerError(f"{file} holds nothing yet")
    return newest.wall_us


def _judged(site: Site, specification: Specification, run: Run) -> Acceptance:
    with opened(site) as sources:
        return judge(sources, specification, run)


def _put(site: Site, run: Acceptance) -> None:
    flags = SIMULATED if run.simulated else 0
    said = replace(said_of(run), effective_us=min(run.end_us, machine_wall_us()))
    (put,) = append(site.desk.quality_folder, [said], machine_wall_us, machine_pause, flags=flags, seal=True)
    sys.stderr.write(f"on record as entry {put.seq}: acceptance run {run.run_id}\n")


def _show(site: Site, run: Acceptance, asked: Asked) -> None:
    with opened(site) as sources:
        made = paper.document(sources.frame(Span(run.begin_us, run.end_us)), run)
    if asked.as_json:
        sys.stdout.write(json.dumps(content(made), indent=1, allow_nan=False) + "\n")
    else:
        sys.stdout.write(text(made, columns()))


def sign(site: Site, run_id: str, people: list[tuple[str, str]], answer: Answer) -> int:
    """Let people sign the commissioning as it now stands, each by typing his name; return how many did.

    Args:
        site: Whose.
        run_id: Of the run that ends it.
        people: Role and name of each; without a name nobody is asked.
        answer: Asks the person at the terminal.

    Raises:
        NotRecordedError: a signature could not be recorded.
    """
    signed = 0
    for role, name in people:
        if not name:
            continue
        try:
            typed = answer(f"{role} {name}: type your name to sign the commissioning as it stands, or Enter not to: ")
        except EOFError:
            typed = ""
        if typed.strip() != name:
            sys.stderr.write(f"not signed by the {role}\n")
            continue
        folder = site.desk.quality_folder
        said = signature(run_id, head_of(folder), role, name, machine_wall_us())
        flags = SIMULATED if site.params.simulated else 0
        (put,) = append(folder, [said], machine_wall_us, machine_pause, flags=flags, seal=True)
        sys.stderr.write(f"signed by the {role} {name} as entry {put.seq}\n")
        signed += 1
    return signed


def _write(site: Site, output: Path, run_id: str) -> None:
    with opened(site) as sources:
        made = commissioning(sources, ALL_TIME, run_id)
        kind = output.suffix.removeprefix(".")
        created_us = machine_wall_us() if kind == "pdf" else None
        output.write_bytes(file_bytes(made, kind, sources.plan.place.logo, created_us))
    sys.stderr.write(f"{output}\n")


def span_of(from_when: str, to_when: str) -> Span | str | None:
    """Return the stretch of the record that the options name; None: they name none; a text: what is wrong with them."""
    if not from_when and not to_when:
        return None
    try:
        begin_us, end_us = moment("--from", from_when), moment("--to", to_when)
    except NoMomentError as problem:
        return str(problem)
    if begin_us is None or end_us is None:
        return "a run on record needs both --from and --to"
    return Span(begin_us, end_us) if begin_us < end_us else "--from is not before --to"


def sign_now(places: Places, role: str, by: str, run_id: str, answer: Answer = input) -> int:
    """Let one person sign the commissioning later, such as a witness who comes the next day.

    Returns:
        Exit code: 0 signed, 1 not, 2 refused.
    """
    site = places.load()
    if site is None:
        return REFUSED
    try:
        signed_run = _run_to_sign(site, run_id)
        return OK if sign(site, signed_run, [(role, by)], answer) else FAILED
    except (NoAnswerError, JournalUnreadableError, NotRecordedError, OSError) as problem:
        sys.stderr.write(f"not signed: {problem}\n")
    except SiteRefusedError as refused:
        sys.stderr.write(report(refused.problems) + "\n")
    return REFUSED


def _run_to_sign(site: Site, run_id: str) -> str:
    with opened(site) as sources:
        runs = [one.about for one in sources.said.holding if is_run(one)]
    if not runs or (run_id and run_id not in runs):
        raise NoAnswerError(f"no acceptance run {run_id or 'on record'}; there are: {', '.join(runs) or 'none'}")
    return run_id or runs[-1]
