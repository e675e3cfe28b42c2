"""A rate out of a pulse counter: regression over a fixed window of receipt time, with its standard error (REQ-17).

Nothing comes out before the window is filled, and a source that stands brings the rate to 0 within one window. Single
pulses that get lost or come double only widen the standard error; a jump that the plant cannot make begins anew.
"""

from math import sqrt

from crumbmeter.model.events import Event, event
from crumbmeter.model.frozen import dataclass, replace
from crumbmeter.model.quality import Reason
from crumbmeter.model.reading import Reading, bad

FILLED = 0.9
"""Share of the window that must be filled."""
QUANTISATION = 1.0 / 12.0
"""[counts^2] Variance of a whole number that stands for a position anywhere between two pulses."""
STRAY_COUNTS = 2.0
"""[counts] Lost or double pulses between two reads that are taken for what they are."""
MOST_POINTS = 200


@dataclass(frozen=True, slots=True)
class PulseParams:
    """One pulse counter."""

    signal: int
    """Index of its signal, which carries the raw count."""
    signal_id: str
    count_si: float
    """[SI] What one pulse stands for."""
    modulus: int
    """Counts after which it begins at 0 again."""
    window_s: float
    low_si_s: float
    high_si_s: float
    """[SI/s] What is physically possible; the highest also bounds each single step."""


@dataclass(frozen=True, slots=True)
class PulseState:
    """Points of the window: receipt times [s] and counts since the first of them."""

    times_s: tuple[float, ...] = ()
    counts: tuple[int, ...] = ()
    raw: int = 0
    """Newest count as the device shows it."""
    rate_si_s: float | None = None
    error_si_s: float = 0.0
    """[SI/s] Standard error of the rate."""


def take_count(
    state: PulseState, params: PulseParams, raw: int, received_s: float
) -> tuple[PulseState, tuple[Event, ...]]:
    """Take one read of the counter.

    Args:
        state: Before.
        params: The counter.
        raw: Count as the device shows it.
        received_s: [s] Process time at which it came; later than the one before, or it is not taken.
    """
    if not state.times_s:
        return PulseState((received_s,), (0,), raw), ()
    elapsed_s = received_s - state.times_s[-1]
    if elapsed_s <= 0.0:
        return state, ()
    step = (raw - state.raw) % params.modulus
    backwards = step - params.modulus
    possible = STRAY_COUNTS + params.high_si_s / params.count_si * elapsed_s
    if step > possible and -backwards <= STRAY_COUNTS:
        step = backwards  # a count taken back: one that came double before
    if step > possible:
        told = event("pulses_jumped", signal=params.signal_id, step_count=step, elapsed_s=round(elapsed_s, 3))
        return PulseState((received_s,), (0,), raw), (told,)
    return _regress(_moved(state, params, step, raw, received_s), params), ()


def _moved(state: PulseState, params: PulseParams, step: int, raw: int, received_s: float) -> PulseState:
    """Append a point, and drop those that have left the window."""
    since_s = received_s - params.window_s
    first = max(0, len(state.times_s) + 1 - MOST_POINTS)
    while first < len(state.times_s) and state.times_s[first] < since_s:
        first += 1
    base = state.counts[first] if first < len(state.counts) else state.counts[-1] + step
    counts = (*[count - base for count in state.counts[first:]], state.counts[-1] + step - base)
    return PulseState((*state.times_s[first:], received_s), counts, raw)


def _regress(state: PulseState, params: PulseParams) -> PulseState:
    times_s, counts, points = state.times_s, state.counts, len(state.times_s)
    if points < 3 or times_s[-1] - times_s[0] < FILLED * params.window_s:
        return state
    middle_s, middle = sum(times_s) / points, sum(counts) / points
    spread = sum([(time_s - middle_s) ** 2 for time_s in times_s])
    together = sum([(time_s - middle_s) * (count - middle) for time_s, count in zip(times_s, counts, strict=True)])
    slope = max(0.0, together / spread)  # it counts one way only; a pulse taken back is no flow back
    rest = sum(
        [(count - middle - slope * (time_s - middle_s)) ** 2 for time_s, count in zip(times_s, counts, strict=True)]
    )
    variance = max(rest / (points - 2), QUANTISATION)
    return replace(state, rate_si_s=slope * params.count_si, error_si_s=sqrt(variance / spread) * params.count_si)


def rate_reading(state: PulseState, params: PulseParams, count: Reading) -> Reading:
    """Give the rate the quality of the count it is made from.

    Args:
        state: After this scan's count.
        params: The counter.
        count: Reading of the raw count.
    """
    if count.value is None:
        return count
    rate = state.rate_si_s
    if rate is None:
        return bad(Reason.INITIAL_VALUE, count.age_s)
    if not (params.low_si_s <= rate <= params.high_si_s):
        return bad(Reason.OUT_OF_RANGE, count.age_s)
    return Reading(rate, count.quality, count.reason, count.age_s)
