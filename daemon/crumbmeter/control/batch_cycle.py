"""The cycle of a charge: one table of transitions, one function that finds what moves it.

It runs inside the run state "feeding" alone; anything that ends that state brings it to rest, with the valve shut and
neither "ready" nor "delivered" said. Priorities are the order of `Cue`: what stops stands before what goes on.
"""

from enum import StrEnum

from crumbmeter.control.batch_state import BatchState, Phase
from crumbmeter.model.events import Event, event
from crumbmeter.model.frozen import dataclass, replace
from crumbmeter.process.batch import release_s
from crumbmeter.process.params import BatchParams


class Cue(StrEnum):
    """What moves the cycle, most urgent first."""

    NOT_FEEDING = "feed does not run"
    WINDOW_SHUT = "window closed"
    WINDOW_ENDS = "window would close before the rest has arrived"
    DISAGREES = "hopper and vessel disagree"
    AGREES = "hopper and vessel agree again"
    OUT = "charge is out of the vessel"
    ARRIVED = "all has arrived"
    STILL_SHORT = "batch is still short"
    FILL = "weigh hopper holds too little for a charge"
    FILLED = "weigh hopper is full"
    SHORT = "charge is wanted"
    NEARLY = "last part of the charge"
    ENOUGH = "charge is in"
    SETTLED = "weight is at rest"
    WHOLE = "charge agrees with its target"
    CHANGED = "target has changed"
    CALLED = "window is open"


_P, _C = Phase, Cue

TRANSITIONS: dict[tuple[Phase, Cue], Phase] = {
    **{(phase, _C.NOT_FEEDING): _P.REST for phase in Phase if phase is not _P.REST},
    (_P.REST, _C.DISAGREES): _P.DOUBT,
    (_P.REST, _C.FILL): _P.REFILL,
    (_P.REST, _C.SHORT): _P.DOSE,
    (_P.REST, _C.WHOLE): _P.CHARGED,
    (_P.REFILL, _C.FILLED): _P.REST,
    (_P.DOSE, _C.ENOUGH): _P.SETTLE,
    (_P.DOSE, _C.NEARLY): _P.DRIBBLE,
    (_P.DRIBBLE, _C.ENOUGH): _P.SETTLE,
    (_P.SETTLE, _C.SETTLED): _P.REST,
    (_P.CHARGED, _C.DISAGREES): _P.DOUBT,
    (_P.CHARGED, _C.CHANGED): _P.REST,
    (_P.CHARGED, _C.CALLED): _P.BLOW,
    (_P.BLOW, _C.WINDOW_SHUT): _P.TRAVEL,
    (_P.BLOW, _C.WINDOW_ENDS): _P.TRAVEL,
    (_P.BLOW, _C.OUT): _P.TRAVEL,
    (_P.TRAVEL, _C.ARRIVED): _P.DELIVERED,
    (_P.TRAVEL, _C.STILL_SHORT): _P.REST,
    (_P.DELIVERED, _C.WINDOW_SHUT): _P.REST,
    (_P.DOUBT, _C.AGREES): _P.REST,
}
"""Rendered into docs/run-sequence.md. A pair that is not here does not move anything."""

DOSES = (_P.DOSE, _P.DRIBBLE)
EMPTY_S = 0.6
"""[s] The vessel's scale must show empty for so long."""
AGREE_AGAIN_S = 5.0
LEAST_DOSE_S = 0.4
"""[s] The auger is given so long at least, or a small rest would be asked for again and again."""
GOT_BANDS = 2.0
"""Times the charge's band by which a batch may miss its target when "delivered" is said."""
MARGIN_S = 0.6
"""[s] What scan, link and the plant's own contact may take at the end of a window."""


@dataclass(frozen=True, slots=True)
class CycleFacts:
    """What a scan knows that can move the cycle."""

    feeding: bool
    wanted: bool | None
    """The window, where its reading is Good."""
    window_s: float
    target_kg: float
    need_kg: float
    """[kg] Beyond what vessel, line and pugmill hold already; negative: the vessel holds more than the batch takes."""
    missing_kg: float
    """[kg] What it still needs beyond line and pugmill."""
    content_kg: float
    """[kg] In the vessel."""
    to_release_kg: float
    """[kg] Of it, what the batch still takes."""
    overrun_kg: float
    """[kg] Of the auger, in this charge."""
    release_overrun_kg: float
    empty_s: float
    """[s] For how long the vessel's scale has shown empty."""
    hopper_kg: float
    """[kg] In the weigh hopper, above its low level."""
    can_dose: bool
    """The weigh hopper neither fills nor settles."""
    filled: bool
    in_doubt: bool
    """A required input is Bad."""
    current: bool
    """The batch aimed at is in the pugmill."""
    disagrees: bool
    travelled_s: float
    """[s] For how long air has moved since the valve was shut."""


