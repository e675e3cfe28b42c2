"""How long the feeder goes on by itself when our heartbeat stands, measured and not believed (REQ-4).

On request the heartbeat is withheld while the feed is out of service, until the feeder reports the fault of its own
watchdog. The time counts from the last change of the heartbeat.
"""

from crumbmeter.control.ownership import may_write
from crumbmeter.control.params import Params
from crumbmeter.control.sequence import RunState
from crumbmeter.control.state import State, TripTest
from crumbmeter.control.watching import is_armed
from crumbmeter.model.events import Event, event
from crumbmeter.model.frozen import replace
from crumbmeter.model.image import WriteStage, WriteStatus
from crumbmeter.model.view import TripView

LONGEST_S = 120.0
"""[s] A feeder that has not stopped by then is taken not to watch the heartbeat at all."""
OWNER_SHARE = 0.8
"""Of the time after which another master takes a standing heartbeat for a dead one: no longer may it stand."""
DEAF_S = 5.0
"""[s] For so long the fault contact may be Bad."""


def why_not(state: State, params: Params) -> str:
    """Say why the time cannot be measured now; empty where it can."""
    if not state.control_enabled:
        return "control is not enabled: there is no heartbeat to withhold"
    if params.heartbeat is None:
        return "the site has no heartbeat among its outputs"
    if params.contacts.feeder_fault is None:
        return "the site has no contact feeder.fault to see the trip by; measure it at the machine"
    if state.sequence.in_service or state.sequence.state is not RunState.IDLE:
        return "the feed is not idle and out of service: stop-feed first"
    if not (is_armed(state, params) and may_write(state.owner, params)):
        return "the outputs are not ours to write yet: inputs are not Good, or another master owns the feeder"
    return f"{state.trip.who} measures it already" if state.trip.who else ""


def watch_trip(
    state: State, params: Params, fault_free: bool | None, writes: tuple[WriteStatus, ...], now_s: float, dt_s: float
) -> tuple[State, tuple[Event, ...]]:
    """Follow a measurement.

    Args:
        state: Before.
        params: Site.
        fault_free: Whether the feeder reports no fault; None: not known.
        writes: Status of every output.
        now_s: [s] Process time.
        dt_s: [s] Length of the scan.

    Returns:
        State after, and the event that ends it.
    """
    test = state.trip
    if not test.who or params.heartbeat is None or params.contacts.feeder_fault is None:
        return state, ()
    beat = writes[params.heartbeat]
    waited_s = test.waited_s + dt_s
    deaf_s = test.deaf_s + dt_s if fault_free is None else 0.0
    sent = beat.stage in (WriteStage.ACKNOWLEDGED, WriteStage.CONFIRMED)
    sent_s = now_s if sent and test.sent_s is None else test.sent_s
    read_s = state.signals[params.contacts.feeder_fault].received_s
    why = _given_up(state, params, fault_free, waited_s, deaf_s, beat)
    if not why and fault_free is False and sent_s is not None:
        trip_s = now_s - beat.requested_s
        resolution_s = sent_s - beat.requested_s + now_s - (sent_s if test.free_s is None else test.free_s)
        ended = event("heartbeat_trip_measured", trip_s=trip_s, resolution_s=resolution_s, who=test.who)
        return replace(state, trip=TripTest(result=TripView(trip_s=trip_s, resolution_s=resolution_s))), (ended,)
    if not why:
        free_s = read_s if fault_free else test.free_s
        going_on = replace(test, waited_s=waited_s, deaf_s=deaf_s, sent_s=sent_s, free_s=free_s)
        return replace(state, trip=going_on), ()
    ended = event("heartbeat_trip_not_measured", why=why, who=test.who)
    return replace(state, trip=TripTest(result=TripView(why=why))), (ended,)


def _given_up(
    state: State, params: Params, fault_free: bool | None, waited_s: float, deaf_s: float, beat: WriteStatus
) -> str:
    to_other_s = OWNER_SHARE * params.owner_dead_after_s
    cases = (
        (not state.control_enabled, "control was given back"),
        (not may_write(state.owner, params), "another master has taken the feeder"),
        (fault_free is False and state.trip.sent_s is None, "the feeder reports a fault already"),
        (beat.stage is WriteStage.FAILED, "the heartbeat does not reach the feeder"),
        (deaf_s > DEAF_S, "the contact feeder.fault cannot be read"),
        (waited_s > LONGEST_S, f"no trip within {LONGEST_S:g} s: the feeder does not watch the heartbeat"),
        (
            params.owner is not None and waited_s > to_other_s,
            f"no trip within {to_other_s:g} s; standing longer, it would give the feeder to another master",
        ),
    )
    return next((why for holds, why in cases if holds), "")
