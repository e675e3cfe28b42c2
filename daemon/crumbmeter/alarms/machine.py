"""All alarms, scan by scan: delays, what the plant's state suppresses, shelves that end, first-out, floods.

A condition is true, false or unknown; unknown (a Bad input) holds the state, since an alarm may clear on a good value
only (REQ-35). Every move leaves an event that names the state it led to, so that the record alone can restore it.
"""

from crumbmeter.alarms.catalogue import CATALOGUE, AlarmSpec
from crumbmeter.alarms.flood import Flood, follow_flood
from crumbmeter.alarms.life import LIVE, TO_BE_SEEN, TRANSITIONS, AlarmState, Change, moved
from crumbmeter.model.events import Event, event
from crumbmeter.model.frozen import dataclass, replace

CALM_S = 60.0
"""[s] An alarm that is raised twice within so long then stays until its condition has been gone for as long: the cap on
how often one alarm can call (REQ-36). Ours; ISA-18.2 counts three in a minute as chattering."""


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
    holds: bool = False
    """The condition, after its delays; watched in every state."""
    first: bool = False
    """Raised before all others of its group: the likely cause of these."""
    left_s: float = 0.0
    """[s] Of a shelf."""
    who: str = ""
    """Who put it aside."""
    why: str = ""
    raised_s: float | None = None
    """[s] Process time at which it was last raised."""
    chatters: bool = False
    """Raised twice within `CALM_S`: it clears only after so long without its condition."""


@dataclass(frozen=True, slots=True)
class Condition:
    """What a scan says of one alarm."""

    true: bool | None
    """None: not known."""
    detail: str = ""


QUIET = Condition(true=False)
_ABNORMAL = (*TO_BE_SEEN, AlarmState.ACKNOWLEDGED, AlarmState.LATCHED_SEEN)


@dataclass(frozen=True, slots=True)
class Alarms:
    """All alarms, in the order of the catalogue, and how many there were of late."""

    each: tuple[AlarmMemory, ...]
    flood: Flood = Flood()


def first_alarms() -> Alarms:
    """Make the state of all alarms at a first start."""
    return Alarms((AlarmMemory(),) * len(CATALOGUE))


def evaluate(
    alarms: Alarms,
    conditions: dict[str, Condition],
    delays_s: dict[str, tuple[float, float]],
    suppressed: frozenset[str],
    now_s: float,
    dt_s: float,
) -> tuple[Alarms, tuple[Event, ...]]:
    """Move every alarm on by one scan.

    Args:
        alarms: State before.
        conditions: By alarm id; an id that is missing is false.
        delays_s: On-delay and off-delay [s] where a site differs from the catalogue.
        suppressed: Alarms that mean nothing in the plant's present state.
        now_s: [s] Process time.
        dt_s: [s] Length of the scan.
    """
    after: list[AlarmMemory] = []
    events: list[Event] = []
    raised = 0
    for spec, before in zip(CATALOGUE, alarms.each, strict=True):
        condition = conditions.get(spec.alarm_id, QUIET)
        aside = spec.alarm_id in suppressed
        if _rests(before, condition, aside=aside):
            after.append(before)
            continue
        on_s, off_s = delays_s.get(spec.alarm_id, (spec.on_delay_s, spec.off_delay_s))
        off_s = max(off_s, CALM_S) if before.chatters else off_s
        memory, happened = _follow(before, condition, spec, (on_s, off_s), dt_s, now_s)
        memory, put = _put_aside(memory, spec, aside=aside, now_s=now_s)
        memory, more = _tell(memory, spec, condition, now_s)
        told = (*happened, *put, *more)
        raised += sum([one.name == "alarm_raised" for one in told])
        events += told
        after.append(memory)
    each = _first_out(alarms.each, tuple(after), events) if raised else tuple(after)
    flood, flooded = follow_flood(alarms.flood, raised, dt_s)
    return Alarms(each, flood), (*events, *flooded)


_SUPPRESSED = AlarmState.SUPPRESSED
_RAISABLE = tuple(state for state in AlarmState if (state, Change.RAISED) in TRANSITIONS)


def _rests(before: AlarmMemory, condition: Condition, *, aside: bool) -> bool:
    """Tell whether nothing can come of this scan: the way that nearly all alarms of nearly all scans go."""
    return (
        (condition.true is None or condition.true == before.holds)
        and before.pending_s == 0.0
        and before.left_s == 0.0
        and aside == (before.state is _SUPPRESSED)
        and not (before.holds and before.state in _RAISABLE)
    )


