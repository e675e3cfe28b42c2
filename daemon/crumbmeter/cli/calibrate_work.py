"""`crumbmeter calibrate`: the work behind the command."""

import contextlib
import getpass
import json
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from crumbmeter.adapters.clock import machine_pause, machine_wall_us
from crumbmeter.cli.calibrate_guide import Guide, LeftOffError, MissingError, Talk
from crumbmeter.cli.calibrate_look import look
from crumbmeter.cli.calibrate_text import (
    changes_text,
    list_text,
    missing_json,
    result_json,
    result_text,
    steps_text,
)
from crumbmeter.cli.exits import FAILED, OK, REFUSED
from crumbmeter.cli.into_site_file import into_site_file
from crumbmeter.cli.quality_work import Places
from crumbmeter.commission.calibrating import drafts
from crumbmeter.commission.calibrating.procedures import PROCEDURES, calibration, said
from crumbmeter.commission.calibrating.steps import Entries, Entry, Place, Procedure, Worked
from crumbmeter.commission.calibrating.tracks import Found, Source, Watch, Watching
from crumbmeter.commission.site_values import Change, changes
from crumbmeter.journal.entry import SIMULATED
from crumbmeter.journal.errors import JournalUnreadableError
from crumbmeter.ledger.quality import NotRecordedError, append, read_all
from crumbmeter.model.faults import CrumbmeterError
from crumbmeter.qc.calibrations import AGENCY, LEGAL_FOR_TRADE, Judged, Limit, Limits, Outcome, judge
from crumbmeter.report.form_texts import FormRefusedError
from crumbmeter.site import Site, SiteRefusedError, report
from crumbmeter.site.calibration_limits import find_calibration_limits, load_calibration_limits


@dataclass(frozen=True, slots=True)
class Asked:
    """What was asked for on the command line."""

    places: Places
    word: str = ""
    instrument: str = ""
    given: Mapping[str, str] = field(default_factory=dict)
    who: str = ""
    draft: Path | None = None
    socket: Path | None = None
    corrects: str = ""
    reason: str = ""
    anew: bool = False
    legal: bool = False
    steps: bool = False
    as_json: bool = False
    record: bool = False
    apply: bool = False


@dataclass(frozen=True, slots=True)
class Opened:
    """One test, opened."""

    site: Site
    procedure: Procedure
    place: Place
    draft: Path
    head: drafts.Head


@dataclass(frozen=True, slots=True)
class Result:
    """A finished test."""

    judged: Judged
    worked: Worked
    limits: tuple[Limit, ...]
    changes: tuple[Change, ...]


def calibrate(asked: Asked, talk: Talk | None) -> int:
    """Lead through a test, show what it comes to, and put it on record where that is wanted.

    Args:
        asked: What was asked for.
        talk: The person; None: nobody can be asked.

    Returns:
        Exit code: 0 within the limits, 1 not within them, 2 refused, or something is missing and the draft is kept.
    """
    site = asked.places.load()
    if site is None:
        return REFUSED
    try:
        if not asked.word:
            sys.stdout.write(list_text(site, tuple(PROCEDURES.values())))
            return OK
        return _test(asked, _opened(asked, site, talk), talk)
    except (CrumbmeterError, NotRecordedError, JournalUnreadableError) as refused:
        words = report(refused.problems) if isinstance(refused, SiteRefusedError) else str(refused)
        sys.stderr.write(f"{words}\n")
    except (ValueError, OSError) as problem:
        sys.stderr.write(f"cannot be worked out: {problem}\n")
    return REFUSED


def _opened(asked: Asked, site: Site, talk: Talk | None) -> Opened:
    procedure = PROCEDURES.get(asked.word)
    if procedure is None:
        words = ", ".join(PROCEDURES)
        raise FormRefusedError("KIND", repr(asked.word), f"one of {words}", "`crumbmeter calibrate SITE` lists them.")
    there = procedure.instruments(site)
    instrument = asked.instrument or (there[0] if len(there) == 1 else _chosen(there, talk))
    if instrument not in there:
        raise FormRefusedError(
            "INSTRUMENT", repr(instrument), f"one of {', '.join(there) or 'none, for this site has none'}",
            "Name it behind the kind.",
        )  # fmt: skip
    file = find_calibration_limits(site.path)
    limits = Limits(()) if file is None else load_calibration_limits(file)
    regime = LEGAL_FOR_TRADE if asked.legal else AGENCY
    folder = site.desk.quality_folder / "calibrations"
    draft = asked.draft or folder / f"{procedure.word}-{instrument}.json"
    head = drafts.Head(site.params.site_id, procedure.word, instrument, regime)
    return Opened(site, procedure, Place(site, instrument, limits, regime), draft, head)


def _chosen(there: Sequence[str], talk: Talk | None) -> str:
    """Ask which instrument is meant; empty where nobody can be asked."""
    if talk is None or not there:
        return ""
    listed = "".join(f"  {place} {one}\n" for place, one in enumerate(there, start=1))
    try:
        typed = talk.ask(f"What is tested\n{listed} > ").strip()
    except (EOFError, KeyboardInterrupt):
        return ""
    return dict(zip(map(str, range(1, len(there) + 1)), there, strict=True)).get(typed, typed)


