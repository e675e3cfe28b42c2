"""How long the feeder goes on when the heartbeat stands: measured with a known feeder, or said to be unknown."""

from dataclasses import replace

import pytest

from crumbmeter.control.ownership import OwnerState
from crumbmeter.control.params import Params
from crumbmeter.control.trip import DEAF_S, LONGEST_S, OWNER_SHARE
from crumbmeter.field.words import encode_si
from crumbmeter.model.commands import CommandKind
from crumbmeter.model.events import Event
from crumbmeter.model.image import NOT_WRITTEN, WriteStage, WriteStatus
from crumbmeter.model.outputs import OutputRole
from tests.closed_loop import ClosedLoop, loop_for
from tests.cores import INDEX, SETTINGS_ID, Bench, command, make_params

FAULT = "recipe"
"""This signal of the small plant stands for the feeder's fault contact."""
MEASURE = command(CommandKind.MEASURE_TRIP)


def params() -> Params:
    plain = make_params()
    roles = [spec.role for spec in plain.outputs]
    return replace(
        plain,
        contacts=replace(plain.contacts, feeder_fault=INDEX[FAULT]),
        heartbeat=roles.index(OutputRole.HEARTBEAT.value),
    )


def idle() -> Bench:
    bench = Bench(params(), writes=(WriteStatus(WriteStage.CONFIRMED, (1,), (1,), 100.0, 100.0),) * 7)
    bench.values[FAULT] = 0.0
    bench.scan(command(CommandKind.ENABLE_CONTROL, SETTINGS_ID))
    return bench


def named(bench: Bench, name: str) -> list[Event]:
    return [happened for result in bench.results for happened in result.events if happened.name == name]


def beat(bench: Bench) -> float:
    return dict(bench.results[-1].outputs.values)[OutputRole.HEARTBEAT]


@pytest.mark.parametrize("watchdog_s", [1.0, 3.0, 7.5])
def test_the_time_measured_is_the_feeders_own(watchdog_s: float) -> None:
    loop: ClosedLoop = loop_for("start_up", overrides={"feeder.watchdog_s": watchdog_s})
    loop.orders.clear()
    loop.scan(command(CommandKind.ENABLE_CONTROL, loop.site.settings_id))
    for _ in range(50):
        loop.scan()
    loop.scan(MEASURE)
    for _ in range(100):
        loop.scan()
    (measured,) = [happened for _, happened in loop.events if happened.name == "heartbeat_trip_measured"]
    trip_s, resolution_s = float(str(measured.get("trip_s"))), float(str(measured.get("resolution_s")))
    assert watchdog_s <= trip_s <= watchdog_s + resolution_s
    assert loop.view is not None
    assert (loop.view.trip.measuring, loop.view.trip.trip_s) == (False, trip_s)
    assert loop.rig.plant.feeder.tripped is False, "the heartbeat goes on, and the feeder takes it up again"


def test_the_heartbeat_stands_until_the_trip_and_the_feed_cannot_start_meanwhile() -> None:
    bench = idle()
    bench.scan(MEASURE)
    stood = beat(bench)
    assert named(bench, "heartbeat_withheld")
    result = bench.scan(command(CommandKind.START_FEED), MEASURE)
    assert [happened.name for happened in result.events[:2]] == ["command_refused"] * 2
    assert bench.run(2.0).view.trip.measuring
    assert beat(bench) == stood
    bench.run(0.4, recipe=1.0)
    assert len(named(bench, "heartbeat_trip_measured")) == 1
    assert beat(bench) != stood


def test_what_was_not_seen_between_two_readings_widens_the_figure() -> None:
    bench = idle()
    bench.scan(MEASURE)
    bench.run(2.0)
    bench.run(1.6, recipe=float("nan"))
    bench.run(0.4, recipe=1.0)
    (measured,) = named(bench, "heartbeat_trip_measured")
    assert 1.6 <= float(str(measured.get("resolution_s"))) <= 2.3


def test_a_feeder_that_does_not_watch_is_said_not_to() -> None:
    bench = idle()
    bench.scan(MEASURE)
    bench.run(LONGEST_S + 1.0)
    (told,) = named(bench, "heartbeat_trip_not_measured")
    assert "does not watch the heartbeat" in str(told.get("why"))
    assert bench.results[-1].view.trip.why == told.get("why")


def test_a_fault_that_stood_before_measures_nothing() -> None:
    bench = idle()
    bench.values[FAULT] = 1.0
    bench.scan(MEASURE)
    bench.scan()
    assert not named(bench, "heartbeat_trip_measured")
    assert named(bench, "heartbeat_trip_not_measured")[0].get("why") == "the feeder reports a fault already"


def test_a_contact_that_cannot_be_read_says_nothing_of_the_feeder() -> None:
    bench = idle()
    bench.scan(MEASURE)
    bench.run(DEAF_S + 1.0, recipe=float("nan"))
    (told,) = named(bench, "heartbeat_trip_not_measured")
    assert told.get("why") == "the contact feeder.fault cannot be read"


def test_a_heartbeat_that_did_not_arrive_measures_nothing() -> None:
    bench = idle()
    bench.writes = (WriteStatus(WriteStage.FAILED),) * 7
    bench.scan(MEASURE)
    bench.scan()
    assert named(bench, "heartbeat_trip_not_measured")[0].get("why") == "the heartbeat does not reach the feeder"
    bench = idle()
    bench.writes = (NOT_WRITTEN,) * 7
    bench.scan(MEASURE)
    bench.run(1.0, recipe=1.0)
    assert not named(bench, "heartbeat_trip_measured")


def test_it_ends_before_another_master_takes_the_feeder_for_dead_and_when_one_has() -> None:
    owned = replace(params(), owner=6, owner_dead_after_s=10.0)
    bench = idle()
    bench.core = replace(bench.core, params=owned)
    bench.state = replace(bench.state, instance=4711, owner=OwnerState(ours=True, may_claim=True))
    ours = WriteStatus(WriteStage.CONFIRMED, (4711,), encode_si(owned.outputs[6].register, 4711.0), 100.0, 100.0)
    bench.writes = (*bench.writes[:6], ours)
    bench.scan(MEASURE)
    assert bench.state.trip.who
    bench.run(OWNER_SHARE * 10.0 + 0.5)
    assert "another master" in str(named(bench, "heartbeat_trip_not_measured")[0].get("why"))
    bench.scan(MEASURE)
    theirs = replace(ours, read_back_words=encode_si(owned.outputs[6].register, 815.0))
    bench.writes = (*bench.writes[:6], theirs)
    bench.scan()
    assert named(bench, "heartbeat_trip_not_measured")[1].get("why") == "another master has taken the feeder"


def test_giving_control_back_ends_it() -> None:
    bench = idle()
    bench.scan(MEASURE)
    bench.scan(command(CommandKind.MONITOR_ONLY))
    assert named(bench, "heartbeat_trip_not_measured")[0].get("why") == "control was given back"


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"heartbeat": None}, "no heartbeat among its outputs"),
        ({"contacts": make_params().contacts}, "no contact feeder.fault"),
        ({}, "stop-feed first"),
    ],
)
def test_what_it_needs_is_said(change: dict[str, object], why: str) -> None:
    bench = Bench(replace(params(), **change))  # type: ignore[arg-type]
    bench.values[FAULT] = 0.0
    refused = bench.scan(MEASURE).events[-1]
    assert "control is not enabled" in str(refused.get("why"))
    bench.enable_and_start()
    assert why in str(bench.scan(MEASURE).events[-1].get("why"))