def _follow(
    before: AlarmMemory,
    condition: Condition,
    spec: AlarmSpec,
    delays_s: tuple[float, float],
    dt_s: float,
    now_s: float,
) -> tuple[AlarmMemory, tuple[Event, ...]]:
    """Let delays and shelves run. A delay begins anew whenever the condition turns back."""
    events: tuple[Event, ...] = ()
    memory = before
    if condition.true is None or condition.true == before.holds:
        memory = memory if memory.pending_s == 0.0 else replace(memory, pending_s=0.0)
    else:
        pending_s = before.pending_s + dt_s
        if pending_s < delays_s[before.holds]:
            memory = replace(memory, pending_s=pending_s)
        else:
            memory = replace(memory, pending_s=0.0, holds=condition.true)
            if before.holds and memory.state in LIVE:
                memory = _move(memory, Change.CLEARED, spec, now_s)
                events = (_event("alarm_cleared", spec, memory, detail=memory.detail),)
    if memory.left_s > 0.0:
        left_s = max(0.0, memory.left_s - dt_s)
        memory = replace(memory, left_s=left_s)
        if left_s == 0.0:
            memory = _move(memory, Change.UNSHELVE, spec, now_s)
            events = (*events, _event("alarm_unshelved", spec, memory, who="time"))
    return memory, events


def _put_aside(
    memory: AlarmMemory, spec: AlarmSpec, *, aside: bool, now_s: float
) -> tuple[AlarmMemory, tuple[Event, ...]]:
    """Suppress what means nothing at present, and take it back when it does."""
    if aside and memory.state in LIVE:
        memory = _move(memory, Change.SUPPRESS, spec, now_s)
        return memory, (_event("alarm_suppressed", spec, memory),)
    if not aside and memory.state is _SUPPRESSED:
        memory = _move(memory, Change.UNSUPPRESS, spec, now_s)
        return memory, (_event("alarm_unsuppressed", spec, memory),)
    return memory, ()


def _tell(
    memory: AlarmMemory, spec: AlarmSpec, condition: Condition, now_s: float
) -> tuple[AlarmMemory, tuple[Event, ...]]:
    """Raise what holds and is not told yet."""
    if not memory.holds or moved(memory.state, Change.RAISED, latches=spec.latches) is None:
        return memory, ()
    detail = condition.detail if condition.true else memory.detail
    chatters = memory.raised_s is not None and now_s - memory.raised_s <= CALM_S
    memory = replace(_move(memory, Change.RAISED, spec, now_s), detail=detail, raised_s=now_s, chatters=chatters)
    return memory, (_event("alarm_raised", spec, memory, detail=detail),)


def _first_out(
    before: tuple[AlarmMemory, ...], after: tuple[AlarmMemory, ...], events: list[Event]
) -> tuple[AlarmMemory, ...]:
    """Mark the alarm that came before all others of its group; of several in one scan the first of the catalogue."""
    taken = {
        spec.group for spec, memory in zip(CATALOGUE, before, strict=True) if spec.group and memory.state in _ABNORMAL
    }
    new = {str(one.get("alarm")) for one in events if one.name == "alarm_raised"}
    marked = []
    for spec, memory in zip(CATALOGUE, after, strict=True):
        first = spec.alarm_id in new and bool(spec.group) and spec.group not in taken
        taken |= {spec.group} if first else set()
        marked.append(replace(memory, first=True) if first else memory)
    for place, one in enumerate(events):
        if one.name == "alarm_raised":
            memory = marked[PLACES[str(one.get("alarm"))]]
            events[place] = replace(one, detail=(*one.detail, ("first_out", memory.first)))
    return tuple(marked)


PLACES = {spec.alarm_id: place for place, spec in enumerate(CATALOGUE)}


def _move(memory: AlarmMemory, change: Change, spec: AlarmSpec, now_s: float) -> AlarmMemory:
    state = moved(memory.state, change, latches=spec.latches)
    if state is None:
        return memory
    kept = state in LIVE and state is not AlarmState.NORMAL
    return replace(
        memory, state=state, since_s=now_s, first=memory.first and kept, left_s=0.0,
        who="" if state in LIVE else memory.who, why="" if state in LIVE else memory.why,
    )  # fmt: skip


def _event(name: str, spec: AlarmSpec, memory: AlarmMemory, **detail: str) -> Event:
    return event(name, alarm=spec.alarm_id, state=memory.state.value, **detail)
