"""What a batch plant does, as its contacts, counter and weigh hoppers show it: drops, windows, discharges, aborts.

Every batch is taken up when the counter steps, with its masses as they were last weighed at rest, and becomes a parcel
when the pugmill's gate shuts behind it. Batches that were dropped onto each other leave together.
"""

from crumbmeter.control.batch_state import BatchState, PugmillBatch
from crumbmeter.model.events import Event, event
from crumbmeter.model.frozen import dataclass, replace
from crumbmeter.model.quality import Quality
from crumbmeter.model.reading import Reading
from crumbmeter.process.batch import counter_way, mix_of_masses
from crumbmeter.process.dose import Mix, rubber_for
from crumbmeter.process.params import BatchParams, MixParams

REST_SHARE, REST_KG = 0.005, 2.0
"""Weigh hoppers are at rest while no weight changes by more than this share and mass from scan to scan."""

EMPTY_SHARE = 0.25
"""Weigh hoppers that hold less than this share of what is announced (or lay there) hold no batch."""

Readings = tuple[Reading, ...]


@dataclass(frozen=True, slots=True)
class Seen:
    """What one scan saw end."""

    left: tuple[PugmillBatch, ...] = ()
    """Batches that have left the pugmill as mix."""
    events: tuple[Event, ...] = ()


def contact(readings: Readings, index: int | None) -> bool | None:
    """Read a contact of the hand-shake: None unless its reading is Good. An Uncertain one opens no valve."""
    if index is None:
        return False
    reading = readings[index]
    return reading.value > 0.5 if reading.good and reading.value is not None else None


def follow_plant(
    state: BatchState,
    batch: BatchParams,
    mix: MixParams,
    readings: Readings,
    now_s: float,
    dt_s: float,
    *,
    controlled: bool,
) -> tuple[BatchState, Seen]:
    """Follow the plant for one scan.

    Args:
        state: Before.
        batch: Batch plant.
        mix: Mix in force.
        readings: Settled signals.
        now_s: [s] Process time.
        dt_s: [s] Length of the scan.
        controlled: Whether crumbmeter writes.
    """
    weighed = contact(readings, batch.weighed)
    state = _announced(state, batch, readings, weighed)
    state = _weighed(state, batch, readings, weighed)
    state, left = _discharged(state, batch, readings)
    state, dropped = _counted(state, batch, mix, readings, now_s, controlled=controlled)
    state, asked = _window(state, batch, mix, readings, now_s, dt_s, controlled=controlled)
    return state, Seen(left.left, (*left.events, *dropped, *asked))


def _announced(state: BatchState, batch: BatchParams, readings: Readings, weighed: bool | None) -> BatchState:
    values = [readings[one.announced].value if one.announced is not None else None for one in batch.ingredients]
    known = [value for value in values if value is not None]
    announced = mix_of_masses(batch.ingredients, known) if len(known) == len(values) else None
    none_announced = all(one.announced is None for one in batch.ingredients)
    if none_announced:
        announced = state.announced  # the last batch that was weighed stands for the next one
    said = announced is not None and announced.total > 0.0
    coming = bool(weighed) or state.wanted is True or none_announced or said
    return replace(state, announced=announced, coming=coming)


def _weighed(state: BatchState, batch: BatchParams, readings: Readings, weighed: bool | None) -> BatchState:
    """Take the weigh hoppers' figures while they are final and at rest: when they empty, the contact may be older."""
    hoppers = [readings[one.weighed] for one in batch.ingredients]
    masses = [reading.value for reading in hoppers if reading.value is not None]
    if len(masses) < len(hoppers):
        return replace(state, seen_kg=())
    seen, before = tuple(masses), state.seen_kg
    rest = len(before) == len(seen) and all(
        abs(now - was) <= REST_KG + REST_SHARE * abs(was) for now, was in zip(seen, before, strict=True)
    )
    parts = mix_of_masses(batch.ingredients, seen)
    least_kg = EMPTY_SHARE * max(one.total for one in (state.announced, state.resting, parts) if one is not None)
    if not rest or parts.total <= least_kg:
        return replace(state, seen_kg=seen)
    quality = min(reading.quality for reading in hoppers)
    final = parts if weighed else state.weighed
    return replace(state, seen_kg=seen, weighed=final, resting=parts, weighed_quality=quality)


