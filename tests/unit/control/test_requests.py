"""Every command: what it does, what it is answered, and every way in which it is refused."""

from dataclasses import replace

import pytest

from crumbmeter.alarms.catalogue import CATALOGUE
from crumbmeter.alarms.life import AlarmState
from crumbmeter.alarms.machine import AlarmMemory, Alarms
from crumbmeter.control.params import Params
from crumbmeter.control.requests import RELEASE_S, carry_out
from crumbmeter.control.sequence import RunState, SequenceState
from crumbmeter.control.state import State, first_state
from crumbmeter.model.commands import Command, CommandKind
from crumbmeter.model.events import Event
from crumbmeter.model.view import Totals
from tests.batch_cores import make_batch_params
from tests.cores import INDEX, SETTINGS_ID, Bench, command, make_params

PARAMS = make_params()
NOW_S = 100.0


def ask(
    state: State, kind: CommandKind, subject: str = "", value: float = 0.0, params: Params = PARAMS
) -> tuple[State, Event, bool]:
    command = Command(kind, "anna", "id-7", NOW_S, subject, value)
    after, events, start_asked = carry_out(state, (command,), params, NOW_S)
    assert len(events) == 1
    assert events[0].get("command_id") == "id-7"
    assert events[0].get("who") == "anna"
    return after, events[0], start_asked


def refused(state: State, kind: CommandKind, subject: str = "", value: float = 0.0, params: Params = PARAMS) -> str:
    after, event, start_asked = ask(state, kind, subject, value, params)
    assert after == state
    assert event.name == "command_refused"
    assert event.get("command") == kind.value
    assert not start_asked
    return str(event.get("why"))


IDLE = first_state(PARAMS)
ENABLED = replace(IDLE, control_enabled=True, sequence=SequenceState(RunState.IDLE))
SERVING = replace(IDLE, control_enabled=True, sequence=SequenceState(RunState.FEEDING, in_service=True))


def test_every_kind_of_command_is_known() -> None:
    for kind in CommandKind:
        ask(IDLE, kind)


@pytest.mark.parametrize("characters", [8, 12, 64])
def test_control_is_enabled_for_the_settings_that_are_named(characters: int) -> None:
    before = replace(IDLE, feed=replace(IDLE.feed, release_left_s=1.0))
    after, event, _ = ask(before, CommandKind.ENABLE_CONTROL, SETTINGS_ID[:characters])
    assert after.control_enabled
    assert after.feed.release_left_s == 0.0
    assert event.name == "control_enabled"
    assert event.get("settings_id") == SETTINGS_ID


@pytest.mark.parametrize("subject", ["", SETTINGS_ID[:7], "00000000", SETTINGS_ID + "0"])
def test_control_is_not_enabled_for_other_settings(subject: str) -> None:
    why = refused(IDLE, CommandKind.ENABLE_CONTROL, subject)
    assert why == f"it must name the settings it agrees to; these are {SETTINGS_ID[:12]}"


HOPPER = INDEX["hopper_mass"]
ASKED = replace(PARAMS, weight_reading="as it is read now", known_weight_band=0.02)


def reading(kg: float | None, *, bad: bool = False) -> State:
    """Make a state in which the hopper's weight has been read."""
    memory = replace(IDLE.signals[HOPPER], value=kg, bad=bad)
    return replace(IDLE, signals=(*IDLE.signals[:HOPPER], memory, *IDLE.signals[HOPPER + 1 :]))


def test_control_is_refused_until_the_weight_has_agreed_with_a_known_one() -> None:
    before = reading(20.4)
    why = refused(before, CommandKind.ENABLE_CONTROL, SETTINGS_ID, params=ASKED)
    assert why.startswith("hopper_mass has not been compared with a known weight")
    known, event, _ = ask(before, CommandKind.CONFIRM_WEIGHT, "hopper_mass", 20.0, ASKED)
    assert event.name == "weight_confirmed"
    assert (event.get("known_kg"), event.get("read_kg"), event.get("reading")) == (20.0, 20.4, "as it is read now")
    assert ask(known, CommandKind.ENABLE_CONTROL, SETTINGS_ID, params=ASKED)[0].control_enabled
    other = replace(ASKED, weight_reading="through another register")
    assert "known weight" in refused(known, CommandKind.ENABLE_CONTROL, SETTINGS_ID, params=other)


