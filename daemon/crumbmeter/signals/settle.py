"""Samples become readings: one place decides, for every surface alike, whether a value may be believed."""

from dataclasses import dataclass

from crumbmeter.model.events import Event, event
from crumbmeter.model.quality import Quality, Reason
from crumbmeter.model.reading import Reading, bad
from crumbmeter.model.sample import Sample
from crumbmeter.signals.params import SignalParams


@dataclass(frozen=True, slots=True)
class SignalMemory:
    """What settling remembers of one signal."""

    value: float | None
    """Last value that came, believed or not."""
    received_s: float
    """[s] When it came."""
    same_for_s: float
    """[s] How long it has not changed while it should have."""
    bad: bool
    """Whether the last reading was Bad (for transitions)."""


MOVING = 0.02
"""[rev/s or m/s] A speed above this means that something moves."""
NOTHING_YET = SignalMemory(None, 0.0, 0.0, bad=True)


def first_memory(count: int) -> tuple[SignalMemory, ...]:
    """Make the memory of a start: nothing known."""
    return (NOTHING_YET,) * count


def settle(
    samples: tuple[Sample, ...],
    memory: tuple[SignalMemory, ...],
    signals: tuple[SignalParams, ...],
    now_s: float,
    dt_s: float,
) -> tuple[tuple[SignalMemory, ...], tuple[Reading, ...], tuple[Event, ...]]:
    """Judge every sample of one image.

    Args:
        samples: Decoded values, in the order of `signals`.
        memory: As returned for the scan before.
        signals: Limits of trust.
        now_s: [s] Process time of the image.
        dt_s: [s] Since the image before.

    Returns:
        New memory, readings, and events for inputs that turned Bad or came back.
    """
    new_memory: list[SignalMemory] = []
    readings: list[Reading] = []
    events: list[Event] = []
    for sample, before, params in zip(samples, memory, signals, strict=True):
        running = params.frozen_while is None or _moves(samples[params.frozen_while], signals[params.frozen_while])
        reading, same_for_s = _judge(sample, before, params, now_s, dt_s, running=running)
        is_bad = reading.value is None
        if is_bad and (not before.bad or before.value is None is not sample.value):
            events.append(event("input_bad", signal=params.signal_id, reason=reading.reason.value))
        elif before.bad and not is_bad:
            events.append(event("input_good", signal=params.signal_id))
        readings.append(reading)
        new_memory.append(
            SignalMemory(
                before.value if sample.value is None else sample.value,
                before.received_s if sample.value is None else sample.received_s,
                same_for_s,
                is_bad,
            )
        )
    return tuple(new_memory), tuple(readings), tuple(events)


def _moves(sample: Sample, params: SignalParams) -> bool:
    return sample.value is not None and sample.value > (0.5 if params.is_contact else MOVING)


def _judge(
    sample: Sample, before: SignalMemory, params: SignalParams, now_s: float, dt_s: float, *, running: bool
) -> tuple[Reading, float]:
    value = sample.value
    if value is None:
        age_s = now_s - sample.received_s if sample.received_s > 0.0 else 0.0
        return bad(sample.reason, age_s), 0.0
    age_s = now_s - sample.received_s
    if age_s > params.max_age_s:
        return bad(Reason.STALE if sample.link_ok else Reason.NO_COMMUNICATION, age_s), before.same_for_s
    # Written so that a NaN, which decoding has already refused, would fail it too.
    if not (params.low_si <= value <= params.high_si):
        return bad(Reason.OUT_OF_RANGE, age_s), 0.0
    judged = running and (params.frozen_above_si is None or value > params.frozen_above_si)
    same_for_s = before.same_for_s + dt_s if judged and value == before.value else 0.0
    if params.frozen_after_s is not None and same_for_s > params.frozen_after_s:
        return bad(Reason.FROZEN, age_s), same_for_s
    if params.max_rise_per_s is not None and before.value is not None and sample.received_s > before.received_s:
        rise = abs(value - before.value) / (sample.received_s - before.received_s)
        if rise > params.max_rise_per_s:
            return bad(Reason.RATE_OF_CHANGE, age_s), 0.0
    reason = sample.reason if sample.link_ok else Reason.LAST_USABLE_VALUE
    quality = Quality.GOOD if reason is Reason.OK else Quality.UNCERTAIN
    return Reading(value, quality, reason, age_s), same_for_s
