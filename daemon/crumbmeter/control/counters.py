"""What control makes of counters: totals that are proven, and rates out of pulses."""

from crumbmeter.control.params import Params
from crumbmeter.model.events import Event
from crumbmeter.model.quality import Quality
from crumbmeter.model.reading import Reading
from crumbmeter.model.sample import Sample
from crumbmeter.model.view import TotaliserView
from crumbmeter.signals.pulse import PulseState, rate_reading, take_count
from crumbmeter.signals.settle import SignalMemory
from crumbmeter.signals.totaliser import TotaliserState, follow_rate, new_totaliser, observe, resumed

Readings = tuple[Reading, ...]


def first_totalisers(params: Params) -> tuple[TotaliserState, ...]:
    """Make the state of all totalisers at a first start."""
    return tuple(new_totaliser(each) for each in params.totalisers)


def first_pulses(params: Params) -> tuple[PulseState, ...]:
    """Make the state of all pulse counters at a start."""
    return (PulseState(),) * len(params.pulses)


def follow_pulses(
    states: tuple[PulseState, ...],
    params: Params,
    samples: tuple[Sample, ...],
    before: tuple[SignalMemory, ...],
    readings: Readings,
) -> tuple[tuple[PulseState, ...], Readings, tuple[Event, ...]]:
    """Put rates in the place of counts.

    Args:
        states: Before.
        params: Site.
        samples: Of this image.
        before: Memory of the signals before this scan, to see what is new.
        readings: Of this scan, with counts.
    """
    if not params.pulses:
        return states, readings, ()
    changed: list[PulseState] = []
    rates, events = list(readings), list[Event]()
    for state, pulse in zip(states, params.pulses, strict=True):
        count = readings[pulse.signal]
        after = state
        if count.value is None:
            after = PulseState()
        elif count.quality is Quality.GOOD and samples[pulse.signal].received_s > before[pulse.signal].received_s:
            after, told = take_count(state, pulse, round(count.value), samples[pulse.signal].received_s)
            events += told
        rates[pulse.signal] = rate_reading(after, pulse, count)
        changed.append(after)
    return tuple(changed), tuple(rates), tuple(events)


def follow_totalisers(
    states: tuple[TotaliserState, ...],
    params: Params,
    samples: tuple[Sample, ...],
    before: tuple[SignalMemory, ...],
    readings: Readings,
    dt_s: float,
) -> tuple[tuple[TotaliserState, ...], tuple[Event, ...]]:
    """Book what counters prove.

    Args:
        states: Before.
        params: Site.
        samples: Of this image.
        before: Memory of the signals before this scan, to see what is new.
        readings: Of this scan. Only a Good one is looked at.
        dt_s: [s] Length of the scan.
    """
    if not params.totalisers:
        return states, ()
    changed: list[TotaliserState] = []
    events: list[Event] = []
    for state, counter in zip(states, params.totalisers, strict=True):
        after, reading = state, readings[counter.signal]
        if counter.rate is not None:
            after = follow_rate(after, readings[counter.rate].value, dt_s)
        sample = samples[counter.signal]
        if reading.good and reading.value is not None and sample.received_s > before[counter.signal].received_s:
            after, told = observe(after, counter, round(reading.value / counter.count_si), sample.received_s)
            events += told
        changed.append(after)
    return tuple(changed), tuple(events)


def views(states: tuple[TotaliserState, ...], params: Params) -> tuple[TotaliserView, ...]:
    """Show every totaliser."""
    return tuple([_view(state, params, place) for place, state in enumerate(states)])


def _view(state: TotaliserState, params: Params, place: int) -> TotaliserView:
    counter = params.totalisers[place]
    compared = counter.rate is not None
    return TotaliserView(
        signal_id=state.totaliser_id,
        booked_si=state.booked_counts * counter.count_si,
        settled_si=state.settled_counts * counter.count_si,
        open_gaps=len(state.gaps),
        compared_si=state.compared_counts * counter.count_si if compared else None,
        by_rate_si=state.compared_si if compared else None,
    )


def restored(
    fresh: tuple[TotaliserState, ...],
    kept: tuple[TotaliserState, ...],
    left_s: float,
    away_s: float | None,
    now_s: float,
) -> tuple[TotaliserState, ...]:
    """Go on with every totaliser that an earlier run knew; one that is new or another now begins anew.

    Args:
        fresh: As at a first start.
        kept: As the earlier run left them.
        left_s: [s] Process time of that run at which it did.
        away_s: [s] From then to now by wall time; None where that clock went back.
        now_s: [s] Process time of this run.
    """
    known = {(state.totaliser_id, state.count_si, state.modulus): state for state in kept}
    after = []
    for state in fresh:
        old = known.get((state.totaliser_id, state.count_si, state.modulus))
        if old is None:
            after.append(state)
            continue
        since_s = None if away_s is None or old.baseline_s is None else away_s + left_s - old.baseline_s
        after.append(resumed(old, since_s, now_s))
    return tuple(after)