def _test(asked: Asked, test: Opened, talk: Talk | None) -> int:
    if asked.anew and not asked.steps:
        drafts.put_aside(test.draft)
    kept = drafts.read(test.draft, test.head)
    if asked.steps:
        _print_steps(asked, test, kept)
        return OK
    socket = asked.socket or test.site.socket
    guide = Guide(
        test.procedure, test.place, kept, asked.given,
        look=lambda watch, sources, tell: look(socket, test.site.params.site_id, watch, sources, tell),
        keep=lambda entries: drafts.write(test.draft, test.head, entries), now_us=machine_wall_us,
    )  # fmt: skip
    if talk is not None and kept:
        talk.say(f"Goes on where it was left: {len(kept)} entries of {test.draft}. (--anew begins anew.)")
    try:
        guide.take_given()
        if talk is None:
            guide.by_script()
        else:
            guide.by_person(talk)
    except LeftOffError:
        sys.stderr.write(f"Left off. Nothing is lost: {test.draft}\n")
        return REFUSED
    except MissingError as missing:
        return _missing(asked, test, missing)
    result = _result(asked, test, guide.entries)
    _show(asked, result)
    return _finish(asked, test, result, talk)


def _print_steps(asked: Asked, test: Opened, kept: dict[str, Entry]) -> None:
    """Print what steps there are after the draft and what was given; nothing is read, nothing is kept."""

    def nobody(_watch: Watch, _sources: Mapping[str, Source], _tell: Callable[[Watching], None]) -> dict[str, Found]:
        return {}

    guide = Guide(
        test.procedure, test.place, kept, asked.given, look=nobody, keep=lambda _entries: None, now_us=machine_wall_us
    )
    with contextlib.suppress(MissingError):
        guide.by_script()
    sys.stdout.write(steps_text(test.procedure, test.place, guide.entries))


def _missing(asked: Asked, test: Opened, missing: MissingError) -> int:
    if asked.as_json:
        names = [one.name for one in missing.missing]
        body = missing_json(missing.step, names, str(missing), metric=test.place.metric) | {"draft": str(test.draft)}
        sys.stdout.write(json.dumps(body, indent=1, allow_nan=False) + "\n")
    else:
        sys.stderr.write(f"{missing}\nThe draft is kept: {test.draft}\n")
    return REFUSED


def _result(asked: Asked, test: Opened, entries: Entries) -> Result:
    worked = test.procedure.work(test.place, entries)
    who = f"{asked.who or getpass.getuser()} (command line)"
    made = calibration(test.procedure, test.place, entries, worked, who, machine_wall_us())
    judged = judge(made, test.place.limits)
    limits = tuple(one for one in test.place.limits.limits if one.kind is made.kind and one.regime == test.place.regime)
    return Result(judged, worked, limits, changes(test.site.path, worked.proposals))


def _show(asked: Asked, result: Result) -> None:
    if not asked.as_json:
        sys.stdout.write(result_text(result.judged, result.worked, result.limits))
        sys.stdout.write(changes_text(result.changes) if result.changes else "")


def _finish(asked: Asked, test: Opened, result: Result, talk: Talk | None) -> int:
    seq, told, written = 0, [], False
    if _wanted(talk, "Put it on record", given=asked.record):
        seq = _record(asked, test, result)
        told.append(f"On record as entry {seq}; `crumbmeter quality ask SITE certificate {seq}` makes the certificate.")
        test.draft.unlink(missing_ok=True)
        if result.changes and _wanted(talk, "Write the values into the site file", given=asked.apply):
            folder, who = test.site.desk.quality_folder, result.judged.calibration.who
            told.append(into_site_file(test.site.path, folder, result.changes, f"calibration {seq}", who))
            written = True
    else:
        told.append(f"Not on record. The draft is kept: {test.draft}")
    if asked.as_json:
        body = result_json(result.judged, result.worked, result.limits, result.changes)
        body |= {"entry": seq or None, "site_file_changed": written}
        sys.stdout.write(json.dumps(body, indent=1, allow_nan=False) + "\n")
    else:
        sys.stdout.write("\n".join(told) + "\n")
    return OK if result.judged.outcome is Outcome.PASSED else FAILED


def _wanted(talk: Talk | None, words: str, *, given: bool) -> bool:
    if given or talk is None:
        return given
    try:
        return talk.ask(f"{words}? y/n (n) > ").strip().lower() in ("y", "yes")
    except (EOFError, KeyboardInterrupt):
        return False


def _record(asked: Asked, test: Opened, result: Result) -> int:
    folder = test.site.desk.quality_folder
    entry = said(result.judged.calibration, read_all(folder), asked.corrects, asked.reason)
    flags = SIMULATED if test.site.params.simulated else 0
    folder.mkdir(parents=True, exist_ok=True)
    (put,) = append(folder, [entry], machine_wall_us, machine_pause, flags=flags)
    return put.seq
