"""Samples become readings: one place decides, for every surface alike, whether a value may be believed."""

from crumbmeter.model.events import Event, event
from crumbmeter.model.frozen import dataclass, replace
from crumbmeter.model.quality import GOOD_REASONS, SAID_UNCERTAIN, Quality, Reason
from crumbmeter.model.reading import Reading, bad
from crumbmeter.model.sample import Sample
from crumbmeter.signals.params import SignalParams
from crumbmeter.signals.status import changed_marks, follows, judge_status, read_marks


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
    lost: bool = False
    """The link was lost since the last value came."""
    initial: bool = False
    """The last value is one of the first after a start or a lost link."""
    initial_left: int = 0
    """So many more of them."""
    kept: float | None = None
    """Last value that was believed and no initial one; for a signal with initial reads or a watched baseline."""
    kept_s: float = 0.0
    """[s] When that came."""
    away: bool = False
    """The link has been lost, or no value came in time, since the one that was kept."""
    remarked: bool = False
    """A mark has changed since the value that was kept."""
    marks: tuple[float | None, ...] = ()
    """What belongs to a weight's baseline, as last read."""
    rebased: bool = False
    """The baseline changed in this scan: what was fed cannot be seen from this weight and the one before."""
    doubted: bool = False
    """The baseline is in doubt, until a person accepts it."""


MOVING = 0.02
"""[rev/s or m/s] A speed above this means that something moves."""
NOTHING_YET = SignalMemory(None, 0.0, 0.0, bad=True)
PASSED_BY = (Reason.INITIAL_VALUE, Reason.LAST_USABLE_VALUE)
"""Reasons of a reading that is not the newest value."""
_WITHHELD = SAID_UNCERTAIN | {Reason.INITIAL_VALUE}


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
        New memory, readings, and events for inputs that turned Bad or came back, and for changed baselines.
    """
    new_memory: list[SignalMemory] = []
    readings: list[Reading] = []
    events: list[Event] = []
    for sample, before, params in zip(samples, memory, signals, strict=True):
        running = params.frozen_while is None or _moves(samples[params.frozen_while], signals[params.frozen_while])
        reading, same_for_s = _judge(sample, before, params, now_s, dt_s, running=running)
        if params.alive_by is not None and _stands(memory[params.alive_by], signals[params.alive_by]):
            reading = bad(Reason.FROZEN, reading.age_s)
        if params.initial_reads or params.baseline is not None or params.status is not None:
            after, reading, told = _judge_history(sample, before, params, samples, reading, same_for_s, now_s)
            events += told
        elif sample.value is None:
            after = SignalMemory(before.value, before.received_s, same_for_s, bad=False)
        else:
            after = SignalMemory(sample.value, sample.received_s, same_for_s, bad=False)
        if reading.value is None:
            after = replace(after, bad=True)
            if not before.bad or before.value is None is not sample.value:
                events.append(event("input_bad", signal=params.signal_id, reason=reading.reason.value))
        elif before.bad and reading.reason is Reason.INITIAL_VALUE:
            after = replace(after, bad=True)
        elif before.bad:
            events.append(event("input_good", signal=params.signal_id))
        readings.append(reading)
        new_memory.append(after)
    return tuple(new_memory), tuple(readings), tuple(events)


def for_control(readings: tuple[Reading, ...], signals: tuple[SignalParams, ...]) -> tuple[Reading, ...]:
    """Take out what control must not use.

    That is the first values after a start or a lost link (REQ-24), and what the device itself is not sure of, unless
    the site lets control use it (REQ-38).
    """
    withheld = _WITHHELD
    for reading in readings:
        if reading.reason in withheld:
            break
    else:
        return readings
    return tuple(
        [
            bad(reading.reason, reading.age_s)
            if reading.reason in withheld
            and not (params.uncertain_for_control and reading.reason is not Reason.INITIAL_VALUE)
            else reading
            for reading, params in zip(readings, signals, strict=True)
        ]
    )


def _moves(sample: Sample, params: SignalParams) -> bool:
    return sample.value is not None and sample.value > (0.5 if params.is_contact else MOVING)


def _stands(memory: SignalMemory, params: SignalParams) -> bool:
    """Tell whether a device's own counter has stood for too long."""
    return params.frozen_after_s is not None and memory.same_for_s > params.frozen_after_s


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
    if params.max_rise_per_s is not None and before.value is not None:
        since_s = sample.received_s - before.received_s
        # The same sample seen again keeps its verdict, until the device has been read anew.
        too_fast = abs(value - before.value) / since_s > params.max_rise_per_s if since_s > 0.0 else before.bad
        if too_fast:
            return bad(Reason.RATE_OF_CHANGE, age_s), 0.0
    reason = sample.reason if sample.link_ok else Reason.LAST_USABLE_VALUE
    quality = Quality.GOOD if reason in GOOD_REASONS else Quality.UNCERTAIN
    return Reading(value, quality, reason, age_s), same_for_s


