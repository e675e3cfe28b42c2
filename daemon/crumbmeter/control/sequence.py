"""The run sequence: one table of transitions, one function that finds what moves it.

Priorities are the order of `Trigger`: what stops stands before what starts. Times in a state are process time.
This is no safety function: emergency stops and guards are hard-wired. A software stop is not lock-out.
"""

from enum import StrEnum

from crumbmeter.control.params import SequenceParams
from crumbmeter.model.events import Event, event
from crumbmeter.model.frozen import dataclass


class RunState(StrEnum):
    """What the feeder is doing, as crumbmeter runs it."""

    MONITOR = "monitor only"
    IDLE = "idle"
    LOCAL = "local"
    START_WARNING = "start warning"
    BLOWER_START = "blower start"
    PURGE = "purge"
    READY = "ready"
    FEEDING = "feeding"
    CLEAN_OUT = "line clean-out"
    STOPPED = "stopped"


class Trigger(StrEnum):
    """What moves the sequence, most urgent first."""

    CONTROL_OFF = "control not enabled"
    MACHINE_DOUBT = "machine doubt"
    GONE_LOCAL = "feeder set to local"
    STOP_ASKED = "out of service"
    INPUT_LOST = "input lost"
    DRUM_STANDS = "drum does not turn"
    HOLD_ASKED = "feed on hold"
    NO_DOSE = "mix without rubber"
    TOO_LONG = "took too long"
    CONTROL_ON = "control enabled"
    BACK_REMOTE = "feeder back in remote"
    START_ASKED = "put in service"
    MATERIAL = "material is coming"
    WARNED = "warning given"
    BLOWER_PROVEN = "blower proven"
    PURGED = "line purged"
    FEED = "drum turns and inputs are good"
    NOTHING_COMING = "no material is coming"
    CLEANED = "line clean"


_R, _T = RunState, Trigger

TRANSITIONS: dict[tuple[RunState, Trigger], RunState] = {
    (_R.MONITOR, _T.CONTROL_ON): _R.IDLE,
    (_R.IDLE, _T.GONE_LOCAL): _R.LOCAL,
    (_R.IDLE, _T.MATERIAL): _R.START_WARNING,
    (_R.LOCAL, _T.BACK_REMOTE): _R.IDLE,
    (_R.START_WARNING, _T.MACHINE_DOUBT): _R.STOPPED,
    (_R.START_WARNING, _T.GONE_LOCAL): _R.LOCAL,
    (_R.START_WARNING, _T.STOP_ASKED): _R.IDLE,
    (_R.START_WARNING, _T.WARNED): _R.BLOWER_START,
    (_R.BLOWER_START, _T.MACHINE_DOUBT): _R.STOPPED,
    (_R.BLOWER_START, _T.GONE_LOCAL): _R.LOCAL,
    (_R.BLOWER_START, _T.STOP_ASKED): _R.CLEAN_OUT,
    (_R.BLOWER_START, _T.TOO_LONG): _R.STOPPED,
    (_R.BLOWER_START, _T.BLOWER_PROVEN): _R.PURGE,
    (_R.PURGE, _T.MACHINE_DOUBT): _R.STOPPED,
    (_R.PURGE, _T.GONE_LOCAL): _R.LOCAL,
    (_R.PURGE, _T.STOP_ASKED): _R.CLEAN_OUT,
    (_R.PURGE, _T.TOO_LONG): _R.STOPPED,
    (_R.PURGE, _T.PURGED): _R.READY,
    (_R.READY, _T.MACHINE_DOUBT): _R.STOPPED,
    (_R.READY, _T.GONE_LOCAL): _R.LOCAL,
    (_R.READY, _T.STOP_ASKED): _R.CLEAN_OUT,
    (_R.READY, _T.FEED): _R.FEEDING,
    (_R.READY, _T.NOTHING_COMING): _R.CLEAN_OUT,
    (_R.FEEDING, _T.MACHINE_DOUBT): _R.STOPPED,
    (_R.FEEDING, _T.GONE_LOCAL): _R.LOCAL,
    (_R.FEEDING, _T.STOP_ASKED): _R.CLEAN_OUT,
    (_R.FEEDING, _T.INPUT_LOST): _R.READY,
    (_R.FEEDING, _T.DRUM_STANDS): _R.READY,
    (_R.FEEDING, _T.HOLD_ASKED): _R.READY,
    (_R.FEEDING, _T.NO_DOSE): _R.READY,
    (_R.FEEDING, _T.NOTHING_COMING): _R.CLEAN_OUT,
    (_R.CLEAN_OUT, _T.MACHINE_DOUBT): _R.STOPPED,
    (_R.CLEAN_OUT, _T.GONE_LOCAL): _R.LOCAL,
    (_R.CLEAN_OUT, _T.CLEANED): _R.IDLE,
    (_R.STOPPED, _T.GONE_LOCAL): _R.LOCAL,
    (_R.STOPPED, _T.START_ASKED): _R.IDLE,
    **{(state, _T.CONTROL_OFF): _R.MONITOR for state in RunState if state is not _R.MONITOR},
}
"""Rendered into docs/run-sequence.md. A pair that is not here does not move anything."""