@pytest.mark.parametrize("kg", [20.0 * 0.979, 20.0 * 1.021, 4.6e-41, float("inf")])
def test_a_reading_beside_the_known_weight_confirms_nothing(kg: float) -> None:
    why = refused(reading(kg), CommandKind.CONFIRM_WEIGHT, "hopper_mass", 20.0, ASKED)
    assert "where 20.000 kg is known, more than 2 percent off" in why


@pytest.mark.parametrize(
    ("state", "signal", "kg", "why"),
    [
        (reading(20.0), "recipe", 20.0, "the weight that control rests on is hopper_mass"),
        (
            replace(reading(20.0), sequence=SERVING.sequence),
            "hopper_mass",
            20.0,
            "the feed is in service, and its weight moves: stop-feed first",
        ),
        (reading(0.0), "hopper_mass", 0.0, "nothing can be told from a weight of zero: put a known one on"),
        (reading(-5.0), "hopper_mass", -5.0, "nothing can be told from a weight of zero: put a known one on"),
        (reading(20.0), "hopper_mass", float("nan"), "nothing can be told from a weight of zero: put a known one on"),
        (
            reading(20.0, bad=True),
            "hopper_mass",
            20.0,
            "the reading of hopper_mass is Bad: see why in crumbmeter show, and mend that first",
        ),
        (
            reading(None),
            "hopper_mass",
            20.0,
            "the reading of hopper_mass is Bad: see why in crumbmeter show, and mend that first",
        ),
    ],
)
def test_what_proves_nothing_is_refused(state: State, signal: str, kg: float, why: str) -> None:
    assert refused(state, CommandKind.CONFIRM_WEIGHT, signal, kg, ASKED) == why


def test_the_site_file_has_the_last_word() -> None:
    why = refused(IDLE, CommandKind.ENABLE_CONTROL, SETTINGS_ID, params=replace(PARAMS, control_allowed=False))
    assert why == "the site file does not allow control ([control] allowed = false)"


def test_control_given_back() -> None:
    serving = replace(SERVING, sequence=replace(SERVING.sequence, on_hold=True))
    after, event, _ = ask(serving, CommandKind.MONITOR_ONLY)
    assert event.name == "monitor_only"
    assert (after.control_enabled, after.feed.release_left_s) == (False, RELEASE_S)
    assert (after.sequence.in_service, after.sequence.on_hold) == (False, False)


def test_control_given_back_twice_does_not_begin_the_release_anew() -> None:
    releasing = replace(IDLE, feed=replace(IDLE.feed, release_left_s=0.6))
    assert ask(releasing, CommandKind.MONITOR_ONLY)[0].feed.release_left_s == 0.6
    assert ask(IDLE, CommandKind.MONITOR_ONLY)[0].feed.release_left_s == 0.0


def test_start() -> None:
    held = replace(ENABLED, sequence=replace(ENABLED.sequence, in_service=True, on_hold=True))
    for before in (ENABLED, held):
        after, event, start_asked = ask(before, CommandKind.START_FEED)
        assert event.name == "feed_put_in_service"
        assert start_asked
        assert (after.sequence.in_service, after.sequence.on_hold) == (True, False)


def test_no_start_in_monitor_only() -> None:
    assert refused(IDLE, CommandKind.START_FEED) == "control is not enabled: crumbmeter only watches"


def test_hold() -> None:
    after, event, start_asked = ask(SERVING, CommandKind.HOLD_FEED)
    assert event.name == "feed_put_on_hold"
    assert not start_asked
    assert (after.sequence.in_service, after.sequence.on_hold) == (True, True)
    assert refused(ENABLED, CommandKind.HOLD_FEED) == "the feed is not in service"


