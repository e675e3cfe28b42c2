"""Totalisers: what a counter in a device proves was counted, and what it cannot prove (REQ-10).

Only two things book a quantity: a count that goes up no faster than is physically possible, and one turn over the top
under the same bound. Everything else (reset, another device, an outage long enough for more than one turn) books
nothing, begins a new baseline and leaves a gap that a person may settle. A reading that is out of line is first
confirmed over several reads; one that comes back in line meanwhile was a glitch.
"""

from enum import StrEnum
from typing import Final

from crumbmeter.model.events import Event, event
from crumbmeter.model.frozen import dataclass, replace

MOST_GAPS: Final = 16
"""Open gaps that are kept in the state; all are in the record by their events."""


class Verdict(StrEnum):
    """How a count follows from the one before it."""

    ADVANCE = "advance"
    WRAP = "wrap"
    RESET = "reset"
    GLITCH = "glitch"
    REPLACEMENT = "replacement"
    UNDECIDABLE = "undecidable"


@dataclass(frozen=True, slots=True)
class TotaliserParams:
    """One counter as its maker and its place in the plant declare it."""

    totaliser_id: str
    """Id of its signal."""
    signal: int
    """Index of its signal."""
    count_si: float
    """[SI] What one count stands for."""
    modulus: int
    """Counts that it can show: the highest is one less."""
    wraps: bool
    """After the highest count comes 0. Otherwise it stays at the highest."""
    resettable: bool
    """Somebody can set it to 0."""
    max_rate_counts_s: float
    """[counts/s] Faster than this the plant cannot move material."""
    confirm_reads: int = 3
    """So many reads in line with each other make a new baseline."""
    rate: int | None = None
    """Index of the signal with the rate of the same material, for comparison. None: no comparison."""


@dataclass(frozen=True, slots=True)
class Gap:
    """A stretch in which it is not known what was counted."""

    number: int
    verdict: Verdict
    from_count: int
    to_count: int
    most_counts: int | None
    """Physically possible in that time; None where the time is not known."""


@dataclass(frozen=True, slots=True)
class Suspect:
    """Reads that do not follow from the baseline, while they are being confirmed."""

    first_count: int
    first_s: float
    last_count: int
    last_s: float
    reads: int = 1


@dataclass(frozen=True, slots=True)
class TotaliserState:
    """What is known of one counter. Survives a restart whole, so that baseline and sum always belong together."""

    totaliser_id: str
    count_si: float
    modulus: int
    """Of the counter that all this is about: with another one it means nothing."""
    baseline_count: int | None = None
    baseline_s: float | None = None
    """[s] Process time of the baseline; None while it is not known how long ago that was."""
    credit_counts: float = 1.0
    """[counts] Left over from the time before: at most the one count by which a counter may be ahead."""
    booked_counts: int = 0
    settled_counts: int = 0
    """[counts] Added by people for gaps; never mixed with what was booked."""
    suspect: Suspect | None = None
    gaps: tuple[Gap, ...] = ()
    next_gap: int = 1
    saturated: bool = False
    pending_si: float | None = 0.0
    """[SI] Integral of the rate since the baseline; None where the rate was missing for a while."""
    compared_counts: int = 0
    """[counts] Booked over stretches for which the integral of the rate is known too."""
    compared_si: float = 0.0
    """[SI] That integral."""


def new_totaliser(params: TotaliserParams) -> TotaliserState:
    """Make the state of a counter that has not been seen yet."""
    return TotaliserState(params.totaliser_id, params.count_si, params.modulus)


def explain(before: int, count: int, allowed_counts: float | None, params: TotaliserParams) -> Verdict:
    """Tell how a count follows from an earlier one.

    Args:
        before: Earlier count.
        count: Count now.
        allowed_counts: [counts] Physically possible in the time between; None: that time is not known.
        params: The counter.
    """
    if allowed_counts is None:
        return Verdict.UNDECIDABLE
    up = count - before
    around = up % params.modulus if params.wraps else up
    if params.wraps and around + params.modulus <= allowed_counts:
        return Verdict.UNDECIDABLE  # nobody saw how often it went round
    reset = up < 0 and params.resettable and count <= allowed_counts
    if not 0 <= around <= allowed_counts:
        return Verdict.RESET if reset else Verdict.REPLACEMENT
    if up >= 0:
        return Verdict.ADVANCE
    # From 0 to `count` is less than over the top to `count`: where it can be reset, that is possible too.
    return Verdict.UNDECIDABLE if reset else Verdict.WRAP


def observe(
    state: TotaliserState, params: TotaliserParams, count: int, received_s: float
) -> tuple[TotaliserState, tuple[Event, ...]]:
    """Take one read of the counter.

    Args:
        state: Before.
        params: The counter.
        count: As the device shows it, 0 to modulus - 1.
        received_s: [s] Process time at which it came; each read once, in order.
    """
    if not 0 <= count < params.modulus:
        return state, ()  # cannot be its count; the range check of the signal says so
    if state.baseline_count is None:
        return replace(state, baseline_count=count, baseline_s=received_s, credit_counts=1.0, pending_si=0.0), ()
    allowed = _allowed(state, params, received_s)
    if explain(state.baseline_count, count, allowed, params) is Verdict.ADVANCE:
        glitched = () if state.suspect is None else (_glitch(state, state.suspect),)
        after, full = _saturation(_book(state, params, count - state.baseline_count, count, received_s), params)
        return after, (*glitched, *full)
    suspect = _suspect(state.suspect, params, count, received_s)
    if suspect.reads < params.confirm_reads:
        return replace(state, suspect=suspect), ()
    return _confirmed(state, params, suspect)


