"""Alarms scan by scan: delays that begin anew, inputs that are not known, what is suppressed, first-out, floods."""

import random
from typing import Any

import pytest

from crumbmeter.alarms.acts import act
from crumbmeter.alarms.catalogue import BY_ID, CATALOGUE, Priority
from crumbmeter.alarms.flood import BEGINS_ABOVE
from crumbmeter.alarms.life import LATCHED, LATCHED_SEEN, AlarmState
from crumbmeter.alarms.machine import CALM_S, PLACES, AlarmMemory, Alarms, Condition, evaluate, first_alarms
from crumbmeter.model.commands import Command, CommandKind
from crumbmeter.model.events import Event

N, U, A, R = AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, AlarmState.RETURNED
SLOW = "feed_off_setpoint"
"""Ten seconds on, ten seconds off."""
QUICK = "dose_out"
"""No delay."""


class Panel:
    """Runs the alarms scan by scan."""

    def __init__(self, **delays_s: tuple[float, float]) -> None:
        self.alarms = first_alarms()
        self.delays_s = delays_s
        self.now_s = 0.0
        self.told: list[Event] = []

    def scan(self, seconds: float = 0.2, /, suppressed: Any = frozenset(), **conditions: bool | None) -> None:
        for _ in range(round(seconds / 0.2)):
            self.now_s += 0.2
            told = {name: Condition(true, f"at {self.now_s:.1f}") for name, true in conditions.items()}
            self.alarms, events = evaluate(self.alarms, told, self.delays_s, suppressed, self.now_s, 0.2)
            self.told += events

    def ask(self, kind: CommandKind, name: str, value: float = 0.0, reason: str = "why") -> Event:
        command = Command(kind, "operator", "id", 1e9, name, value, reason)
        self.alarms, event = act(self.alarms, command, self.now_s)
        self.told.append(event)
        return event

    def acknowledge(self, name: str) -> str:
        return self.ask(CommandKind.ACKNOWLEDGE, name).name

    def memory(self, name: str) -> AlarmMemory:
        return self.alarms.each[PLACES[name]]

    def state(self, name: str) -> AlarmState:
        return self.memory(name).state

    @property
    def events(self) -> list[str]:
        return [f"{event.name} {event.get('alarm')}" for event in self.told]


def standing(memory: AlarmMemory) -> Alarms:
    return Alarms((memory,) * len(CATALOGUE))


def test_a_whole_life_with_its_record() -> None:
    panel = Panel()
    panel.scan(dose_out=True)
    panel.scan(5.0, dose_out=True)
    assert panel.memory(QUICK) == AlarmMemory(U, 0.0, 0.2, "at 0.2", holds=True, raised_s=0.2)
    panel.acknowledge(QUICK)
    panel.scan(dose_out=False)
    assert panel.state(QUICK) is N
    assert panel.events == ["alarm_raised dose_out", "alarm_acknowledged dose_out", "alarm_cleared dose_out"]
    assert [event.get("state") for event in panel.told] == ["unacknowledged", "acknowledged", "normal"]


def test_gone_before_it_was_seen_is_kept_until_somebody_has() -> None:
    panel = Panel()
    panel.scan(dose_out=True)
    panel.scan(dose_out=False)
    panel.scan(600.0)
    assert panel.memory(QUICK) == AlarmMemory(R, 0.0, 0.4, "at 0.2", raised_s=0.2)
    panel.scan(dose_out=True)
    assert panel.state(QUICK) is U
    assert panel.memory(QUICK).detail == f"at {panel.now_s:.1f}"


def test_the_on_delay_must_pass_without_a_break() -> None:
    panel = Panel()
    panel.scan(9.6, feed_off_setpoint=True)
    assert panel.state(SLOW) is N
    panel.scan(feed_off_setpoint=False)
    panel.scan(9.6, feed_off_setpoint=True)
    assert panel.state(SLOW) is N
    panel.scan(0.6, feed_off_setpoint=True)
    assert panel.state(SLOW) is U


