"""What happened around a deviation: the alarm that called first, and what was done."""

import pytest

from crumbmeter.qc.circumstances import MOST, Happening, circumstances
from crumbmeter.qc.deviations import Deviation, DeviationRule, find_deviations
from tests.qc_parcels import booked

SECOND_US = 1_000_000


@pytest.fixture
def deviation() -> Deviation:
    """Mix from 400 s to 460 s."""
    parcels = [booked(number, rubber_g=0 if 41 <= number <= 46 else 1250) for number in range(1, 101)]
    (one,) = find_deviations(parcels, DeviationRule(0.10, 5_000_000))
    return one


def at(second: int, name: str, **detail: object) -> Happening:
    return Happening(second * SECOND_US, second, name, detail)


def test_the_first_out_and_what_was_done(deviation: Deviation) -> None:
    happened = [
        at(250, "alarm_raised", alarm="too_early"),
        at(310, "alarm_raised", alarm="line_plugging", first_out=False),
        at(312, "alarm_raised", alarm="feed_stopped", first_out=True),
        at(313, "feed_stopped", cause="line"),
        at(320, "row_nobody_asks_for"),
        at(461, "feed_put_in_service", who="too late"),
    ]
    found = circumstances(deviation, happened, 120 * SECOND_US)
    assert found.first_out == happened[2]
    assert found.alarms == ("line_plugging", "feed_stopped")
    assert found.actions == (happened[3],)


def test_without_an_alarm_there_is_none(deviation: Deviation) -> None:
    assert circumstances(deviation, [], 0).first_out is None


def test_many_happenings_are_counted(deviation: Deviation) -> None:
    found = circumstances(deviation, [at(410, "refill_began")] * (MOST + 5), 0)
    assert (len(found.actions), found.actions_count) == (MOST, MOST + 5)
