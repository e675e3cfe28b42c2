"""From the decision to the output image: a value for every role, and whether it may be written."""

from dataclasses import replace

from crumbmeter.control.params import MeterMode, Params
from crumbmeter.control.sequence import RunState, SequenceState, Trigger, drives
from crumbmeter.control.state import State
from crumbmeter.model.outputs import OutputImage, OutputRole

HEARTBEAT_MODULUS = 65536


def output_image(
    state: State, before: SequenceState, params: Params, dt_s: float, *, healthy: bool
) -> tuple[State, OutputImage]:
    """Make the outputs of one scan.

    Args:
        state: After everything else of the scan.
        before: Sequence before it, to see a stop.
        params: Site.
        dt_s: [s] Length of the scan.
        healthy: Whether this scan may advance the heartbeat.
    """
    now = state.sequence
    feed = state.feed
    releasing = not state.control_enabled and feed.release_left_s > 0.0
    heartbeat = (feed.heartbeat + 1) % HEARTBEAT_MODULUS if healthy else feed.heartbeat
    after = replace(state, feed=replace(feed, heartbeat=heartbeat, release_left_s=max(0.0, feed.release_left_s - dt_s)))
    run = drives(now, params.sequence)
    stopped = before.state is RunState.FEEDING and now.state is not RunState.FEEDING
    by_input = now.state is RunState.READY and now.trigger == Trigger.INPUT_LOST.value
    content = _setpoint(state, params, auger=run.auger)
    values = (
        *content,
        (OutputRole.FEED_RUN, float(run.auger)),
        (OutputRole.BLOWER_RUN, float(run.blower)),
        (OutputRole.AIRLOCK_RUN, float(run.airlock)),
        (OutputRole.START_WARNING, float(run.warning)),
        (OutputRole.HEARTBEAT, float(heartbeat)),
        (OutputRole.PLANT_HEALTHY, float(healthy and now.state is not RunState.STOPPED and not by_input)),
    )
    return after, OutputImage(state.control_enabled or releasing, stopped or releasing, values)


def _setpoint(state: State, params: Params, *, auger: bool) -> tuple[tuple[OutputRole, float], ...]:
    if params.feed.mode is MeterMode.RATE:
        return ((OutputRole.FEED_RATE, state.feed.setpoint_kg_s if auger else 0.0),)
    return ((OutputRole.AUGER_SPEED, state.feed.speed_rev_s if auger else 0.0),)