def test_the_off_delay_must_pass_without_a_break() -> None:
    panel = Panel()
    panel.scan(11.0, feed_off_setpoint=True)
    panel.acknowledge(SLOW)
    panel.scan(9.6, feed_off_setpoint=False)
    panel.scan(feed_off_setpoint=True)
    panel.scan(9.6, feed_off_setpoint=False)
    assert panel.state(SLOW) is A
    panel.scan(0.6, feed_off_setpoint=False)
    assert panel.state(SLOW) is N


@pytest.mark.parametrize(("state", "holds"), [(N, False), (U, True), (A, True), (R, False), (LATCHED, False)])
def test_not_known_moves_nothing_and_the_delay_begins_anew(state: AlarmState, holds: bool) -> None:
    panel = Panel()
    panel.alarms = standing(AlarmMemory(state, pending_s=9.9, since_s=1.0, detail="kept", holds=holds))
    panel.scan(60.0, **dict.fromkeys(PLACES))
    assert set(panel.alarms.each) == {AlarmMemory(state, 0.0, 1.0, "kept", holds)}
    assert panel.events == []


def test_noise_at_a_limit_calls_twice_in_an_hour() -> None:
    """REQ-36: a reading that sways by one count about a limit, without any delay or deadband of its own."""
    chance = random.Random(5)
    panel = Panel()
    for _ in range(5 * 3600):
        panel.scan(dose_out=chance.random() < 0.5)
    assert panel.events == ["alarm_raised dose_out", "alarm_cleared dose_out", "alarm_raised dose_out"]
    panel.scan(CALM_S - 0.4, dose_out=False)
    assert panel.state(QUICK) is U
    panel.scan(0.6, dose_out=False)
    assert panel.state(QUICK) is R
    # What comes back after a calm time is a new call, and clears at once as ever.
    panel.scan(CALM_S)
    panel.scan(dose_out=True)
    panel.scan(dose_out=False)
    assert panel.events[-2:] == ["alarm_raised dose_out", "alarm_cleared dose_out"]


def test_acknowledging_does_not_stop_a_clock() -> None:
    panel = Panel()
    panel.scan(11.0, feed_off_setpoint=True)
    panel.scan(9.0, feed_off_setpoint=False)
    panel.acknowledge(SLOW)
    panel.scan(1.4, feed_off_setpoint=False)
    assert panel.state(SLOW) is N


def test_a_site_may_have_its_own_delays() -> None:
    panel = Panel(dose_out=(2.0, 4.0))
    panel.scan(1.6, dose_out=True)
    assert panel.state(QUICK) is N
    panel.scan(0.6, dose_out=True)
    assert panel.state(QUICK) is U
    panel.scan(3.6, dose_out=False)
    assert panel.state(QUICK) is U
    panel.scan(0.6, dose_out=False)
    assert panel.state(QUICK) is R


def test_every_alarm_has_its_own_life() -> None:
    panel = Panel()
    panel.scan(11.0, **dict.fromkeys(PLACES, True))
    assert {memory.state for memory in panel.alarms.each} == {U}
    panel.acknowledge("hopper_low")
    assert [name for name in PLACES if panel.state(name) is A] == ["hopper_low"]


def test_one_that_latches_stays_until_it_is_reset() -> None:
    panel = Panel()
    panel.scan(other_master=True)
    panel.scan(6.0, other_master=False)
    assert panel.state("other_master") is LATCHED
    assert panel.ask(CommandKind.RESET_ALARM, "other_master").get("why") == "other_master is latched, unacknowledged"
    panel.acknowledge("other_master")
    assert panel.state("other_master") is LATCHED_SEEN
    panel.scan(600.0)
    assert panel.state("other_master") is LATCHED_SEEN
    assert panel.ask(CommandKind.RESET_ALARM, "other_master").name == "alarm_reset"
    assert panel.state("other_master") is N


