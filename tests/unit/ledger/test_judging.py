"""A deviation out of the record is the same whatever period is asked for."""

from collections.abc import Iterator
from uuid import uuid4

import pytest

from crumbmeter.journal.entry import Stamp
from crumbmeter.journal.journal import Journal
from crumbmeter.journal.reader import Reader
from crumbmeter.ledger import boots, events, parcels
from crumbmeter.ledger.judging import cases, deviations
from crumbmeter.ledger.stamped import Stamped
from crumbmeter.model.events import event
from crumbmeter.qc.deviations import DeviationRule
from crumbmeter.qc.reviews import Standing
from crumbmeter.qc.said import InForce, Said, Subject
from tests.qc_parcels import booked

WALL_US = 1_790_000_000_000_000
SECOND_US = 1_000_000
RULE = DeviationRule(0.10, 5_000_000)
SHORT = range(101, 181)
"""Numbers of the parcels without rubber: from 1000 s to 1800 s."""


def at(second: float) -> int:
    return WALL_US + round(second * SECOND_US)


@pytest.fixture(scope="module")
def reader(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Reader]:
    path = tmp_path_factory.mktemp("record") / "journal.db"
    boot_id = uuid4().hex
    journal = Journal(path, boot_id, lambda: Stamp(0, WALL_US))
    began = boots.boot(boot_id, "1", "settings-1", clock_synced=True, simulated=False)
    journal.append_nowait([boots.entry(began, Stamped(0, WALL_US))])
    for number in range(1, 401):
        parcel = booked(number, rubber_g=0 if number in SHORT else 1250).parcel
        stamped = Stamped(round((parcel.ended_s + 1.0) * 1e6), at(parcel.ended_s + 1.0))
        raised = event("alarm_raised", alarm="no_feed", state="unacknowledged", detail="", first_out=True)
        journal.append_nowait([parcels.entry(parcel, stamped)])
        if number == 103:
            journal.append_nowait([events.entry(raised, stamped)])
    assert journal.flush(10)
    assert journal.close(10)
    with Reader(path) as opened:
        yield opened


@pytest.mark.parametrize(
    ("from_s", "before_s"),
    [(None, None), (0, 4100), (1500, 1510), (1790, 4100), (0, 1005), (1799, None), (None, 1001)],
)
def test_the_same_whatever_is_asked(reader: Reader, from_s: float | None, before_s: float | None) -> None:
    span = (None if from_s is None else at(from_s), None if before_s is None else at(before_s))
    (one,) = deviations(reader, RULE, *span)
    assert (one.deviation_id, one.first_number, one.last_number) == ("D101-short", SHORT[0], SHORT[-1])
    assert (one.began_us, one.ended_us) == (at(1000), at(1800))


@pytest.mark.parametrize(("from_s", "before_s"), [(0, 999), (1801, 4100)])
def test_outside_there_is_none(reader: Reader, from_s: float, before_s: float) -> None:
    assert deviations(reader, RULE, at(from_s), at(before_s)) == []


def test_a_case_has_its_alarm_and_its_review(reader: Reader) -> None:
    said = Said(Subject.DEVIATION, "D101-short", {"cause": "feeder"}, "ada (qc)", at(2000), seq=1)
    (one,) = cases(reader, InForce((said,)), RULE, 120 * SECOND_US, None, None)
    assert one.around.first_out is not None
    assert one.around.first_out.detail["alarm"] == "no_feed"
    assert one.review.standing is Standing.CLASSIFIED
