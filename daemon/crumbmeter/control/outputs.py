"""From the decision to the output image: a value for every role, and whether it may be written."""

from crumbmeter.control.batch import hand_shake
from crumbmeter.control.ownership import may_write
from crumbmeter.control.params import MeterMode, Params
from crumbmeter.control.sequence import RunState, SequenceState, Trigger, drives
from crumbmeter.control.state import State
from crumbmeter.control.watching import is_armed
from crumbmeter.model.frozen import replace
from crumbmeter.model.outputs import OutputImage, OutputRole

HEARTBEAT_MODULUS = 65536


def output_image(
    state: State, before: SequenceState, params: Params, in_doubt: str, dt_s: float, *, healthy: bool
) -> tuple[State, OutputImage]:
    """Make the outputs of one scan.

    Args:
        state: After everything else of the scan.
        before: Sequence before it, to see a stop.
        params: Site.
        in_doubt: Required inputs that are Bad now.
        dt_s: [s] Length of the scan.
        healthy: Whether this scan may advance the heartbeat.
    """
    now = state.sequence
    feed = state.feed
    releasing = not state.control_enabled and feed.release_left_s > 0.0
    beating = healthy and not state.trip.who
    heartbeat = (feed.heartbeat + 1) % HEARTBEAT_MODULUS if beating else feed.heartbeat
    after = replace(state, feed=replace(feed, heartbeat=heartbeat, release_left_s=max(0.0, feed.release_left_s - dt_s)))
    run = drives(now, params.sequence)
    stopped = before.state is RunState.FEEDING and now.state is not RunState.FEEDING
    by_input = now.state is RunState.READY and now.trigger == Trigger.INPUT_LOST.value
    # What a feeder that is not heard holds is left alone; a stop is tried all the same.
    unheard = run.auger and feed.unheard_since_s is not None
    content = () if unheard else (*_setpoint(state, params, auger=run.auger), (OutputRole.FEED_RUN, float(run.auger)))
    values = (
        *content,
        *hand_shake(state, params, in_doubt),
        (OutputRole.BLOWER_RUN, float(run.blower)),
        (OutputRole.AIRLOCK_RUN, float(run.airlock)),
        (OutputRole.START_WARNING, float(run.warning)),
        (OutputRole.HEARTBEAT, float(heartbeat)),
        (OutputRole.PLANT_HEALTHY, float(healthy and now.state is not RunState.STOPPED and not by_input)),
    )
    allowed = _allowed(state, params, values, stop_now=stopped or releasing, releasing=releasing)
    return after, replace(allowed, paused=True) if unheard and may_write(state.owner, params) else allowed


def _allowed(
    state: State, params: Params, values: tuple[tuple[OutputRole, float], ...], *, stop_now: bool, releasing: bool
) -> OutputImage:
    """Let out what may be written: nothing before inputs are good, and only a claim while the outputs are not ours."""
    enabled = (state.control_enabled and is_armed(state, params)) or releasing
    if params.owner is None:
        return OutputImage(enabled, stop_now, values)
    if may_write(state.owner, params):
        owner = 0.0 if releasing else float(state.instance)
        return OutputImage(enabled, stop_now, (*values, (OutputRole.OWNER, owner)))
    if enabled and not releasing and state.owner.may_claim:
        return OutputImage(write_enabled=True, stop_now=False, values=((OutputRole.OWNER, float(state.instance)),))
    return OutputImage(write_enabled=False, stop_now=False, values=values)


def _setpoint(state: State, params: Params, *, auger: bool) -> tuple[tuple[OutputRole, float], ...]:
    if params.feed.mode is MeterMode.RATE:
        return ((OutputRole.FEED_RATE, state.feed.setpoint_kg_s if auger else 0.0),)
    return ((OutputRole.AUGER_SPEED, state.feed.speed_rev_s if auger else 0.0),)