def test_one_that_latches_is_acknowledged_first_or_raised_again() -> None:
    panel = Panel()
    panel.scan(other_master=True)
    panel.acknowledge("other_master")
    panel.scan(6.0, other_master=False)
    assert panel.state("other_master") is LATCHED_SEEN
    panel.scan(other_master=True)
    assert panel.state("other_master") is U


def test_a_shelf_ends_by_itself_and_tells_what_holds() -> None:
    panel = Panel()
    panel.scan(dose_out=True)
    panel.acknowledge(QUICK)
    told = panel.ask(CommandKind.SHELVE_ALARM, QUICK, 120.0, "known, QC is told")
    assert (told.name, told.get("for_s"), told.get("reason")) == ("alarm_shelved", 120.0, "known, QC is told")
    assert panel.memory(QUICK).left_s == 120.0
    panel.scan(119.0, dose_out=True)
    assert panel.state(QUICK) is AlarmState.SHELVED
    panel.scan(1.4, dose_out=True)
    # Raised anew, and not silently back to acknowledged.
    assert panel.state(QUICK) is U
    assert panel.events[-2:] == ["alarm_unshelved dose_out", "alarm_raised dose_out"]


def test_off_a_shelf_before_its_time_and_with_the_condition_gone() -> None:
    panel = Panel()
    panel.scan(dose_out=True)
    panel.ask(CommandKind.SHELVE_ALARM, QUICK, 3600.0)
    panel.scan(10.0, dose_out=False)
    assert panel.ask(CommandKind.UNSHELVE_ALARM, QUICK).name == "alarm_unshelved"
    panel.scan(dose_out=False)
    assert panel.state(QUICK) is N


def test_a_delay_runs_on_a_shelf_too() -> None:
    panel = Panel()
    panel.ask(CommandKind.SHELVE_ALARM, SLOW, 60.0)
    panel.scan(30.0, feed_off_setpoint=True)
    panel.ask(CommandKind.UNSHELVE_ALARM, SLOW)
    panel.scan(feed_off_setpoint=True)
    assert panel.state(SLOW) is U


@pytest.mark.parametrize(
    ("kind", "value", "reason", "why"),
    [
        (CommandKind.SHELVE_ALARM, 0.0, "why", "it can be shelved for 1 to 60 minutes, not 0"),
        (CommandKind.SHELVE_ALARM, 3601.0, "why", "it can be shelved for 1 to 60 minutes, not 60.0167"),
        (CommandKind.SHELVE_ALARM, float("inf"), "why", "it can be shelved for 1 to 60 minutes, not inf"),
        (CommandKind.SHELVE_ALARM, float("nan"), "why", "it can be shelved for 1 to 60 minutes, not nan"),
        (CommandKind.SHELVE_ALARM, 60.0, "", "why it is shelved must be said"),
        (CommandKind.REMOVE_ALARM, 0.0, "", "why it is taken out of service must be said"),
        (CommandKind.UNSHELVE_ALARM, 0.0, "why", "dose_out is normal"),
        (CommandKind.RETURN_ALARM, 0.0, "why", "dose_out is normal"),
        (CommandKind.RESET_ALARM, 0.0, "why", "dose_out is normal"),
        (CommandKind.ACKNOWLEDGE, 0.0, "", "dose_out is normal"),
    ],
)
def test_what_cannot_be_done_is_refused_in_words(kind: CommandKind, value: float, reason: str, why: str) -> None:
    panel = Panel()
    told = panel.ask(kind, QUICK, value, reason)
    assert (told.name, told.get("who"), told.get("why")) == ("command_refused", "operator", why)
    assert panel.alarms == first_alarms()


def test_an_alarm_that_does_not_exist_is_refused() -> None:
    panel = Panel()
    assert panel.ask(CommandKind.ACKNOWLEDGE, "dose_outt").get("why") == "no alarm named dose_outt"


