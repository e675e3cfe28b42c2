"""The life of an alarm, after ISA-18.2 / IEC 62682: normal, unacknowledged, acknowledged, returned unacknowledged.

The transitions are one table. A condition is true, false or unknown; unknown (a Bad input) holds the state, since an
alarm may clear on a good value only (REQ-35).
"""

from enum import StrEnum

from crumbmeter.alarms.catalogue import CATALOGUE
from crumbmeter.model.events import Event, event
from crumbmeter.model.frozen import dataclass


class AlarmState(StrEnum):
    """Where an alarm is in its life."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned, unacknowledged"


class Change(StrEnum):
    """What moves it."""

    RAISED = "condition true"
    CLEARED = "condition gone"
    ACKNOWLEDGE = "acknowledge"


TRANSITIONS: dict[tuple[AlarmState, Change], AlarmState] = {
    (AlarmState.NORMAL, Change.RAISED): AlarmState.UNACKNOWLEDGED,
    (AlarmState.UNACKNOWLEDGED, Change.ACKNOWLEDGE): AlarmState.ACKNOWLEDGED,
    (AlarmState.UNACKNOWLEDGED, Change.CLEARED): AlarmState.RETURNED,
    (AlarmState.ACKNOWLEDGED, Change.CLEARED): AlarmState.NORMAL,
    (AlarmState.RETURNED, Change.ACKNOWLEDGE): AlarmState.NORMAL,
    (AlarmState.RETURNED, Change.RAISED): AlarmState.UNACKNOWLEDGED,
}

ACTIVE = (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)


@dataclass(frozen=True, slots=True)
class AlarmMemory:
    """One alarm's state."""

    state: AlarmState = AlarmState.NORMAL
    pending_s: float = 0.0
    """[s] For how long the condition has pointed the other way."""
    since_s: float = 0.0
    """[s] Process time of the last change of state."""
    detail: str = ""
    """What the condition named when it was raised (a signal, a cause)."""


@dataclass(frozen=True, slots=True)
class Condition:
    """What a scan says of one alarm."""

    true: bool | None
    """None: not known."""
    detail: str = ""


QUIET = Condition(true=False)


def first_alarms() -> tuple[AlarmMemory, ...]:
    """Make the state of all alarms at a first start, in the order of the catalogue."""
    return (AlarmMemory(),) * len(CATALOGUE)


def evaluate(
    memory: tuple[AlarmMemory, ...],
    conditions: dict[str, Condition],
    delays_s: dict[str, tuple[float, float]],
    now_s: float,
    dt_s: float,
) -> tuple[tuple[AlarmMemory, ...], tuple[Event, ...]]:
    """Move every alarm on by one scan.

    Args:
        memory: State of each alarm, in the order of the catalogue.
        conditions: By alarm id; an id that is missing is false.
        delays_s: On-delay and off-delay [s] where a site differs from the catalogue.
        now_s: [s] Process time.
        dt_s: [s] Length of the scan.
    """
    after: list[AlarmMemory] = []
    events: list[Event] = []
    for spec, before in zip(CATALOGUE, memory, strict=True):
        condition = conditions.get(spec.alarm_id, QUIET)
        active = before.state in ACTIVE
        if condition.true is None or condition.true == active:
            after.append(before if before.pending_s == 0.0 else _keep(before))
            continue
        on_s, off_s = delays_s.get(spec.alarm_id, (spec.on_delay_s, spec.off_delay_s))
        pending_s = before.pending_s + dt_s
        if pending_s < (off_s if active else on_s):
            after.append(AlarmMemory(before.state, pending_s, before.since_s, before.detail))
            continue
        change = Change.CLEARED if active else Change.RAISED
        detail = before.detail if active else condition.detail
        after.append(AlarmMemory(TRANSITIONS[before.state, change], 0.0, now_s, detail))
        events.append(event("alarm_cleared" if active else "alarm_raised", alarm=spec.alarm_id, detail=detail))
    return tuple(after), tuple(events)


def _keep(before: AlarmMemory) -> AlarmMemory:
    return AlarmMemory(before.state, 0.0, before.since_s, before.detail)


def acknowledge(
    memory: tuple[AlarmMemory, ...], alarm_id: str, who: str, now_s: float
) -> tuple[tuple[AlarmMemory, ...], Event]:
    """Acknowledge one alarm, or say why not."""
    for index, spec in enumerate(CATALOGUE):
        if spec.alarm_id != alarm_id:
            continue
        before = memory[index]
        state = TRANSITIONS.get((before.state, Change.ACKNOWLEDGE))
        if state is None:
            why = f"{alarm_id} is {before.state.value}"
            return memory, event("command_refused", command="acknowledge", who=who, why=why)
        moved = AlarmMemory(state, before.pending_s, now_s, before.detail)
        return (*memory[:index], moved, *memory[index + 1 :]), event("alarm_acknowledged", alarm=alarm_id, who=who)
    return memory, event("command_refused", command="acknowledge", who=who, why=f"no alarm named {alarm_id}")