def window_ends_s(params: BatchParams, travel_s: float) -> float:
    """[s] Return the age of a window at which the valve must be shut, for the last dust to arrive inside."""
    return params.longest_window_s - travel_s - params.tail_s - MARGIN_S


def fits(facts: CycleFacts, params: BatchParams, travel_s: float) -> bool:
    """Tell whether what is to be released would all arrive before the plant closes the window by itself."""
    takes_s = release_s(facts.to_release_kg, params.release_kg_s, travel_s, params.tail_s) + MARGIN_S
    return facts.window_s + takes_s <= params.longest_window_s


def find_cue(phase: Phase, in_phase_s: float, facts: CycleFacts, params: BatchParams, travel_s: float) -> Cue | None:
    """Find the most urgent cue that moves the present phase. While the feed does not run, nothing but that moves it."""
    if not facts.feeding:
        return _C.NOT_FEEDING if (phase, _C.NOT_FEEDING) in TRANSITIONS else None
    for cue, holds in _cues(in_phase_s, facts, params, travel_s):
        if holds and (phase, cue) in TRANSITIONS:
            return cue
    return None


def _cues(in_phase_s: float, facts: CycleFacts, params: BatchParams, travel_s: float) -> list[tuple[Cue, bool]]:
    band_kg = params.charge_band * facts.target_kg
    wants = facts.target_kg > 0.0 and facts.need_kg > band_kg
    whole = facts.target_kg > 0.0 and not wants
    charge_kg = min(facts.need_kg, params.vessel_full_kg - facts.content_kg)
    all_out = facts.to_release_kg >= facts.content_kg - params.vessel_empty_kg
    part_out = not all_out and facts.to_release_kg <= facts.release_overrun_kg
    lies_kg = facts.hopper_kg - charge_kg
    full = facts.content_kg >= params.vessel_full_kg
    arrived = facts.travelled_s >= travel_s + params.tail_s
    got = facts.missing_kg <= GOT_BANDS * band_kg
    return [
        (_C.WINDOW_SHUT, facts.wanted is False),
        (_C.WINDOW_ENDS, facts.window_s >= window_ends_s(params, travel_s)),
        (_C.DISAGREES, facts.disagrees),
        (_C.AGREES, not facts.disagrees and in_phase_s >= AGREE_AGAIN_S),
        (_C.OUT, facts.empty_s >= EMPTY_S or part_out),
        (_C.STILL_SHORT, arrived and not (facts.current and got)),
        (_C.ARRIVED, arrived),
        (_C.FILL, params.refill and wants and lies_kg < 0.0 and not facts.in_doubt),
        (_C.FILLED, facts.can_dose and facts.filled and lies_kg >= 0.0),
        (_C.SHORT, wants and facts.can_dose and not facts.in_doubt),
        (_C.ENOUGH, in_phase_s >= LEAST_DOSE_S and (facts.need_kg <= facts.overrun_kg or full)),
        (_C.NEARLY, facts.need_kg <= params.dribble_kg),
        (_C.SETTLED, in_phase_s >= params.settle_s),
        (_C.WHOLE, whole and facts.content_kg > 0.0),
        (_C.CHANGED, wants or facts.target_kg <= 0.0),
        (
            _C.CALLED,
            facts.wanted is True and facts.current and not facts.in_doubt and fits(facts, params, travel_s),
        ),
    ]


def advance(
    state: BatchState, facts: CycleFacts, params: BatchParams, travel_s: float, dt_s: float
) -> tuple[BatchState, Cue | None, tuple[Event, ...]]:
    """Move the cycle on by one scan.

    Args:
        state: Before.
        facts: What this scan knows.
        params: Batch plant.
        travel_s: [s] Of the line.
        dt_s: [s] Length of the scan.
    """
    in_phase_s = state.in_phase_s + dt_s
    cue = find_cue(state.phase, in_phase_s, facts, params, travel_s)
    if cue is None:
        return replace(state, in_phase_s=in_phase_s), None, ()
    to = TRANSITIONS[state.phase, cue]
    moved = replace(state, phase=to, in_phase_s=0.0, reason=cue.value)
    detail = event(
        "batch_phase_changed", was=state.phase.value, to=to.value, reason=cue.value,
        target_kg=round(state.target_kg, 3), vessel_kg=round(facts.content_kg, 3),
    )  # fmt: skip
    return moved, cue, (detail,)
