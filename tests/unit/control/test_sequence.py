"""Run sequence: every pair of the table is reached by its facts, no other pair moves, the most urgent trigger wins."""

from dataclasses import replace
from typing import Any

import pytest

from crumbmeter.control.sequence import (
    LINE_STATES,
    TRANSITIONS,
    Facts,
    RunState,
    SequenceState,
    Trigger,
    advance,
    drives,
    find_trigger,
)
from tests.cores import make_params

TIMES = make_params().sequence
"""5 s warning, 10 s for the blower, 4 s purge and 5 s more for the airlock, 20 s clean-out, 900 s ready."""
WELL = Facts(
    control_enabled=True, remote=True, doubt="", doubt_leaves_air=True, doubt_in_idle="", drum_turning=True,
    blower_running=True, airlock_running=True, material=True, dosed=True, inputs_lost="", inputs_ready=True,
    start_asked=False,
)  # fmt: skip
QUIET = replace(
    WELL, remote=None, drum_turning=None, blower_running=None, airlock_running=None, material=False, inputs_ready=False
)
"""Nothing that moves any state by itself, besides a time that has passed."""
R, T = RunState, Trigger

CAUSES: dict[Trigger, tuple[dict[str, Any], dict[str, Any]]] = {
    # What makes a trigger hold: changes of the facts, changes of the state.
    T.CONTROL_OFF: ({"control_enabled": False}, {}),
    T.MACHINE_DOUBT: ({"doubt": "blower not running"}, {}),
    T.GONE_LOCAL: ({"remote": False}, {}),
    T.STOP_ASKED: ({}, {"in_service": False}),
    T.INPUT_LOST: ({"inputs_lost": "aggregate"}, {}),
    T.DRUM_STANDS: ({"drum_turning": False}, {}),
    T.HOLD_ASKED: ({}, {"on_hold": True}),
    T.NO_DOSE: ({"dosed": False}, {}),
    T.TOO_LONG: ({"blower_running": False, "airlock_running": False}, {"in_state_s": 10.0}),
    T.CONTROL_ON: ({"control_enabled": True}, {}),
    T.BACK_REMOTE: ({"remote": True}, {}),
    T.START_ASKED: ({"start_asked": True}, {}),
    T.MATERIAL: ({"material": True, "drum_turning": True, "remote": True, "inputs_ready": True}, {}),
    T.WARNED: ({}, {"in_state_s": 5.0}),
    T.BLOWER_PROVEN: ({"blower_running": True}, {}),
    T.PURGED: ({"airlock_running": True}, {"in_state_s": 4.0}),
    T.FEED: ({"drum_turning": True, "inputs_ready": True}, {}),
    T.NOTHING_COMING: ({}, {"waiting_s": 900.0}),
    T.CLEANED: ({}, {"in_state_s": 20.0}),
}


def at(state: RunState, **changes: Any) -> SequenceState:
    return replace(SequenceState(state, in_service=True), **changes)


def caused(state: RunState, trigger: Trigger) -> tuple[SequenceState, Facts]:
    facts, changes = CAUSES[trigger]
    quiet = replace(QUIET, control_enabled=state is not R.MONITOR)
    return at(state, **changes), replace(quiet, **facts)


def test_every_trigger_has_a_cause_here() -> None:
    assert set(CAUSES) == set(Trigger)
    assert {trigger for _, trigger in TRANSITIONS} == set(Trigger)


@pytest.mark.parametrize(("pair", "to"), list(TRANSITIONS.items()), ids=str)
def test_every_pair_of_the_table_moves(pair: tuple[RunState, Trigger], to: RunState) -> None:
    now, facts = caused(*pair)
    after, events = advance(now, facts, TIMES, 0.2)
    assert after.state is to
    assert (after.trigger, after.in_state_s, after.waiting_s) == (pair[1].value, 0.0, 0.0)
    change = next(event for event in events if event.name == "run_state_changed")
    assert (change.get("was"), change.get("to"), change.get("reason")) == (now.state.value, to.value, after.reason)


@pytest.mark.parametrize("state", list(RunState))
@pytest.mark.parametrize("trigger", list(Trigger))
def test_a_pair_that_is_not_in_the_table_never_moves(state: RunState, trigger: Trigger) -> None:
    now, facts = caused(state, trigger)
    moved = find_trigger(now, facts, TIMES)
    if moved is None:
        assert (state, trigger) not in TRANSITIONS
    else:
        assert (state, moved[0]) in TRANSITIONS


@pytest.mark.parametrize("state", [state for state in RunState if state is not R.MONITOR])
def test_nothing_happens_by_itself(state: RunState) -> None:
    after, events = advance(at(state), QUIET, TIMES, 0.2)
    assert (after.state, after.in_state_s, events) == (state, 0.2, ())


