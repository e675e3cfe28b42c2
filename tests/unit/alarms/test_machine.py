"""Life of an alarm: every pair of the state table, delays that begin anew, and inputs that are not known.

The state table is that of ISA-18.2 / IEC 62682 without latching, shelving and suppression, which do not exist here
(states A to D of the project's check values, section 6a).
"""

import pytest

from crumbmeter.alarms.catalogue import BY_ID, CATALOGUE, Priority
from crumbmeter.alarms.machine import (
    TRANSITIONS,
    AlarmMemory,
    AlarmState,
    Change,
    Condition,
    acknowledge,
    evaluate,
    first_alarms,
)

N, U, A, R = AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, AlarmState.RETURNED
PLACE = {spec.alarm_id: place for place, spec in enumerate(CATALOGUE)}
SLOW = "feed_off_setpoint"
"""Ten seconds on, ten seconds off."""
QUICK = "dose_out"
"""No delay."""


class Panel:
    """Runs the alarms scan by scan."""

    def __init__(self, **delays_s: tuple[float, float]) -> None:
        self.memory = first_alarms()
        self.delays_s = delays_s
        self.now_s = 0.0
        self.events: list[str] = []

    def scan(self, seconds: float = 0.2, **conditions: bool | None) -> None:
        for _ in range(round(seconds / 0.2)):
            self.now_s += 0.2
            told = {name: Condition(true, f"at {self.now_s:.1f}") for name, true in conditions.items()}
            self.memory, events = evaluate(self.memory, told, self.delays_s, self.now_s, 0.2)
            self.events += [f"{event.name} {event.get('alarm')}" for event in events]

    def acknowledge(self, name: str) -> str:
        self.memory, event = acknowledge(self.memory, name, "operator", self.now_s)
        return event.name

    def state(self, name: str) -> AlarmState:
        return self.memory[PLACE[name]].state


@pytest.mark.parametrize(
    ("start", "change", "end"),
    [
        (N, Change.RAISED, U), (U, Change.ACKNOWLEDGE, A), (U, Change.CLEARED, R), (A, Change.CLEARED, N),
        (R, Change.ACKNOWLEDGE, N), (R, Change.RAISED, U),
    ],
)  # fmt: skip
def test_transitions(start: AlarmState, change: Change, end: AlarmState) -> None:
    panel = Panel()
    panel.memory = tuple(AlarmMemory(start) if spec.alarm_id == QUICK else AlarmMemory() for spec in CATALOGUE)
    if change is Change.ACKNOWLEDGE:
        assert panel.acknowledge(QUICK) == "alarm_acknowledged"
    else:
        panel.scan(dose_out=change is Change.RAISED)
    assert panel.state(QUICK) is end


def test_there_are_no_other_transitions() -> None:
    assert len(TRANSITIONS) == 6
    assert {start for start, _ in TRANSITIONS} == set(TRANSITIONS.values()) == set(AlarmState)


@pytest.mark.parametrize("state", [N, A])
def test_what_cannot_be_acknowledged_is_refused_in_words(state: AlarmState) -> None:
    memory = tuple(AlarmMemory(state) for _ in CATALOGUE)
    after, event = acknowledge(memory, QUICK, "operator", 9.0)
    assert after == memory
    assert event.name == "command_refused"
    assert event.get("why") == f"dose_out is {state.value}"
    assert event.get("who") == "operator"


def test_an_alarm_that_does_not_exist_is_refused() -> None:
    memory, event = acknowledge(first_alarms(), "dose_outt", "operator", 9.0)
    assert memory == first_alarms()
    assert event.get("why") == "no alarm named dose_outt"


def test_a_whole_life_with_its_record() -> None:
    panel = Panel()
    panel.scan(dose_out=True)
    panel.scan(5.0, dose_out=True)
    assert panel.memory[PLACE[QUICK]] == AlarmMemory(U, 0.0, 0.2, "at 0.2")
    panel.acknowledge(QUICK)
    panel.scan(dose_out=False)
    assert panel.state(QUICK) is N
    assert panel.events == ["alarm_raised dose_out", "alarm_cleared dose_out"]


def test_gone_before_it_was_seen_is_kept_until_somebody_has() -> None:
    panel = Panel()
    panel.scan(dose_out=True)
    panel.scan(dose_out=False)
    panel.scan(600.0)
    assert panel.memory[PLACE[QUICK]] == AlarmMemory(R, 0.0, 0.4, "at 0.2")
    panel.scan(dose_out=True)
    assert panel.state(QUICK) is U
    assert panel.memory[PLACE[QUICK]].detail == f"at {panel.now_s:.1f}"


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


@pytest.mark.parametrize("state", list(AlarmState))
def test_not_known_moves_nothing_and_the_delay_begins_anew(state: AlarmState) -> None:
    panel = Panel()
    panel.memory = tuple(AlarmMemory(state, pending_s=9.9, since_s=1.0, detail="kept") for _ in CATALOGUE)
    panel.scan(60.0, **dict.fromkeys(PLACE))
    assert set(panel.memory) == {AlarmMemory(state, 0.0, 1.0, "kept")}
    assert panel.events == []


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
    panel.scan(11.0, **dict.fromkeys(PLACE, True))
    assert {memory.state for memory in panel.memory} == {U}
    panel.acknowledge("hopper_low")
    assert [name for name in PLACE if panel.state(name) is A] == ["hopper_low"]


def test_the_catalogue_is_complete() -> None:
    assert len(BY_ID) == len(CATALOGUE)
    for spec in CATALOGUE:
        assert spec.text
        assert spec.consequence.endswith(".")
        assert spec.remedy.endswith(".")
        assert spec.on_delay_s >= 0.0
        assert spec.off_delay_s >= 0.0
        assert spec.priority in Priority
