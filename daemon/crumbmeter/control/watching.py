"""What control waits for before it writes, and how long an estimate may stand in for a weight."""

from crumbmeter.control.ownership import may_write
from crumbmeter.control.params import MeterMode, Params
from crumbmeter.control.permissives import Contacts
from crumbmeter.control.state import State
from crumbmeter.estimation.weighing import Flow, believable_factor
from crumbmeter.field.words import decode_si
from crumbmeter.model.frozen import replace
from crumbmeter.model.image import WriteStatus
from crumbmeter.model.outputs import OutputRole
from crumbmeter.model.quality import Reason
from crumbmeter.model.reading import Reading

UNHEARD = (Reason.NOT_YET_READ, Reason.NO_COMMUNICATION, Reason.STALE, Reason.INITIAL_VALUE)
"""Reasons that say something of the connection, and nothing of what is measured."""


def is_armed(state: State, params: Params) -> bool:
    """Tell whether all required inputs have been Good for long enough since the start (REQ-24)."""
    return state.good_scans >= params.good_scans


def weight_is_known(state: State, params: Params) -> bool:
    """Tell whether the hopper's weight has been compared with a known one, as it is read now (REQ-13)."""
    return params.weight_reading in ("", state.weight_confirmed)


def arm(state: State, params: Params, writes: tuple[WriteStatus, ...], in_doubt: str) -> State:
    """Count good scans after a start; at the last of them begin from the setpoint that the device holds (bumpless)."""
    if is_armed(state, params):
        return state
    if in_doubt:
        return replace(state, good_scans=0)
    counted = replace(state, good_scans=state.good_scans + 1)
    held = _held_setpoint(params, writes) if is_armed(counted, params) else None
    return counted if held is None else _from_held(counted, params, held)


def watch_feeder(
    state: State,
    params: Params,
    of_feeder: tuple[int, ...],
    readings: tuple[Reading, ...],
    writes: tuple[WriteStatus, ...],
    now_s: float,
    dt_s: float,
) -> State:
    """Note when the feeder is not heard; when it is again, go on from the setpoint that it holds (REQ-24).

    It may have been restarted meanwhile. Until then no setpoint but a stop is written. One that was restarted unseen is
    known by a setpoint that nobody here gave it, and that is lower: a higher one is somebody else's, and never adopted.

    Args:
        state: Before.
        params: Site.
        of_feeder: Indices of the required signals of the device that takes the setpoint.
        readings: Of this scan.
        writes: Status of every output.
        now_s: [s] Process time.
        dt_s: [s] Length of the scan.
    """
    feed, place = state.feed, setpoint_output(params)
    if place is None:
        return state
    if any(readings[index].value is None and readings[index].reason in UNHEARD for index in of_feeder):
        since_s = now_s if feed.unheard_since_s is None else feed.unheard_since_s
        left_s = params.outputs[place].confirm_within_s
        return replace(state, feed=replace(feed, unheard_since_s=since_s, unheard_left_s=left_s))
    if feed.unheard_since_s is None:
        return _restarted_unseen(state, params, writes) if writes[place].foreign else state
    fresh = writes[place].stamped_s > feed.unheard_since_s
    held = _held_setpoint(params, writes) if fresh else None
    if held is None:
        left_s = feed.unheard_left_s - dt_s
        still_s = feed.unheard_since_s if left_s > 0.0 else None
        return replace(state, feed=replace(feed, unheard_since_s=still_s, unheard_left_s=left_s))
    heard = replace(state, feed=replace(feed, unheard_since_s=None))
    return _from_held(heard, params, held) if state.control_enabled else heard


def _restarted_unseen(state: State, params: Params, writes: tuple[WriteStatus, ...]) -> State:
    held = _held_setpoint(params, writes)
    own = state.feed.setpoint_kg_s if params.feed.mode is MeterMode.RATE else state.feed.speed_rev_s
    if held is None or held >= own or not state.control_enabled:
        return state
    return _from_held(state, params, held)


def setpoint_output(params: Params) -> int | None:
    """Return the index of the output that takes the setpoint; None where the site has none."""
    role = OutputRole.FEED_RATE if params.feed.mode is MeterMode.RATE else OutputRole.AUGER_SPEED
    return next((index for index, spec in enumerate(params.outputs) if spec.role == role), None)


def _from_held(state: State, params: Params, held: float) -> State:
    """Begin from what the device holds, in its own unit: [kg/s] or [rev/s]."""
    factor = believable_factor(state.weighing, params.weighing)
    rate, speed = (held, held / factor) if params.feed.mode is MeterMode.RATE else (held * factor, held)
    return replace(state, feed=replace(state.feed, setpoint_kg_s=rate, speed_rev_s=speed))


def _held_setpoint(params: Params, writes: tuple[WriteStatus, ...]) -> float | None:
    place = setpoint_output(params)
    words = None if place is None else writes[place].read_back_words
    if place is None or words is None:
        return None
    spec = params.outputs[place]
    value, _ = decode_si(spec.register, words)
    return value if value is not None and spec.low_si <= value <= spec.high_si else None


def watch_hold(state: State, flow: Flow, dt_s: float) -> State:
    """Count how long the weight has said nothing, because of a fill or what follows it (REQ-7)."""
    if flow.believed:
        return state if state.held_s == 0.0 else replace(state, held_s=0.0)
    holding = state.weighing.refilling or state.weighing.settle_left_s > 0.0
    return replace(state, held_s=state.held_s + dt_s) if holding else state


def only_when_ours(contacts: Contacts, state: State, params: Params) -> Contacts:
    """Take a feeder that another master writes to for one that is not in remote: we only track it."""
    if may_write(state.owner, params) or contacts.remote is False:
        return contacts
    return replace(contacts, remote=None if state.owner.other == 0 else False)
