"""Alarms after a restart: each as its newest event on record left it (REQ-34)."""

from crumbmeter.alarms.life import ACTIVE, AlarmState
from crumbmeter.alarms.machine import PLACES, AlarmMemory, Alarms
from crumbmeter.model.events import Event
from crumbmeter.model.frozen import replace


def remembered(happened: Event, away_s: float) -> AlarmMemory:
    """Return how an alarm stood after one of its events; normal where the event does not say.

    Args:
        happened: The event.
        away_s: [s] Since then, by the wall clock. A shelf goes on meanwhile; a clock that went back gives it nothing.
    """
    try:
        state = AlarmState(str(happened.get("state")))
    except ValueError:
        return AlarmMemory()
    length_s = happened.get("for_s")
    left_s = length_s - max(0.0, away_s) if isinstance(length_s, float | int) else 0.0
    if state is AlarmState.SHELVED and left_s <= 0.0:
        return AlarmMemory()
    aside = state in (AlarmState.SHELVED, AlarmState.OUT_OF_SERVICE)
    return AlarmMemory(
        state, detail=str(happened.get("detail") or ""), holds=state in ACTIVE, first=bool(happened.get("first_out")),
        left_s=left_s if state is AlarmState.SHELVED else 0.0,
        who=str(happened.get("who") or "") if aside else "", why=str(happened.get("reason") or "") if aside else "",
    )  # fmt: skip


def resumed(fresh: Alarms, found: dict[str, AlarmMemory], now_s: float) -> Alarms:
    """Go on from what was found. The flood is counted anew."""
    each = list(fresh.each)
    for alarm_id, memory in found.items():
        place = PLACES.get(alarm_id)
        if place is not None:
            each[place] = replace(memory, since_s=now_s)
    return replace(fresh, each=tuple(each))
