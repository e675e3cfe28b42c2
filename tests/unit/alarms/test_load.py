"""Load of alarms, by the definitions of the project's check values, section 6b (ISA-18.2, EEMUA 191)."""

import pytest

from crumbmeter.alarms.load import HOUR_S, STALE_S, load_of
from crumbmeter.model.events import Event, event


def raised(at_s: float, alarm: str = "dose_out") -> tuple[float, Event]:
    return at_s, event("alarm_raised", alarm=alarm, state="unacknowledged")


def cleared(at_s: float, alarm: str = "dose_out") -> tuple[float, Event]:
    return at_s, event("alarm_cleared", alarm=alarm, state="returned, unacknowledged")


def test_rates_of_a_quiet_shift() -> None:
    load = load_of([raised(600.0 * number + 5.0) for number in range(48)], 0.0, 8 * HOUR_S)
    assert (load.raised, load.per_hour, load.per_day, load.per_10_min) == (48, 6.0, 144.0, 1.0)
    assert (load.most_in_10_min, load.most_in_an_hour, load.over_manageable, load.floods) == (1, 6, 0.0, 0)


@pytest.mark.parametrize(("count", "floods"), [(10, 0), (11, 1)])
def test_ten_in_ten_minutes_are_no_flood_and_eleven_are(count: int, floods: int) -> None:
    load = load_of([raised(1000.0 + 59.0 * number) for number in range(count)], 0.0, HOUR_S)
    assert load.floods == floods


def test_a_flood_lasts_until_four_are_left() -> None:
    # Eleven, ten seconds apart: it begins at 100 s, and ends when the seventh (at 60 s) is ten minutes old.
    load = load_of([raised(10.0 * number) for number in range(11)], 0.0, HOUR_S)
    assert load.flood_share * HOUR_S == pytest.approx(560.0)
    later = load_of([*(raised(10.0 * number) for number in range(11)), raised(300.0)], 0.0, HOUR_S)
    # One more keeps five in the window until the eighth (at 70 s) is that old.
    assert later.flood_share * HOUR_S == pytest.approx(570.0)


@pytest.mark.parametrize(("within_s", "chatters"), [(59.0, (("dose_out", 1),)), (61.0, ())])
def test_three_in_a_minute_chatter(within_s: float, chatters: tuple[tuple[str, int], ...]) -> None:
    times = (100.0, 100.0 + within_s / 2.0, 100.0 + within_s)
    load = load_of([one for at_s in times for one in (raised(at_s), cleared(at_s + 1.0))], 0.0, HOUR_S)
    assert load.chattering == chatters


@pytest.mark.parametrize(
    ("stood_s", "stale"), [(STALE_S - 60.0, ()), (STALE_S + 60.0, (("dose_out", STALE_S + 60.0),))]
)
def test_more_than_a_day_is_stale(stood_s: float, stale: tuple[tuple[str, float], ...]) -> None:
    assert load_of([raised(0.0), cleared(stood_s)], 0.0, 3 * STALE_S).stale == stale
    assert load_of([raised(0.0)], 0.0, stood_s).stale == stale


def test_acknowledged_alarms_stand_and_shelved_ones_do_not() -> None:
    seen = (5.0, event("alarm_acknowledged", alarm="dose_out", state="acknowledged"))
    shelved = (5.0, event("alarm_shelved", alarm="dose_out", state="shelved"))
    assert load_of([raised(0.0), seen], 0.0, 2 * STALE_S).stale == (("dose_out", 2 * STALE_S),)
    assert load_of([raised(0.0), shelved], 0.0, 2 * STALE_S).stale == ()


def test_the_most_frequent_and_the_priorities() -> None:
    load = load_of([raised(1.0), raised(2.0, "supply_low"), raised(3.0, "supply_low"), (4.0, event("other"))], 0.0, 9.0)
    assert [(one.alarm_id, one.count) for one in load.top] == [("supply_low", 2), ("dose_out", 1)]
    assert load.top[0].share == pytest.approx(2.0 / 3.0)
    assert load.by_priority == (("low", 2), ("medium", 0), ("high", 1))


def test_a_period_without_alarms_or_without_a_length() -> None:
    assert load_of([], 0.0, HOUR_S).top == ()
    with pytest.raises(ValueError, match="length"):
        load_of([], 5.0, 5.0)