def test_from_every_state_there_is_a_way_out_and_a_way_to_feeding() -> None:
    for start in RunState:
        reached, edge = {start}, {start}
        while edge:
            edge = {to for (state, _), to in TRANSITIONS.items() if state in edge} - reached
            reached |= edge
        assert reached == set(RunState)


@pytest.mark.parametrize("state", LINE_STATES)
def test_what_stops_stands_before_what_starts(state: RunState) -> None:
    everything = replace(
        WELL,
        control_enabled=False,
        doubt="emergency stop",
        remote=False,
        inputs_lost="all",
        dosed=False,
        start_asked=True,
    )
    order: list[RunState] = []
    facts = everything
    for undo in ({"control_enabled": True}, {"doubt": ""}, {"remote": True}, {}):
        moved = find_trigger(at(state, in_service=False, in_state_s=99.0, waiting_s=999.0, on_hold=True), facts, TIMES)
        assert moved is not None
        order.append(TRANSITIONS[state, moved[0]])
        facts = replace(facts, **undo)
    rest = R.CLEAN_OUT if state is not R.CLEAN_OUT else R.IDLE
    assert order == [R.MONITOR, R.STOPPED, R.LOCAL, rest]


@pytest.mark.parametrize("state", [R.IDLE, R.LOCAL, R.STOPPED])
def test_a_machine_in_doubt_ends_the_service_where_nothing_turns(state: RunState) -> None:
    after, events = advance(at(state, on_hold=True), replace(QUIET, doubt="emergency stop"), TIMES, 0.2)
    assert (after.state, after.in_service, after.on_hold) == (state, False, False)
    assert [(event.name, event.get("who")) for event in events] == [("feed_taken_out_of_service", "emergency stop")]
    # Told once, and nothing starts when it is over.
    again, events = advance(after, replace(QUIET, doubt="emergency stop"), TIMES, 0.2)
    assert events == ()
    later, _ = advance(again, WELL, TIMES, 0.2)
    assert not later.in_service
    assert later.state in (state, R.IDLE)
    assert advance(replace(later, state=R.IDLE), WELL, TIMES, 0.2)[0].state is R.IDLE


@pytest.mark.parametrize(
    ("changes", "starts"),
    [
        ({}, True), ({"material": False}, False), ({"dosed": False}, False), ({"drum_turning": False}, False),
        ({"drum_turning": None}, False), ({"remote": None}, False), ({"inputs_ready": False}, False),
        ({"doubt_in_idle": "diverter not on drum"}, False), ({"blower_running": False}, True),
    ],
)  # fmt: skip
def test_what_a_start_needs(changes: dict[str, Any], starts: bool) -> None:
    after, _ = advance(at(R.IDLE), replace(WELL, **changes), TIMES, 0.2)
    assert after.state is (R.START_WARNING if starts else R.IDLE)
    assert advance(at(R.IDLE, in_service=False), WELL, TIMES, 0.2)[0].state is R.IDLE


@pytest.mark.parametrize(
    ("changes", "state", "feeds"),
    [
        ({}, {}, True), ({"dosed": False}, {}, False), ({"drum_turning": None}, {}, False),
        ({"drum_turning": False}, {}, False), ({"inputs_ready": False}, {}, False), ({}, {"on_hold": True}, False),
    ],
)  # fmt: skip
def test_what_feeding_needs(changes: dict[str, Any], state: dict[str, Any], feeds: bool) -> None:
    after, _ = advance(at(R.READY, **state), replace(WELL, **changes), TIMES, 0.2)
    assert after.state is (R.FEEDING if feeds else R.READY)


def test_a_stopped_feed_starts_anew_only_without_its_cause() -> None:
    asked = replace(WELL, start_asked=True)
    assert advance(at(R.STOPPED), WELL, TIMES, 0.2)[0].state is R.STOPPED
    assert advance(at(R.STOPPED), replace(asked, doubt_in_idle="emergency stop"), TIMES, 0.2)[0].state is R.STOPPED
    after, _ = advance(at(R.STOPPED), asked, TIMES, 0.2)
    assert (after.state, after.in_service) == (R.IDLE, True)


@pytest.mark.parametrize(
    ("state", "facts", "limit_s", "to"),
    [
        (R.START_WARNING, {}, 5.0, R.BLOWER_START), (R.BLOWER_START, {"blower_running": False}, 10.0, R.STOPPED),
        (R.BLOWER_START, {"blower_running": None}, 10.0, R.STOPPED), (R.PURGE, {"airlock_running": True}, 4.0, R.READY),
        (R.PURGE, {"airlock_running": False}, 9.0, R.STOPPED), (R.PURGE, {"airlock_running": None}, 9.0, R.STOPPED),
        (R.CLEAN_OUT, {}, 20.0, R.IDLE),
    ],
)  # fmt: skip
def test_times(state: RunState, facts: dict[str, Any], limit_s: float, to: RunState) -> None:
    known = replace(QUIET, **facts)
    assert advance(at(state, in_state_s=limit_s - 1.0), known, TIMES, 0.5)[0].state is state
    assert advance(at(state, in_state_s=limit_s - 0.5), known, TIMES, 0.5)[0].state is to


