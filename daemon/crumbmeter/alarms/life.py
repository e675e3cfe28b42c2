"""The life of an alarm, after ISA-18.2 / IEC 62682, as one table: nine states and what moves an alarm between them.

A pair that does not stand in the table does nothing, or is refused where a person asked for it. An alarm that comes
back from where it was put aside begins at normal, and is raised anew where its condition still holds: never silently
back to acknowledged.
"""

from enum import StrEnum


class AlarmState(StrEnum):
    """Where an alarm is in its life."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned, unacknowledged"
    LATCHED = "latched, unacknowledged"
    LATCHED_SEEN = "latched, acknowledged"
    SHELVED = "shelved"
    SUPPRESSED = "suppressed by design"
    OUT_OF_SERVICE = "out of service"


class Change(StrEnum):
    """What moves it."""

    RAISED = "condition true"
    CLEARED = "condition gone"
    ACKNOWLEDGE = "acknowledge"
    RESET = "reset"
    SHELVE = "shelve"
    UNSHELVE = "unshelve"
    SUPPRESS = "suppress"
    UNSUPPRESS = "unsuppress"
    REMOVE = "remove from service"
    RETURN = "return to service"


N, U, A, R = AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, AlarmState.RETURNED
LATCHED, LATCHED_SEEN = AlarmState.LATCHED, AlarmState.LATCHED_SEEN
SHELVED, SUPPRESSED, OUT = AlarmState.SHELVED, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE

LIVE = (N, U, A, R, LATCHED, LATCHED_SEEN)
"""States in which an alarm is told."""
ASIDE = (SHELVED, SUPPRESSED, OUT)
"""States in which it is not, though its condition is still watched."""
TO_BE_SEEN = (U, R, LATCHED)
"""States that wait for somebody to acknowledge them."""
ACTIVE = (U, A)

TRANSITIONS: dict[tuple[AlarmState, Change], AlarmState] = {
    (N, Change.RAISED): U,
    (U, Change.ACKNOWLEDGE): A,
    (U, Change.CLEARED): R,
    (A, Change.CLEARED): N,
    (R, Change.ACKNOWLEDGE): N,
    (R, Change.RAISED): U,
    (LATCHED, Change.ACKNOWLEDGE): LATCHED_SEEN,
    (LATCHED, Change.RAISED): U,
    (LATCHED_SEEN, Change.RESET): N,
    (LATCHED_SEEN, Change.RAISED): U,
    **{(state, Change.SHELVE): SHELVED for state in LIVE},
    (SHELVED, Change.UNSHELVE): N,
    **{(state, Change.SUPPRESS): SUPPRESSED for state in LIVE},
    (SUPPRESSED, Change.UNSUPPRESS): N,
    **{(state, Change.REMOVE): OUT for state in (*LIVE, SHELVED, SUPPRESSED)},
    (OUT, Change.RETURN): N,
}
LATCHING: dict[tuple[AlarmState, Change], AlarmState] = {
    (U, Change.CLEARED): LATCHED,
    (A, Change.CLEARED): LATCHED_SEEN,
}
"""What differs for an alarm that latches: it stays until a person has reset it."""


def moved(state: AlarmState, change: Change, *, latches: bool) -> AlarmState | None:
    """Return the next state; None where the table has none."""
    if latches and (state, change) in LATCHING:
        return LATCHING[state, change]
    return TRANSITIONS.get((state, change))