@pytest.mark.parametrize("before", [IDLE, ENABLED, SERVING])
def test_a_stop_is_never_refused(before: State) -> None:
    after, event, _ = ask(before, CommandKind.STOP_FEED)
    assert event.name == "feed_taken_out_of_service"
    assert not after.sequence.in_service


def test_another_mix() -> None:
    after, event, _ = ask(IDLE, CommandKind.SELECT_MIX, "plain")
    assert (event.name, event.get("was"), event.get("to")) == ("mix_selected", "surface", "plain")
    # Nothing is on its way: it is the mix of what passes next, and nothing waits for it.
    assert (after.mix_id, after.plant.mixes.leaving) == ("plain", ())


def test_mixes_refused() -> None:
    assert refused(IDLE, CommandKind.SELECT_MIX, "base") == "no mix named 'base'; there are surface, plain"
    assert refused(IDLE, CommandKind.SELECT_MIX, "surface") == "surface is the mix chosen already"


@pytest.mark.parametrize("moisture", [0.0, 0.065, 0.20])
def test_moisture(moisture: float) -> None:
    after, event, _ = ask(IDLE, CommandKind.SET_MOISTURE, "recycle", moisture)
    assert after.plant.moisture == (0.04, moisture, 0.0)
    assert (event.name, event.get("stream")) == ("moisture_entered", "recycle")
    assert (event.get("was_fraction"), event.get("fraction")) == (0.03, moisture)


def test_a_moisture_that_was_sampled_before_holds_from_now_on_and_says_since_when() -> None:
    command = Command(CommandKind.SET_MOISTURE, "anna", "id-7", NOW_S, "recycle", 0.06, since_s=3600.0)
    after, (happened,), _ = carry_out(IDLE, (command,), PARAMS, NOW_S)
    assert after.plant.moisture == (0.04, 0.06, 0.0)
    assert happened.get("since_s") == 3600.0


def test_moisture_refused() -> None:
    kind = CommandKind.SET_MOISTURE
    assert refused(IDLE, kind, "sand", 0.05) == "no stream named 'sand'; there are aggregate, recycle, binder"
    assert refused(IDLE, kind, "binder", 0.05) == "binder is indicated dry: moisture would be taken off twice"
    assert refused(IDLE, kind, "aggregate", 5.0) == "moisture 500 % of dry mass is not between 0 and 20 %"
    assert refused(IDLE, kind, "aggregate", -0.001) == "moisture -0.1 % of dry mass is not between 0 and 20 %"
    assert "not between" in refused(IDLE, kind, "aggregate", float("nan"))


def test_acknowledge() -> None:
    alarms = Alarms(tuple(AlarmMemory(AlarmState.UNACKNOWLEDGED, holds=True) for _ in CATALOGUE))
    after, event, _ = ask(replace(IDLE, alarms=alarms), CommandKind.ACKNOWLEDGE, "dose_out")
    assert (event.name, event.get("alarm")) == ("alarm_acknowledged", "dose_out")
    assert sum(memory.state is AlarmState.ACKNOWLEDGED for memory in after.alarms.each) == 1
    assert refused(IDLE, CommandKind.ACKNOWLEDGE, "dose_out") == "dose_out is normal"


def test_the_subtotal_is_a_mark_and_the_grand_totals_stay() -> None:
    before = replace(IDLE, totals=Totals(50, 49, 10_000, 9_000, 4), job_mark=Totals(20, 20, 4_000, 4_000, 2))
    after, event, _ = ask(before, CommandKind.RESET_SUBTOTAL)
    assert (event.name, event.get("rubber_g"), event.get("mix_g")) == ("subtotal_reset", 30, 6_000)
    assert after.totals == after.job_mark == before.totals


TURNING = INDEX["drum_turning"]


