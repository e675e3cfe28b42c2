"""The watch over the journal tells transitions, and nothing twice."""

from dataclasses import replace

from crumbmeter.app.journal_watch import JournalWatch
from crumbmeter.journal.journal import JournalStatus
from crumbmeter.journal.space import Level
from crumbmeter.model.events import Event, event
from tests.fakes import FakeClock

WELL = JournalStatus({}, 0, {"record": 0, "image": 0}, "", "", Level.AMPLE, 0)


def told(*statuses: JournalStatus) -> list[Event]:
    said: list[Event] = []
    watch = JournalWatch(lambda: None, FakeClock(), said.append)
    for status in statuses:
        watch.look(status)
    return said


def test_nothing_is_told_while_all_is_well() -> None:
    assert told(WELL, replace(WELL, queued=7, last_problem="once"), WELL) == []


def test_failing_and_its_end_are_told_once_with_what_was_lost() -> None:
    failing = replace(WELL, failing="FullError: disk full")
    assert told(WELL, failing, replace(failing, failing="IOError: other"), replace(WELL, dropped={"image": 3})) == [
        event("journal_unavailable", detail="FullError: disk full"),
        event("journal_available_again", dropped_count=3),
    ]


def test_a_log_that_somebody_holds_is_told_once_and_its_end() -> None:
    held = replace(WELL, wal_long=True, wal_pages=100_000)
    assert told(WELL, held, replace(held, wal_pages=200_000), replace(WELL, dropped={"image": 9})) == [
        event("journal_wal_long", wal_mb=412.0),
        event("journal_wal_short_again", dropped_count=9),
    ]


def test_each_change_of_space_is_told() -> None:
    levels = (Level.AMPLE, Level.LOW, Level.LOW, Level.SHED_RECORD, Level.SHED_IMAGE, Level.AMPLE)
    said = told(*(replace(WELL, space=level) for level in levels))
    assert [(one.get("was"), one.get("to")) for one in said] == [
        ("ample", "low"),
        ("low", "too low for anything"),
        ("too low for anything", "too low for images of scans"),
        ("too low for images of scans", "ample"),
    ]
