"""How long the feeder goes on by itself when our heartbeat stands, measured and not believed (REQ-4).

On request the heartbeat is withheld while the feed is out of service, until the feeder reports the fault of its own
watchdog. The time counts from the last change of the heartbeat.
"""

from dataclasses import replace

from crumbmeter.control.params import Params
from crumbmeter.control.sequence import RunState
from crumbmeter.control.state import State, TripTest
from crumbmeter.model.events import Event, event
from crumbmeter.model.image import WriteStatus
from crumbmeter.model.view import TripView

LONGEST_S = 120.0
"""[s] A feeder that has not stopped by then is taken not to watch the heartbeat at all."""


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
    waited_s = test.waited_s + dt_s
    resolution_s = dt_s + params.sources[params.contacts.feeder_fault].period_s
    if fault_free is False and waited_s > dt_s:
        trip_s = now_s - writes[params.heartbeat].requested_s
        ended = event("heartbeat_trip_measured", trip_s=trip_s, resolution_s=resolution_s, who=test.who)
        return replace(state, trip=TripTest(result=TripView(trip_s=trip_s, resolution_s=resolution_s))), (ended,)
    why = _given_up(state, fault_free, waited_s)
    if not why:
        going_on = replace(test, waited_s=waited_s, result=TripView(measuring=True))
        return replace(state, trip=going_on), ()
    ended = event("heartbeat_trip_not_measured", why=why, who=test.who)
    return replace(state, trip=TripTest(result=TripView(why=why))), (ended,)


def _given_up(state: State, fault_free: bool | None, waited_s: float) -> str:
    if not state.control_enabled:
        return "control was given back"
    if fault_free is False:
        return "the feeder reports a fault already"
    if waited_s > LONGEST_S:
        return f"the feeder did not stop within {LONGEST_S:g} s: it does not watch the heartbeat"
    return ""
