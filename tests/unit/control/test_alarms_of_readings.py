"""Alarms by the core's own readings: what vanishes clears nothing, and what fails together calls once."""

import pytest

from crumbmeter.alarms.life import AlarmState
from crumbmeter.alarms.machine import PLACES, AlarmMemory
from crumbmeter.model.commands import CommandKind
from crumbmeter.model.image import ReadOutcome
from tests.cores import SIGNALS, Bench, command, image_of


def memory(bench: Bench, name: str) -> AlarmMemory:
    return bench.state.alarms.each[PLACES[name]]


def raised(bench: Bench) -> list[tuple[str, bool]]:
    events = [one for result in bench.results for one in result.events if one.name == "alarm_raised"]
    return [(str(one.get("alarm")), bool(one.get("first_out"))) for one in events]


@pytest.mark.parametrize("seen", [False, True])
@pytest.mark.parametrize("lost_s", [0.2, 3.0, 60.0])
def test_an_alarm_whose_reading_vanishes_stays_and_the_loss_is_told_beside_it(*, seen: bool, lost_s: float) -> None:
    bench = Bench()
    bench.enable_and_start()
    bench.run_obeying(120.0)
    bench.values["line_pressure"] = 35_000.0
    bench.run_obeying(4.0)
    assert memory(bench, "pressure_high").state is AlarmState.UNACKNOWLEDGED
    if seen:
        bench.scan(command(CommandKind.ACKNOWLEDGE, "pressure_high"))
    before = memory(bench, "pressure_high")
    received_s = bench.now_s
    for _ in range(round(lost_s / bench.dt_s)):  # nothing answers any more
        image = image_of(bench.now_s + bench.dt_s, bench.values, received_s=received_s, outcome=ReadOutcome.TIMEOUT)
        bench.scan(image=image)
    assert memory(bench, "pressure_high").state is before.state
    assert memory(bench, "pressure_high").since_s == before.since_s
    assert "alarm_cleared" not in bench.events()
    told = memory(bench, "input_lost").state is AlarmState.UNACKNOWLEDGED
    assert told is (lost_s > 1.2)  # older than its highest age of 1 s


def test_a_gateway_that_is_lost_with_all_its_signals_calls_once_and_what_follows_is_marked_as_such() -> None:
    bench = Bench()
    bench.enable_and_start()
    bench.run_obeying(120.0)
    before, received_s = len(raised(bench)), bench.now_s
    for _ in range(300):
        image = image_of(bench.now_s + bench.dt_s, bench.values, received_s=received_s, outcome=ReadOutcome.TIMEOUT)
        bench.scan(image=image)
    assert len([name for name in bench.events() if name == "input_bad"]) == len(SIGNALS)
    # One alarm for all sixteen signals; five seconds later the feed stops, which is no other cause.
    assert raised(bench)[before:] == [("input_lost", True), ("feed_stopped", False)]