def _discharged(state: BatchState, batch: BatchParams, readings: Readings) -> tuple[BatchState, Seen]:
    """Let batches leave when the gate shuts behind them."""
    gate = contact(readings, batch.discharging)
    aborted = contact(readings, batch.aborted) is True
    current = state.current
    if current is not None and aborted and not current.aborted:
        current = replace(current, aborted=True)
        state = replace(state, current=current)
    if gate is None:
        return state, Seen()
    if gate or not state.discharging:
        return replace(state, discharging=gate), Seen()
    if current is None:
        return replace(state, discharging=False), Seen()
    inside = (*state.below, current)
    after = replace(state, discharging=False, current=None, below=())
    if not current.aborted:
        return after, Seen(inside)
    rubber_kg = sum(one.rubber_kg for one in inside)
    told = event(
        "batch_aborted", number=current.number, rubber_kg=round(rubber_kg, 3), target_kg=round(current.target_kg, 3)
    )
    return replace(after, wasted_kg=state.wasted_kg + rubber_kg), Seen((), (told,))


def _counted(
    state: BatchState, batch: BatchParams, mix: MixParams, readings: Readings, now_s: float, *, controlled: bool
) -> tuple[BatchState, tuple[Event, ...]]:
    """Take up a batch when the counter steps, over its roll-over too."""
    reading = readings[batch.counter]
    if not reading.good or reading.value is None:
        return state, ()
    now = round(reading.value)
    if state.counter is None or now == state.counter:
        return replace(state, counter=now), ()
    way = counter_way(state.counter, now, batch.counter_modulus)
    events: list[Event] = []
    if way < 0:
        events.append(event("batch_counter_set_back", was_count=state.counter, count=now))
    elif way > 1:
        events.append(event("batches_not_seen", was_count=state.counter, count=now, missed_count=way - 1))
    state, told = _dropped(replace(state, counter=now), mix, now, now_s, controlled=controlled)
    return state, (*events, *told)


def _dropped(
    state: BatchState, mix: MixParams, number: int, now_s: float, *, controlled: bool
) -> tuple[BatchState, tuple[Event, ...]]:
    # A plant whose pugmill waits may drop a batch in the moment in which it is weighed: then it is taken as it lay.
    weighed = state.weighed or state.resting
    known = weighed or state.announced
    quality = state.weighed_quality if weighed is not None else Quality.UNCERTAIN
    if known is None:
        known, quality = Mix(), Quality.BAD
    target_kg = rubber_for(mix.dose_basis, mix.dose, known)
    events = [
        event(
            "batch_dropped", number=number, mix_kg=round(known.total, 1), target_kg=round(target_kg, 3),
            weighed=weighed is not None,
        )
    ]  # fmt: skip
    below = state.below
    if state.current is not None:
        below = (*below, state.current)
        events.append(event("batch_doubled", number=number, onto_number=state.current.number))
    current = PugmillBatch(number, now_s, mix.mix_id, known, target_kg, quality, controlled)
    forecast = known if weighed is not None and state.announced is None else state.announced
    after = replace(state, current=current, below=below, weighed=None, resting=None, announced=forecast)
    return after, tuple(events)


def _window(
    state: BatchState,
    batch: BatchParams,
    mix: MixParams,
    readings: Readings,
    now_s: float,
    dt_s: float,
    *,
    controlled: bool,
) -> tuple[BatchState, tuple[Event, ...]]:
    """Follow the contact that asks for rubber."""
    wanted = contact(readings, batch.wanted)
    window_s = 0.0 if wanted is False else state.window_s + (dt_s if state.window_s > 0.0 or wanted else 0.0)
    events: tuple[Event, ...] = ()
    opened = wanted is True and state.window_s == 0.0
    if opened and state.current is None:
        # Its drop was not seen: the counter is Bad, or does not count.
        number = -1 if state.counter is None else state.counter
        state, events = _dropped(state, mix, number, now_s, controlled=controlled)
    current = state.current
    if current is not None:
        if opened and current.served:
            again = event("batch_asked_again", number=current.number, rubber_kg=round(current.rubber_kg, 3))
            events = (*events, again)
            current = replace(current, again=True)
        elif opened:
            current = replace(current, called=True, passed=False)
        elif wanted is False and current.called and not current.served:
            current = replace(current, passed=True)
        state = replace(state, current=current)
    return replace(state, wanted=wanted, window_s=window_s), events


def aimed_at(state: BatchState) -> tuple[Mix | None, PugmillBatch | None]:
    """Return the parts of the batch that the next charge is for, and that batch where it lies in the pugmill."""
    current = state.current
    if current is not None and not (current.served or current.passed or current.aborted):
        return current.parts, current
    return (state.weighed or state.announced), None