def test_out_of_service_lasts_until_it_is_returned() -> None:
    panel = Panel()
    panel.ask(CommandKind.REMOVE_ALARM, "flow_switch", reason="switch is being replaced")
    memory = panel.memory("flow_switch")
    assert (memory.state, memory.who, memory.why) == (
        AlarmState.OUT_OF_SERVICE, "operator", "switch is being replaced",
    )  # fmt: skip
    panel.scan(86400.0 / 100, flow_switch=True)
    assert panel.state("flow_switch") is AlarmState.OUT_OF_SERVICE
    panel.ask(CommandKind.RETURN_ALARM, "flow_switch")
    panel.scan(flow_switch=True)
    assert panel.state("flow_switch") is U
    assert (panel.memory("flow_switch").who, panel.memory("flow_switch").why) == ("", "")


def test_what_means_nothing_is_suppressed_and_comes_back() -> None:
    panel = Panel()
    stands = frozenset({QUICK})
    panel.scan(dose_out=True)
    panel.scan(5.0, suppressed=stands, dose_out=None)
    assert panel.state(QUICK) is AlarmState.SUPPRESSED
    panel.scan(dose_out=True)
    assert panel.state(QUICK) is U
    assert panel.events == [
        "alarm_raised dose_out", "alarm_suppressed dose_out", "alarm_unsuppressed dose_out", "alarm_raised dose_out",
    ]  # fmt: skip
    panel.ask(CommandKind.SHELVE_ALARM, QUICK, 600.0)
    panel.scan(5.0, suppressed=stands, dose_out=None)
    assert panel.state(QUICK) is AlarmState.SHELVED


def test_the_first_of_a_group_is_marked_until_it_is_normal_again() -> None:
    panel = Panel()
    panel.scan(pressure_low=True)
    panel.scan(pressure_low=True, feed_stopped=True, dose_out=True)
    firsts = [name for name in PLACES if panel.memory(name).first]
    assert firsts == ["pressure_low"]
    assert [event.get("first_out") for event in panel.told] == [True, False, False]
    panel.acknowledge("pressure_low")
    panel.scan(6.0, feed_stopped=True)
    # The cause is normal; what it led to still stands, so what comes now is no first.
    panel.scan(feed_stopped=True, input_lost=True)
    assert not panel.memory("input_lost").first
    panel.acknowledge("feed_stopped")
    panel.acknowledge("input_lost")
    panel.scan(6.0)
    panel.scan(input_lost=True)
    assert panel.memory("input_lost").first


def test_of_several_in_one_scan_one_is_first() -> None:
    panel = Panel()
    panel.scan(pressure_high=True, feed_stopped=True)
    assert [name for name in PLACES if panel.memory(name).first] == ["feed_stopped"]


def test_a_flood_begins_with_the_eleventh_and_ends_below_five() -> None:
    panel = Panel()
    quick = [spec.alarm_id for spec in CATALOGUE if spec.on_delay_s == 0.0]
    ten, eleventh = quick[:BEGINS_ABOVE], quick[BEGINS_ABOVE]
    on: dict[str, Any] = {}
    for name in ten:
        on[name] = True
        panel.scan(10.0, **on)
    assert panel.alarms.flood.on is False
    on[eleventh] = True
    panel.scan(**on)
    assert panel.events[-1] == "alarm_flood_began None"
    # Ten minutes after the seventh was raised four are left: the eighth to the eleventh.
    panel.scan(600.0 - 40.4, **on)
    assert panel.events[-1] == "alarm_flood_began None"
    panel.scan(0.6, **on)
    assert panel.events[-1] == "alarm_flood_ended None"


def test_the_catalogue_is_complete() -> None:
    assert len(BY_ID) == len(CATALOGUE)
    for spec in CATALOGUE:
        assert spec.text
        assert spec.consequence.endswith(".")
        assert spec.remedy.endswith(".")
        assert spec.on_delay_s >= 0.0
        assert spec.off_delay_s >= 0.0
        assert spec.priority in Priority
        assert spec.time_s > 0.0
