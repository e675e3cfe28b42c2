"""What people do with an alarm: acknowledge, reset, shelve, take out of service. Done, or refused with a reason."""

from collections.abc import Callable

from crumbmeter.alarms.catalogue import CATALOGUE, Priority
from crumbmeter.alarms.life import AlarmState, Change, moved
from crumbmeter.alarms.machine import PLACES, AlarmMemory, Alarms
from crumbmeter.model.commands import Command, CommandKind
from crumbmeter.model.events import Event, event
from crumbmeter.model.frozen import replace

MOST_SHELVED_S = {Priority.LOW: 12 * 3600.0, Priority.MEDIUM: 4 * 3600.0, Priority.HIGH: 3600.0}
"""[s] A shelf always ends: after a shift at the latest, a high alarm's after an hour. These limits are ours."""
LEAST_SHELVED_S = 60.0

Told = Callable[[Command, str], Event]
CHANGES: dict[CommandKind, tuple[Change, Told]] = {
    CommandKind.ACKNOWLEDGE: (
        Change.ACKNOWLEDGE, lambda one, state: event("alarm_acknowledged", alarm=one.subject, state=state, who=one.who),
    ),
    CommandKind.RESET_ALARM: (
        Change.RESET, lambda one, state: event("alarm_reset", alarm=one.subject, state=state, who=one.who),
    ),
    CommandKind.SHELVE_ALARM: (
        Change.SHELVE,
        lambda one, state: event(
            "alarm_shelved", alarm=one.subject, state=state, who=one.who, for_s=one.value, reason=one.reason
        ),
    ),
    CommandKind.UNSHELVE_ALARM: (
        Change.UNSHELVE, lambda one, state: event("alarm_unshelved", alarm=one.subject, state=state, who=one.who),
    ),
    CommandKind.REMOVE_ALARM: (
        Change.REMOVE,
        lambda one, state: event("alarm_removed", alarm=one.subject, state=state, who=one.who, reason=one.reason),
    ),
    CommandKind.RETURN_ALARM: (
        Change.RETURN, lambda one, state: event("alarm_returned", alarm=one.subject, state=state, who=one.who),
    ),
}  # fmt: skip
"""What each request does, and the event that tells of it."""


def act(alarms: Alarms, command: Command, now_s: float) -> tuple[Alarms, Event]:
    """Do what somebody asks for with one alarm, or say why not.

    Args:
        alarms: Before.
        command: Of one of the kinds in `CHANGES`; its subject is the alarm, its value the length of a shelf [s].
        now_s: [s] Process time.
    """
    change, told = CHANGES[command.kind]
    place = PLACES.get(command.subject)
    if place is None:
        return alarms, _refused(command, f"no alarm named {command.subject}")
    spec, before = CATALOGUE[place], alarms.each[place]
    state = moved(before.state, change, latches=spec.latches)
    why_not = f"{command.subject} is {before.state.value}" if state is None else _WHY_NOT.get(change, _well)(command)
    if state is None or why_not:
        return alarms, _refused(command, why_not)
    shelved = state is AlarmState.SHELVED
    aside = shelved or state is AlarmState.OUT_OF_SERVICE
    after = AlarmMemory(
        state, before.pending_s, now_s, before.detail, before.holds,
        first=before.first and state not in (AlarmState.NORMAL, AlarmState.SHELVED, AlarmState.OUT_OF_SERVICE),
        left_s=command.value if shelved else 0.0, who=command.who if aside else "", why=command.reason if aside else "",
    )  # fmt: skip
    return replace(alarms, each=(*alarms.each[:place], after, *alarms.each[place + 1 :])), told(command, state.value)


def _well(_command: Command) -> str:
    return ""


def _wrong_shelf(command: Command) -> str:
    most_s = MOST_SHELVED_S[CATALOGUE[PLACES[command.subject]].priority]
    if not LEAST_SHELVED_S <= command.value <= most_s:
        return f"it can be shelved for 1 to {most_s / 60.0:.0f} minutes, not {command.value / 60.0:g}"
    return "" if command.reason else "why it is shelved must be said"


def _without_reason(command: Command) -> str:
    return "" if command.reason else "why it is taken out of service must be said"


_WHY_NOT: dict[Change, Callable[[Command], str]] = {Change.SHELVE: _wrong_shelf, Change.REMOVE: _without_reason}


def _refused(command: Command, why: str) -> Event:
    return event("command_refused", command=command.kind.value, who=command.who, why=why)