def _judge_history(
    sample: Sample,
    before: SignalMemory,
    params: SignalParams,
    samples: tuple[Sample, ...],
    reading: Reading,
    same_for_s: float,
    now_s: float,
) -> tuple[SignalMemory, Reading, tuple[Event, ...]]:
    """Judge by what came before, and by the status that came with it."""
    if params.status is not None:
        reading = judge_status(reading, params.status, samples, now_s, params.max_age_s)
    after = _remember(sample, before, params, same_for_s, believed=reading.value is not None)
    after, events = _watch_baseline(after, before, params, samples)
    reading = _pass_initial(reading, after, params, now_s)
    if after.doubted and reading.quality is Quality.GOOD:
        reading = Reading(reading.value, Quality.UNCERTAIN, Reason.BASELINE_DOUBT, reading.age_s)
    return after, reading, events


def _remember(
    sample: Sample, before: SignalMemory, params: SignalParams, same_for_s: float, *, believed: bool
) -> SignalMemory:
    """Note what came, when, and whether it is one of the first values since a start or a lost link."""
    lost = before.lost or not sample.link_ok
    if sample.value is None or sample.received_s <= before.received_s:
        if same_for_s == before.same_for_s and lost == before.lost and not (before.bad or before.rebased):
            return before
        return replace(before, same_for_s=same_for_s, bad=False, lost=lost, rebased=False)
    left, away = before.initial_left, before.away
    if before.value is None or lost or sample.received_s - before.received_s > params.max_age_s:
        left, away = params.initial_reads, before.value is not None
    keep = believed and left == 0
    return SignalMemory(
        sample.value,
        sample.received_s,
        same_for_s,
        bad=False,
        initial=left > 0,
        initial_left=max(0, left - 1),
        kept=sample.value if keep else before.kept,
        kept_s=sample.received_s if keep else before.kept_s,
        away=away and not keep,
        remarked=before.remarked and not keep,
        marks=before.marks,
        doubted=before.doubted,
    )


def _pass_initial(reading: Reading, after: SignalMemory, params: SignalParams, now_s: float) -> Reading:
    """Hold the last value over the first ones that come again; where it is too old, say that these are initial."""
    if not after.initial or reading.value is None:
        return reading
    if after.kept is not None and now_s - after.kept_s <= params.max_age_s:
        return Reading(after.kept, Quality.UNCERTAIN, Reason.LAST_USABLE_VALUE, now_s - after.kept_s)
    return Reading(reading.value, Quality.UNCERTAIN, Reason.INITIAL_VALUE, reading.age_s)


def _watch_baseline(
    after: SignalMemory, before: SignalMemory, params: SignalParams, samples: tuple[Sample, ...]
) -> tuple[SignalMemory, tuple[Event, ...]]:
    """Notice a changed tare or zero, and a weight that cannot have come from the one before."""
    events: tuple[Event, ...] = ()
    if params.status is not None and params.status.marks:
        marks = read_marks(before.marks, params.status, samples)
        events = changed_marks(before.marks, marks, params)
        if events or marks != before.marks:
            after = replace(after, marks=marks, rebased=bool(events), remarked=after.remarked or bool(events))
    kept = after.kept_s > before.kept_s
    if params.baseline is None or before.kept is None or after.kept is None or not kept:
        return after, events
    away_s = after.kept_s - before.kept_s
    # A hopper that was out of sight may have been filled; a rise with a new tare, in sight, is the tare's.
    away = before.away or before.lost or away_s > params.max_age_s
    remarked = before.remarked or bool(events)
    if not (away or remarked) or before.doubted:
        return replace(after, remarked=False) if after.remarked else after, events
    if follows(before.kept, after.kept, away_s, params.baseline, may_rise=away):
        return replace(after, remarked=False), events
    told = _doubt(params, before.kept, after.kept, away_s)
    return replace(after, remarked=False, rebased=True, doubted=True), (*events, told)


def _doubt(params: SignalParams, before_si: float, now_si: float, away_s: float) -> Event:
    return event(
        "weight_baseline_doubted", signal=params.signal_id, was_kg=round(before_si, 3), now_kg=round(now_si, 3),
        away_s=round(away_s, 3),
    )  # fmt: skip


def accept_baseline(memory: SignalMemory) -> SignalMemory:
    """Take the weight's baseline as right, because a person has looked."""
    return replace(memory, doubted=False, kept=memory.value, kept_s=memory.received_s)
