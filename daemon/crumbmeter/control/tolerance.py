"""Tolerance: the dose by tons of mix at the outlet, the feed by time, the total of the job."""

from collections.abc import Sequence

from crumbmeter.control.params import ToleranceParams
from crumbmeter.model.frozen import dataclass
from crumbmeter.model.parcel import Parcel

MEANT_SHARE = 0.8
"""A window is judged where so much of it was meant to carry the dose."""
TOTAL_BACK = 0.8
"""The total is inside its band again below this share of it."""
BUCKETS = 12
"""Parts of the time window."""


@dataclass(frozen=True, slots=True)
class WindowPart:
    """One parcel's share in the tolerance window."""

    mix_g: int
    rubber_g: int
    target_g: int
    base_g: float
    """[g] What the dose is a share of (without the rubber)."""


@dataclass(frozen=True, slots=True)
class ToleranceState:
    """Running windows."""

    parts: tuple[WindowPart, ...] = ()
    dose_level: int = 0
    """0 inside, 1 outside the warning band, 2 outside the alarm band."""
    buckets: tuple[tuple[float, float], ...] = ()
    """(setpoint, fed) [kg] of each part of the time window, oldest first."""
    bucket_s: float = 0.0
    feed_level: int = 0
    total_out: bool = False


def band_level(error: float, level: int, tolerance: ToleranceParams) -> int:
    """Judge an error against both bands, with the deadband on the way back.

    Args:
        error: Relative error.
        level: Level before.
        tolerance: Bands.
    """
    size = abs(error)
    warn_back, alarm_back = tolerance.warn - tolerance.deadband, tolerance.alarm - tolerance.deadband
    if size > tolerance.alarm or (level == 2 and size > alarm_back):
        return 2
    if size > tolerance.warn or (level >= 1 and size > warn_back):
        return 1
    return 0


def add_parcels(
    state: ToleranceState, parcels: Sequence[tuple[Parcel, float]], tolerance: ToleranceParams
) -> ToleranceState:
    """Take new parcels into the window of mix and judge it.

    Args:
        state: Before.
        parcels: New parcels, each with the mass [g] that its dose is a share of, rubber not counted.
        tolerance: Bands and size of the window.
    """
    parts = list(state.parts)
    level = state.dose_level
    for parcel, base_g in parcels:
        if parcel.target_rubber_g <= 0 and parcel.rubber_g <= 0:
            parts, level = [], 0  # mix without rubber: the window begins anew behind it
            continue
        parts.append(WindowPart(parcel.mix_g, parcel.rubber_g, parcel.target_rubber_g, base_g))
        held = sum(part.mix_g for part in parts)
        while len(parts) > 1 and held - parts[0].mix_g >= tolerance.window_kg * 1000.0:
            held -= parts.pop(0).mix_g
        error = window_error(parts)
        if error is not None and held >= tolerance.window_kg * 1000.0 and _meant_to_carry(parts, held):
            level = band_level(error, level, tolerance)
    return ToleranceState(
        tuple(parts), level, state.buckets, state.bucket_s, state.feed_level, state.total_out
    )  # fmt: skip


def _meant_to_carry(parts: Sequence[WindowPart], held_g: int) -> bool:
    """Tell whether nearly all of the window was meant to carry rubber; where a mix changes, a part of it was not."""
    richest = max(part.target_g / part.mix_g for part in parts)
    return sum(part.target_g for part in parts) >= MEANT_SHARE * richest * held_g


def window_error(parts: Sequence[WindowPart]) -> float | None:
    """Return the relative error of the rubber in the window; None where none was asked for."""
    target = sum(part.target_g for part in parts)
    return sum(part.rubber_g for part in parts) / target - 1.0 if target > 0 else None


def add_feed(
    state: ToleranceState, setpoint_kg: float, fed_kg: float, doubt_kg: float, tolerance: ToleranceParams, dt_s: float
) -> ToleranceState:
    """Take one scan of the feed into the window of time and judge it.

    Args:
        state: Before.
        setpoint_kg: [kg] Asked for in this scan.
        fed_kg: [kg] Fed in this scan.
        doubt_kg: [kg] What the difference over the window must exceed to mean anything: at the tail of a run a few
            hundred grams are a large share of very little.
        tolerance: Bands and length of the window.
        dt_s: [s] Length of the scan.
    """
    part_s = tolerance.window_s / BUCKETS
    buckets = state.buckets or ((0.0, 0.0),)
    newest = (buckets[-1][0] + setpoint_kg, buckets[-1][1] + fed_kg)
    buckets = (*buckets[:-1], newest)
    spent_s = state.bucket_s + dt_s
    if spent_s >= part_s:
        buckets, spent_s = (*buckets[-(BUCKETS - 1) :], (0.0, 0.0)), 0.0
    level = state.feed_level
    asked_kg = sum([part[0] for part in buckets])
    if asked_kg <= 0.0:
        level = 0
    elif len(buckets) == BUCKETS:
        off_kg = abs(sum([part[1] for part in buckets]) - asked_kg)
        level = band_level(max(0.0, off_kg - doubt_kg) / asked_kg, level, tolerance)
    return ToleranceState(state.parts, state.dose_level, buckets, spent_s, level, state.total_out)


def feed_error(buckets: Sequence[tuple[float, float]]) -> float | None:
    """Return the relative error of the feed over the time window; None where nothing was asked for."""
    asked = sum(part[0] for part in buckets)
    return sum(part[1] for part in buckets) / asked - 1.0 if asked > 0.0 else None


def judge_total(state: ToleranceState, rubber_g: int, target_g: int, tolerance: ToleranceParams) -> ToleranceState:
    """Judge the job's total once enough rubber has been fed."""
    out = state.total_out
    if target_g < tolerance.total_from_kg * 1000.0:
        out = False
    else:
        error = abs(rubber_g / target_g - 1.0)
        out = error > tolerance.total or (out and error > tolerance.total * TOTAL_BACK)
    if out == state.total_out:
        return state
    return ToleranceState(state.parts, state.dose_level, state.buckets, state.bucket_s, state.feed_level, out)