def test_why_it_took_too_long() -> None:
    for state, why in ((R.BLOWER_START, "blower not proven in time"), (R.PURGE, "airlock not proven in time")):
        after, _ = advance(at(state, in_state_s=50.0), replace(QUIET, blower_running=False), TIMES, 0.2)
        assert (after.state, after.reason, after.in_service) == (R.STOPPED, why, False)


def test_waiting_in_ready_counts_only_while_nothing_comes() -> None:
    now = at(R.READY)
    for facts, waited_s in (
        (replace(QUIET, drum_turning=False), 0.2),
        (replace(QUIET, drum_turning=True), 0.4),
        (replace(QUIET, material=True, drum_turning=True), 0.0),
        (replace(QUIET, material=True, drum_turning=None), 0.2),
    ):
        now, _ = advance(now, facts, TIMES, 0.2)
        assert now.waiting_s == pytest.approx(waited_s)


@pytest.mark.parametrize(
    ("trigger", "told"),
    [
        (T.MACHINE_DOUBT, True), (T.GONE_LOCAL, True), (T.INPUT_LOST, True), (T.DRUM_STANDS, True),
        (T.STOP_ASKED, False), (T.HOLD_ASKED, False), (T.NO_DOSE, False), (T.CONTROL_OFF, False),
    ],
)  # fmt: skip
def test_a_feed_that_stops_by_itself_says_so(trigger: Trigger, told: bool) -> None:
    after, events = advance(*caused(R.FEEDING, trigger), TIMES, 0.2)
    stops = [event for event in events if event.name == "feed_stopped"]
    assert [(event.get("cause"), event.get("trigger")) for event in stops] == (
        [(after.reason, trigger.value)] if told else []
    )


@pytest.mark.parametrize(
    ("state", "trigger", "serves"),
    [
        (R.FEEDING, T.DRUM_STANDS, True), (R.FEEDING, T.INPUT_LOST, True), (R.FEEDING, T.GONE_LOCAL, True),
        (R.FEEDING, T.MACHINE_DOUBT, False), (R.FEEDING, T.CONTROL_OFF, False), (R.PURGE, T.TOO_LONG, False),
        (R.READY, T.NOTHING_COMING, True), (R.FEEDING, T.HOLD_ASKED, True), (R.FEEDING, T.STOP_ASKED, False),
    ],
)  # fmt: skip
def test_what_leaves_the_feed_in_service(state: RunState, trigger: Trigger, serves: bool) -> None:
    after, _ = advance(*caused(state, trigger), TIMES, 0.2)
    assert after.in_service is serves
    assert after.on_hold is (trigger is T.HOLD_ASKED)


@pytest.mark.parametrize(
    ("state", "on"),
    [
        (R.MONITOR, ""), (R.IDLE, ""), (R.LOCAL, ""), (R.START_WARNING, "warning"), (R.BLOWER_START, "blower"),
        (R.PURGE, "blower airlock"), (R.READY, "blower airlock"), (R.FEEDING, "blower airlock auger"),
        (R.CLEAN_OUT, "blower airlock"), (R.STOPPED, ""),
    ],
)  # fmt: skip
def test_what_runs_in_each_state(state: RunState, on: str) -> None:
    run = drives(at(state), TIMES)
    named = {"blower": run.blower, "airlock": run.airlock, "warning": run.warning, "auger": run.auger}
    assert {name for name, runs in named.items() if runs} == set(on.split())


@pytest.mark.parametrize(
    ("state", "leaves_air", "cleans"),
    [(R.FEEDING, True, True), (R.FEEDING, False, False), (R.START_WARNING, True, False), (R.READY, True, True)],
)
def test_a_stop_may_still_blow_the_line_clean(state: RunState, leaves_air: bool, cleans: bool) -> None:
    facts = replace(QUIET, doubt="diverter not on drum", doubt_leaves_air=leaves_air)
    stopped, _ = advance(at(state), facts, TIMES, 0.2)
    run = drives(stopped, TIMES)
    assert (run.blower, run.airlock, run.auger) == (cleans, cleans, False)
    over = drives(replace(stopped, in_state_s=20.0), TIMES)
    assert (over.blower, over.airlock) == (False, False)
    timeout, _ = advance(at(R.PURGE, in_state_s=50.0), replace(QUIET, airlock_running=False), TIMES, 0.2)
    assert not drives(timeout, TIMES).blower
