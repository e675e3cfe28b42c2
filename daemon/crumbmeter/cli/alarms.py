"""`crumbmeter alarms JOURNAL`: how many alarms a period held, which they were, which of them need work."""

import json
import sys
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path

from crumbmeter.alarms.load import HOUR_S, AlarmLoad, load_of
from crumbmeter.cli.entries_file import NoMomentError, moment
from crumbmeter.cli.exits import OK, REFUSED
from crumbmeter.cli.recorded import journal_file
from crumbmeter.journal.errors import JournalUnreadableError
from crumbmeter.journal.reader import Reader
from crumbmeter.ledger import events
from crumbmeter.model.faults import CrumbmeterError


class NoPeriodError(CrumbmeterError):
    """The journal holds nothing of that period."""


def alarms(journal: Path, from_when: str = "", to_when: str = "", *, as_json: bool = False) -> int:
    """Tell the load of alarms of a period.

    Args:
        journal: The journal's file, or its folder.
        from_when: Beginning, as a date and time with its zone; empty: the first event of the journal.
        to_when: End, likewise; empty: the last one.
        as_json: Print JSON instead of words.

    Returns:
        Exit code: 0 told, 2 the journal or a time is refused.
    """
    try:
        with Reader(journal_file(journal)) as reader:
            load = _load(reader, moment("--from", from_when), moment("--to", to_when))
    except (JournalUnreadableError, NoPeriodError, NoMomentError) as problem:
        sys.stderr.write(f"cannot tell the alarms: {problem}\n")
        return REFUSED
    sys.stdout.write((json.dumps(asdict(load), indent=2) if as_json else "\n".join(_words(load))) + "\n")
    return OK


def _load(reader: Reader, from_us: int | None, before_us: int | None) -> AlarmLoad:
    found = [
        (one.stored.wall_us / 1e6, one.event)
        for one in events.iterate(reader, from_wall_us=from_us, before_wall_us=before_us)
    ]
    if not found:
        raise NoPeriodError("no event is on record in that period; look at --from and --to, with their zones")
    began_s = found[0][0] if from_us is None else from_us / 1e6
    ended_s = found[-1][0] if before_us is None else before_us / 1e6
    if ended_s <= began_s:
        raise NoPeriodError("the period has no length; give --from and --to")
    return load_of(found, began_s, ended_s)


def _words(load: AlarmLoad) -> Iterator[str]:
    hours = load.period_s / HOUR_S
    rates = f"{load.per_hour:.1f} an hour, {load.per_10_min:.2f} in ten minutes"
    yield f"{load.raised} new alarms in {hours:.1f} h: {rates}"
    yield "  (one in ten minutes is what a person can manage; ISA-18.2, EEMUA 191)"
    yield f"Most: {load.most_in_10_min} in ten minutes, {load.most_in_an_hour} in an hour"
    yield f"More than one in ten minutes: {100.0 * load.over_manageable:.0f} % of the time"
    yield f"Floods: {load.floods}, {100.0 * load.flood_share:.1f} % of the time"
    counts = ", ".join(f"{number} {name}" for name, number in reversed(load.by_priority))
    yield f"By priority: {counts}"
    if load.top:
        yield "Most frequent:"
        yield from (f"  {one.count:5d}  {100.0 * one.share:3.0f} %  {one.alarm_id}" for one in load.top)
    chattering = ", ".join(f"{name} ({number})" for name, number in load.chattering) or "none"
    yield f"Chattering (three times in a minute): {chattering}"
    stale = ", ".join(f"{name} ({stood_s / HOUR_S:.0f} h)" for name, stood_s in load.stale) or "none"
    yield f"Stale (for more than a day): {stale}"
