"""A weight and the status it came with are one thing (REQ-7): what the status says of quality and baseline."""

from crumbmeter.model.events import Event, event
from crumbmeter.model.quality import Quality, Reason
from crumbmeter.model.reading import Reading, bad
from crumbmeter.model.sample import Sample
from crumbmeter.signals.params import BaselineParams, SignalParams, StatusParams


def judge_status(
    reading: Reading, status: StatusParams, samples: tuple[Sample, ...], now_s: float, max_age_s: float
) -> Reading:
    """Lower the quality of a weight to what its status allows. A status that is not known makes it Bad.

    Args:
        reading: The weight as judged by itself.
        status: Where its status is.
        samples: All of this image.
        now_s: [s] Process time.
        max_age_s: [s] A status older than this is none.
    """
    if reading.value is None:
        return reading
    verdicts = (
        (status.over, True, Reason.OVER_RANGE),
        (status.under, True, Reason.UNDER_RANGE),
        (status.fault, True, Reason.SENSOR_FAILURE),
        (status.weighing, False, Reason.NOT_WEIGHING),
        (status.setup, True, Reason.NOT_WEIGHING),
    )
    for index, is_bad, reason in verdicts:
        if index is None:
            continue
        value = _value(samples[index], now_s, max_age_s)
        if value is None:
            return bad(Reason.STATUS_UNKNOWN, reading.age_s)
        if (value > 0.5) is is_bad:
            return bad(reason, reading.age_s)
    return _judge_motion(reading, status, samples, now_s, max_age_s)


def _judge_motion(
    reading: Reading, status: StatusParams, samples: tuple[Sample, ...], now_s: float, max_age_s: float
) -> Reading:
    if status.motion is None or status.in_motion is Quality.GOOD:
        return reading
    value = _value(samples[status.motion], now_s, max_age_s)
    if value is None:
        return bad(Reason.STATUS_UNKNOWN, reading.age_s)
    if value <= 0.5:
        return reading
    if status.in_motion is Quality.BAD:
        return bad(Reason.IN_MOTION, reading.age_s)
    reason = Reason.IN_MOTION if reading.quality is Quality.GOOD else reading.reason
    return Reading(reading.value, Quality.UNCERTAIN, reason, reading.age_s)


def _value(sample: Sample, now_s: float, max_age_s: float) -> float | None:
    return sample.value if now_s - sample.received_s <= max_age_s else None


def read_marks(
    before: tuple[float | None, ...], status: StatusParams, samples: tuple[Sample, ...]
) -> tuple[float | None, ...]:
    """Read what belongs to the baseline; what cannot be read keeps its last value."""
    if not before:
        return tuple([samples[index].value for _, index in status.marks])
    now = [samples[index].value for _, index in status.marks]
    return tuple([old if new is None else new for old, new in zip(before, now, strict=True)])


def changed_marks(
    before: tuple[float | None, ...], now: tuple[float | None, ...], params: SignalParams
) -> tuple[Event, ...]:
    """Tell every mark that is another than before. The first value of a mark is no change."""
    if before == now or not before or params.status is None:
        return ()
    return tuple(
        event("weight_mark_changed", signal=params.signal_id, mark=name, was_value=old, now_value=new)
        for (name, _), old, new in zip(params.status.marks, before, now, strict=True)
        if old is not None and old != new
    )


def follows(before_si: float, now_si: float, away_s: float, params: BaselineParams, *, may_rise: bool) -> bool:
    """Tell whether a weight can have come from an earlier one by feeding (and filling, where it may rise).

    Args:
        before_si: [SI] Earlier weight.
        now_si: [SI] Weight now.
        away_s: [s] Time between.
        params: How it can move.
        may_rise: Whether a fill would explain a rise.
    """
    moved = now_si - before_si
    return moved >= -(params.fall_si_s * away_s + params.margin_si) and (may_rise or moved <= params.margin_si)
