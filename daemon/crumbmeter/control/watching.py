"""What control waits for before it writes, and how long an estimate may stand in for a weight."""

from dataclasses import replace

from crumbmeter.control.ownership import may_write
from crumbmeter.control.params import MeterMode, Params
from crumbmeter.control.permissives import Contacts
from crumbmeter.control.state import State
from crumbmeter.estimation.weighing import Flow, believable_factor
from crumbmeter.field.words import decode_si
from crumbmeter.model.image import WriteStatus
from crumbmeter.model.outputs import OutputRole


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
    if held is None:
        return counted
    factor = believable_factor(state.weighing, params.weighing)
    rate, speed = (held, held / factor) if params.feed.mode is MeterMode.RATE else (held * factor, held)
    return replace(counted, feed=replace(state.feed, setpoint_kg_s=rate, speed_rev_s=speed))


def _held_setpoint(params: Params, writes: tuple[WriteStatus, ...]) -> float | None:
    role = OutputRole.FEED_RATE if params.feed.mode is MeterMode.RATE else OutputRole.AUGER_SPEED
    for spec, status in zip(params.outputs, writes, strict=False):
        if spec.role == role and status.read_back_words is not None:
            value, _ = decode_si(spec.register, status.read_back_words)
            return value if value is not None and spec.low_si <= value <= spec.high_si else None
    return None


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