def _allowed(state: TotaliserState, params: TotaliserParams, at_s: float) -> float | None:
    if state.baseline_s is None:
        return None
    return state.credit_counts + params.max_rate_counts_s * max(0.0, at_s - state.baseline_s)


def _suspect(before: Suspect | None, params: TotaliserParams, count: int, received_s: float) -> Suspect:
    """Go on with reads that follow from each other, or begin anew."""
    if before is not None:
        step = count - before.last_count
        step = step % params.modulus if params.wraps else step
        if 0 <= step <= 1.0 + params.max_rate_counts_s * (received_s - before.last_s):
            return Suspect(before.first_count, before.first_s, count, received_s, before.reads + 1)
    return Suspect(count, received_s, count, received_s)


def _confirmed(
    state: TotaliserState, params: TotaliserParams, suspect: Suspect
) -> tuple[TotaliserState, tuple[Event, ...]]:
    before = state.baseline_count
    if before is None:
        raise AssertionError("a suspect needs a baseline")
    verdict = explain(before, suspect.first_count, _allowed(state, params, suspect.first_s), params)
    allowed = _allowed(state, params, suspect.last_s)
    if verdict is Verdict.WRAP and allowed is not None:
        turned = (suspect.last_count - before) % params.modulus
        if turned <= allowed:
            booked = _book(state, params, turned, suspect.last_count, suspect.last_s)
            told = event(
                "totaliser_wrapped", signal=params.totaliser_id, from_count=before, to_count=suspect.last_count,
                booked_count=turned,
            )  # fmt: skip
            return booked, (told,)
    if verdict in (Verdict.ADVANCE, Verdict.WRAP):
        verdict = Verdict.REPLACEMENT  # what came after it was too fast for that
    return _rebaseline(state, params, suspect, verdict, allowed)


def _rebaseline(
    state: TotaliserState, params: TotaliserParams, suspect: Suspect, verdict: Verdict, allowed: float | None
) -> tuple[TotaliserState, tuple[Event, ...]]:
    before = state.baseline_count or 0
    most = None if allowed is None else int(allowed)
    gap = Gap(state.next_gap, verdict, before, suspect.last_count, most)
    after = replace(
        state, baseline_count=suspect.last_count, baseline_s=suspect.last_s, credit_counts=1.0, suspect=None,
        gaps=(*state.gaps, gap)[-MOST_GAPS:], next_gap=gap.number + 1, saturated=False, pending_si=0.0,
    )  # fmt: skip
    told = event(
        "totaliser_gap", signal=params.totaliser_id, gap=gap.number, verdict=verdict.value, from_count=before,
        to_count=gap.to_count, most_count=most,
    )  # fmt: skip
    return after, (told,)


def _book(state: TotaliserState, params: TotaliserParams, up: int, count: int, received_s: float) -> TotaliserState:
    allowed = _allowed(state, params, received_s)
    known = state.pending_si is not None
    return replace(
        state, baseline_count=count, baseline_s=received_s, booked_counts=state.booked_counts + up, suspect=None,
        credit_counts=1.0 if allowed is None else min(1.0, allowed - up), pending_si=0.0,
        compared_counts=state.compared_counts + (up if known else 0),
        compared_si=state.compared_si + (state.pending_si or 0.0),
    )  # fmt: skip


def _glitch(state: TotaliserState, suspect: Suspect) -> Event:
    return event(
        "totaliser_glitch", signal=state.totaliser_id, held_count=state.baseline_count,
        shown_count=suspect.last_count, reads_count=suspect.reads,
    )  # fmt: skip


def _saturation(state: TotaliserState, params: TotaliserParams) -> tuple[TotaliserState, tuple[Event, ...]]:
    full = not params.wraps and state.baseline_count == params.modulus - 1
    if full == state.saturated:
        return state, ()
    after = replace(state, saturated=full)
    return after, (event("totaliser_saturated", signal=params.totaliser_id),) if full else ()


def follow_rate(state: TotaliserState, rate_si: float | None, dt_s: float) -> TotaliserState:
    """Add one scan of the rate to the integral that the next booking is compared with.

    Args:
        state: Before.
        rate_si: [SI/s] None where the rate is Bad: this stretch is then not compared.
        dt_s: [s] Length of the scan.
    """
    if state.pending_si is None:
        return state
    return replace(state, pending_si=None if rate_si is None else state.pending_si + rate_si * dt_s)


def resumed(state: TotaliserState, away_s: float | None, now_s: float) -> TotaliserState:
    """Take a state over into a new run of the program.

    Args:
        state: As the run before left it, with its own process time.
        away_s: [s] From the baseline to now, by wall time; None where that clock cannot be trusted.
        now_s: [s] Process time of the new run.
    """
    since_s = None if away_s is None or away_s < 0.0 or state.baseline_s is None else now_s - away_s
    return replace(state, baseline_s=since_s, suspect=None, pending_si=None)


def settle(state: TotaliserState, number: int, counts: int) -> tuple[TotaliserState, Gap | None]:
    """Settle a gap with what a person says was counted. What was booked stays as it is.

    Args:
        state: Before.
        number: Of the gap; 0: the oldest that is open.
        counts: [counts] What is added.

    Returns:
        State after, and the gap; None where there is no such open gap.
    """
    for gap in state.gaps:
        if number in (0, gap.number):
            left = tuple(other for other in state.gaps if other is not gap)
            return replace(state, gaps=left, settled_counts=state.settled_counts + counts), gap
    return state, None