AUTOMATIC_STOPS = (_T.MACHINE_DOUBT, _T.INPUT_LOST, _T.DRUM_STANDS, _T.GONE_LOCAL)
"""Triggers by which a running feed stops without anybody asking for it here."""

LINE_STATES = (_R.BLOWER_START, _R.PURGE, _R.READY, _R.FEEDING, _R.CLEAN_OUT)
"""States in which crumbmeter runs the blower."""


@dataclass(frozen=True, slots=True)
class SequenceState:
    """Where the sequence is and why."""

    state: RunState = RunState.MONITOR
    in_state_s: float = 0.0
    reason: str = "started"
    trigger: str = ""
    """Trigger of the last move."""
    in_service: bool = False
    on_hold: bool = False
    waiting_s: float = 0.0
    """[s] Ready or feeding with nothing coming."""
    clear_line: bool = False
    """In STOPPED: whether air may still clean the line."""


@dataclass(frozen=True, slots=True)
class Facts:
    """What a scan knows that can move the sequence. None: not known."""

    control_enabled: bool
    remote: bool | None
    doubt: str
    """Machine doubt that holds in this state; empty: none."""
    doubt_leaves_air: bool
    """Whether the line may be blown clean after that doubt."""
    doubt_in_idle: str
    """Machine doubt that would stop a start."""
    drum_turning: bool | None
    blower_running: bool | None
    airlock_running: bool | None
    material: bool
    """Whether material is on its way or in the drum, of a mix with rubber."""
    dosed: bool
    """Whether the mix chosen asks for rubber, or an older one whose material is still on its way."""
    inputs_lost: str
    """Required inputs that have been Bad for longer than the hold; empty: none."""
    inputs_ready: bool
    """Whether all required inputs have been Good for long enough."""
    start_asked: bool
    mixer: str = "drum"
    """What the mix is made in."""


def find_trigger(now: SequenceState, facts: Facts, params: SequenceParams) -> tuple[Trigger, str] | None:
    """Find the most urgent trigger that moves the present state, with its reason in words."""
    for trigger, why in _triggers(now, facts, params):
        if (now.state, trigger) in TRANSITIONS:
            return trigger, why
    return None


def _triggers(now: SequenceState, facts: Facts, params: SequenceParams) -> list[tuple[Trigger, str]]:
    spent_s = now.in_state_s
    found: list[tuple[Trigger, str, bool]] = [
        (_T.CONTROL_OFF, _T.CONTROL_OFF.value, not facts.control_enabled),
        (_T.MACHINE_DOUBT, facts.doubt, bool(facts.doubt)),
        (_T.GONE_LOCAL, _T.GONE_LOCAL.value, facts.remote is False),
        (_T.STOP_ASKED, _T.STOP_ASKED.value, not now.in_service),
        (_T.INPUT_LOST, facts.inputs_lost, bool(facts.inputs_lost)),
        (_T.DRUM_STANDS, f"{facts.mixer} does not turn", facts.drum_turning is False),
        (_T.HOLD_ASKED, _T.HOLD_ASKED.value, now.on_hold),
        (_T.NO_DOSE, _T.NO_DOSE.value, not facts.dosed),
        (_T.TOO_LONG, *_overdue(now, facts, params)),
        (_T.CONTROL_ON, _T.CONTROL_ON.value, facts.control_enabled),
        (_T.BACK_REMOTE, _T.BACK_REMOTE.value, facts.remote is True),
        (_T.START_ASKED, _T.START_ASKED.value, facts.start_asked and not facts.doubt_in_idle),
        (_T.MATERIAL, _T.MATERIAL.value, _may_start(now, facts)),
        (_T.WARNED, _T.WARNED.value, spent_s >= params.start_warning_s),
        (_T.BLOWER_PROVEN, _T.BLOWER_PROVEN.value, facts.blower_running is True),
        (_T.PURGED, _T.PURGED.value, spent_s >= params.purge_s and facts.airlock_running is True),
        (_T.FEED, f"{facts.mixer} turns and inputs are good", _may_feed(now, facts)),
        (_T.NOTHING_COMING, _T.NOTHING_COMING.value, now.waiting_s >= params.ready_hold_s),
        (_T.CLEANED, _T.CLEANED.value, spent_s >= params.clean_out_s),
    ]
    return [(trigger, why) for trigger, why, holds in found if holds]