def drum(turning: float | None, *, bad: bool = False, held_kg: float = 600.0) -> State:
    """Make a state in which the drum holds so much aggregate behind the injection point."""
    memory = replace(IDLE.signals[TURNING], value=turning, bad=bad)
    stages = ((held_kg, *IDLE.outlet.stages[0][1:]), *IDLE.outlet.stages[1:])
    return replace(
        IDLE,
        signals=(*IDLE.signals[:TURNING], memory, *IDLE.signals[TURNING + 1 :]),
        outlet=replace(IDLE.outlet, stages=stages),
    )


@pytest.mark.parametrize("before", [drum(0.0), drum(None), drum(1.0, bad=True)])
@pytest.mark.parametrize("share", [0.01, 0.5, 1.0])
def test_a_drum_is_dumped(before: State, share: float) -> None:
    after, event, _ = ask(before, CommandKind.DRUM_DUMPED, value=share)
    assert (event.name, event.get("share"), event.get("rubber_kg")) == ("drum_dumped", share, 0.0)
    assert event.get("mix_kg") == pytest.approx(600.0 * share)
    assert after.totals.wasted_mix_g == round(600_000 * share)
    assert sum(after.outlet.stages[0]) == pytest.approx(600.0 * (1.0 - share))


def test_dumping_refused() -> None:
    kind = CommandKind.DRUM_DUMPED
    for share in (0.0, 0.009, 1.001, 50.0, -0.5, float("nan")):
        assert "of the drum is not between 1 and 100 %" in refused(drum(0.0), kind, value=share)
    assert "a dump is told while it stands" in refused(drum(1.0), kind, value=0.5)
    assert "the drum is empty" in refused(drum(0.0, held_kg=0.0), kind, value=0.5)


def test_a_batch_plant_has_no_drum_to_dump() -> None:
    plant = make_batch_params()
    why = refused(first_state(plant), CommandKind.DRUM_DUMPED, value=0.5, params=plant)
    assert why.startswith("this is a batch plant, it has no drum")


@pytest.mark.parametrize("kind", list(CommandKind))
def test_what_has_expired_is_not_carried_out(kind: CommandKind) -> None:
    late = Command(kind, "anna", "id-8", NOW_S - 0.1, SETTINGS_ID)
    after, events, start_asked = carry_out(SERVING, (late,), PARAMS, NOW_S)
    assert after == SERVING
    assert [event.name for event in events] == ["command_expired"]
    assert events[0].get("command") == kind.value
    assert not start_asked


def test_commands_are_carried_out_in_their_order() -> None:
    enable = Command(CommandKind.ENABLE_CONTROL, "anna", "a", NOW_S, SETTINGS_ID)
    start = Command(CommandKind.START_FEED, "anna", "b", NOW_S)
    after, events, start_asked = carry_out(IDLE, (enable, start), PARAMS, NOW_S)
    assert after.control_enabled
    assert start_asked
    assert [(event.name, event.get("command_id")) for event in events] == [
        ("control_enabled", "a"),
        ("feed_put_in_service", "b"),
    ]
    after, events, start_asked = carry_out(IDLE, (start, enable), PARAMS, NOW_S)
    assert [event.name for event in events] == ["command_refused", "control_enabled"]
    assert not start_asked
    assert not after.sequence.in_service


def test_the_view_says_who_asked_last_and_a_refused_request_is_not_told() -> None:
    bench = Bench()
    assert bench.scan().view.order.kind == ""
    bench.scan(command(CommandKind.ENABLE_CONTROL, SETTINGS_ID))
    asked = bench.scan(command(CommandKind.START_FEED))
    assert (asked.view.order.kind, asked.view.order.who) == ("start feed", "tester")
    assert asked.view.order.done_s == asked.view.now_s
    bench.run(3.0)
    refused = bench.scan(command(CommandKind.SELECT_MIX, "no such mix"))
    assert refused.view.order == asked.view.order