def _overdue(now: SequenceState, facts: Facts, params: SequenceParams) -> tuple[str, bool]:
    if now.state is _R.BLOWER_START and facts.blower_running is not True:
        return "blower not proven in time", now.in_state_s >= params.blower_start_s
    if now.state is _R.PURGE and facts.airlock_running is not True:
        return "airlock not proven in time", now.in_state_s >= params.purge_s + params.airlock_start_s
    return "", False


def _may_start(now: SequenceState, facts: Facts) -> bool:
    return (
        now.in_service
        and facts.material
        and facts.dosed
        and facts.drum_turning is True
        and facts.remote is True
        and facts.inputs_ready
        and not facts.doubt_in_idle
    )


def _may_feed(now: SequenceState, facts: Facts) -> bool:
    return not now.on_hold and facts.dosed and facts.drum_turning is True and facts.inputs_ready


def advance(
    now: SequenceState, facts: Facts, params: SequenceParams, dt_s: float
) -> tuple[SequenceState, tuple[Event, ...]]:
    """Move the sequence on by one scan.

    Args:
        now: Before.
        facts: What this scan knows.
        params: Times.
        dt_s: [s] Length of the scan.
    """
    open_line = now.state in (RunState.READY, RunState.FEEDING)
    idle_wait = open_line and not (facts.material and facts.drum_turning is True)
    waiting_s = now.waiting_s + dt_s if idle_wait else 0.0
    # Whatever the state, a machine in doubt ends the service: a reset alone must never start anything (ISO 13850).
    in_service = now.in_service and not facts.doubt
    spent = SequenceState(
        now.state, now.in_state_s + dt_s, now.reason, now.trigger, in_service, now.on_hold and in_service, waiting_s,
        now.clear_line,
    )  # fmt: skip
    ended = (event("feed_taken_out_of_service", who=facts.doubt),) if now.in_service and not in_service else ()
    move = find_trigger(spent, facts, params)
    if move is None:
        return spent, ended
    trigger, why = move
    to = TRANSITIONS[now.state, trigger]
    stopped_itself = now.state is RunState.FEEDING and trigger in AUTOMATIC_STOPS
    stays = in_service and to not in (RunState.STOPPED, RunState.MONITOR)
    after = SequenceState(
        to, 0.0, why, trigger.value, stays, now.on_hold and stays, 0.0,
        trigger is _T.MACHINE_DOUBT and facts.doubt_leaves_air and now.state in LINE_STATES,
    )  # fmt: skip
    events = [event("run_state_changed", was=now.state.value, to=to.value, reason=why)]
    if stopped_itself:
        events.append(event("feed_stopped", cause=why, trigger=trigger.value))
    return after, (*ended, *events)


@dataclass(frozen=True, slots=True)
class Drives:
    """What runs in a state."""

    blower: bool
    airlock: bool
    warning: bool
    auger: bool


def drives(now: SequenceState, params: SequenceParams) -> Drives:
    """Return what the present state runs."""
    state = now.state
    cleaning = state is RunState.STOPPED and now.clear_line and now.in_state_s < params.clean_out_s
    return Drives(
        blower=state in LINE_STATES or cleaning,
        airlock=state in (RunState.PURGE, RunState.READY, RunState.FEEDING, RunState.CLEAN_OUT) or cleaning,
        warning=state is RunState.START_WARNING,
        auger=state is RunState.FEEDING,
    )
