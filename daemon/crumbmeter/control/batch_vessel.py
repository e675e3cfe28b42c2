"""The charge: dosed by the weigh hopper's loss, shared out by the vessel's own scale, checked by both.

The weigh hopper's scale averages, so its weight is behind the auger. Its estimator is given the auger's speed behind by
the same first-order lag: then its model is exact again, and what the scale has not seen yet is the factor times the
way between the two speeds.
"""

from math import sqrt

from crumbmeter.control.batch_cycle import Cue
from crumbmeter.control.batch_state import SMOOTH_S, BatchState, Dosing, Phase, Vessel
from crumbmeter.estimation.weighing import Flow, WeighingState
from crumbmeter.model.events import Event, event
from crumbmeter.model.frozen import dataclass, replace
from crumbmeter.process.params import BatchParams

CLOSING_S = 1.5
"""[s] After its valve is told to shut, rubber may still leave the vessel for so long."""
LEARN_SHARE = 0.6
"""Of a new overrun that is learned at once."""
MOST_OVERRUN = 4.0
"""Times the first overrun: a greater one is no overrun, and is not learned."""
ZERO_S = 2.0
"""[s] Time constant of the vessel's zero, while it is known to be empty."""
FOLLOW_S = 3.0
"""[s] Time constant with which the account follows the vessel's scale while somebody else fills and empties it."""


def dosed_kg(before_kg: float, after_kg: float, flow: Flow, dt_s: float) -> float:
    """[kg] Return what the weigh hopper lost to the auger in this scan, by the scale where that is believed."""
    return before_kg - after_kg if flow.believed else flow.rate_kg_s * dt_s


def content_kg(state: BatchState) -> float:
    """[kg] Return what lies in the vessel."""
    return state.vessel.account_kg


@dataclass(frozen=True, slots=True)
class Released:
    """What one scan let into the line."""

    mass_kg: float
    uncertainty_kg: float


def follow_vessel(
    state: BatchState,
    params: BatchParams,
    reading_kg: float | None,
    fed_kg: float,
    fed_uncertainty_kg: float,
    dt_s: float,
    *,
    in_charge: bool,
) -> tuple[Vessel, Released]:
    """Keep the vessel's account for one scan.

    Args:
        state: Before.
        params: Batch plant.
        reading_kg: [kg] Its scale; None where it is Bad.
        fed_kg: [kg] From the auger.
        fed_uncertainty_kg: [kg] Of that, where the weight took no part.
        dt_s: [s] Length of the scan.
        in_charge: Whether the cycle runs here; else somebody else fills and empties it.
    """
    vessel = state.vessel
    read = vessel.read_kg
    if reading_kg is not None:
        read = reading_kg if read is None else read + (reading_kg - read) * dt_s / (dt_s + SMOOTH_S)
    account = max(0.0, vessel.account_kg + fed_kg)
    doubt = vessel.uncertainty_kg + fed_uncertainty_kg
    vessel = replace(vessel, read_kg=read, account_kg=account, uncertainty_kg=doubt)
    asked = state.phase is Phase.BLOW if in_charge else state.wanted is True
    shut_s = 0.0 if asked else vessel.shut_s + dt_s
    vessel = replace(vessel, shut_s=shut_s)
    closing = vessel.releasing and (shut_s < CLOSING_S or (in_charge and state.phase is Phase.TRAVEL))
    releasing = asked or closing
    if releasing and not vessel.releasing:
        vessel = _opened(vessel)
    elif not releasing and vessel.releasing:
        vessel = replace(vessel, releasing=False)
    if vessel.releasing:
        # The hopper's scale may still come to rest: what it says of the charge now is of what is being let out.
        vessel = replace(vessel, start_kg=max(0.0, vessel.start_kg + fed_kg))
        return _share_out(vessel, params, dt_s, least_kg=0.0 if in_charge else params.vessel_empty_kg)
    if not in_charge and read is not None:
        account += (max(0.0, read - vessel.zero_kg) - account) * dt_s / (dt_s + FOLLOW_S)
        vessel = replace(vessel, account_kg=account, uncertainty_kg=max(doubt, params.vessel_empty_kg))
    return vessel, Released(0.0, 0.0)


def _opened(vessel: Vessel) -> Vessel:
    """Begin a release: what the vessel holds now is shared out by its scale."""
    if vessel.read_kg is None:
        return vessel
    return replace(
        vessel, releasing=True, start_kg=vessel.account_kg, start_uncertainty_kg=vessel.uncertainty_kg,
        start_read_kg=vessel.read_kg, released_kg=0.0, cut_kg=None, empty_s=0.0, shut_s=0.0,
    )  # fmt: skip


def _share_out(vessel: Vessel, params: BatchParams, dt_s: float, *, least_kg: float) -> tuple[Vessel, Released]:
    """Book what the vessel's scale shows to be gone, as a share of the account: its own gain then does not matter.

    Less than `least_kg` [kg] is taken for noise: where somebody else may open the valve, or may not.
    """
    if vessel.read_kg is None:
        return vessel, Released(0.0, 0.0)
    left = vessel.read_kg - vessel.zero_kg
    whole = vessel.start_read_kg - vessel.zero_kg
    share = 0.0 if whole <= params.vessel_empty_kg else min(1.0, max(0.0, 1.0 - left / whole))
    emptied = left < params.vessel_empty_kg
    if emptied:
        share = 1.0
    seen_kg = share * vessel.start_kg
    gone_kg = max(vessel.released_kg, seen_kg if seen_kg >= least_kg else 0.0)
    out_kg = gone_kg - vessel.released_kg
    part = out_kg / vessel.start_kg if vessel.start_kg > 0.0 else 0.0
    doubt = vessel.start_uncertainty_kg
    zero = vessel.zero_kg + left * dt_s / (dt_s + ZERO_S) if emptied else vessel.zero_kg
    zero = min(params.vessel_empty_kg, max(-params.vessel_empty_kg, zero))  # more is no zero, but rubber that sticks
    after = replace(
        vessel, empty_s=vessel.empty_s + dt_s if emptied else 0.0, released_kg=gone_kg,
        account_kg=max(0.0, vessel.start_kg - gone_kg), zero_kg=zero,
        uncertainty_kg=doubt * (1.0 - gone_kg / vessel.start_kg) if vessel.start_kg > 0.0 else doubt,
    )  # fmt: skip
    return after, Released(out_kg, doubt * part)


def disagree_kg(vessel: Vessel, params: BatchParams) -> float:
    """[kg] Return by how much hopper and vessel disagree beyond what they may; 0 where they agree, or cannot tell."""
    if vessel.read_kg is None:
        return 0.0
    off = abs(vessel.read_kg - vessel.zero_kg - vessel.account_kg)
    may = max(params.vessel_empty_kg, params.agree_band * vessel.account_kg)
    return off if off > may else 0.0


def moved_on(
    state: BatchState, was: Phase, cue: Cue | None, weighing: WeighingState
) -> tuple[BatchState, tuple[Event, ...]]:
    """Do what goes with a move of the cycle: begin and end a charge, learn its overruns.

    Args:
        state: After the move.
        was: Phase before it.
        cue: What moved it; None: nothing did.
        weighing: Estimate of the weigh hopper.
    """
    if cue is None:
        return state, ()
    vessel, dosing, events = state.vessel, state.dosing, tuple[Event, ...]()
    if cue is Cue.SHORT:
        dosing = replace(dosing, cut_kg=None, topped=False)
    elif cue is Cue.ENOUGH:
        dosing = replace(dosing, cut_kg=content_kg(state), topped=was is Phase.DOSE)
    elif cue is Cue.SETTLED:
        doubt = sqrt(vessel.uncertainty_kg**2 + 2.0 * max(0.0, weighing.var_mm))
        vessel = replace(vessel, uncertainty_kg=doubt)
        told = event(
            "charge_weighed", charge_kg=round(content_kg(state), 3), target_kg=round(state.target_kg, 3),
            overrun_kg=round(dosing.overrun_kg, 3),
        )  # fmt: skip
        events = (told,)
    elif cue is Cue.CALLED:
        # Before the valve opens: one scan later its scale would have lost some already.
        vessel, dosing = _opened(vessel), _overrun_learned(dosing, content_kg(state))
    elif cue is Cue.OUT:
        vessel = replace(vessel, cut_kg=vessel.released_kg)
    elif cue in (Cue.ARRIVED, Cue.STILL_SHORT) and was is Phase.TRAVEL:
        vessel = _learned(vessel)
    filled = state.filled if state.phase is Phase.REFILL and was is Phase.REFILL else False
    return replace(state, vessel=vessel, dosing=dosing, filled=filled), events


def _overrun_learned(dosing: Dosing, now_kg: float) -> Dosing:
    """Learn what came after the auger was told to stop, once the weight has long been at rest."""
    if dosing.cut_kg is None or dosing.topped:
        return replace(dosing, cut_kg=None)
    overrun = now_kg - dosing.cut_kg
    if not 0.0 <= overrun <= MOST_OVERRUN * max(dosing.overrun_kg, 0.05):
        return replace(dosing, cut_kg=None)
    learned = dosing.overrun_kg + LEARN_SHARE * (overrun - dosing.overrun_kg)
    return replace(dosing, overrun_kg=learned, cut_kg=None)


def _learned(vessel: Vessel) -> Vessel:
    """Learn what came out after the valve was told to shut, where a part was kept back."""
    if vessel.cut_kg is None or vessel.account_kg <= 0.0:
        return vessel
    overrun = vessel.released_kg - vessel.cut_kg
    if not 0.0 <= overrun <= MOST_OVERRUN * max(vessel.overrun_kg, 0.1):
        return vessel
    return replace(vessel, overrun_kg=vessel.overrun_kg + LEARN_SHARE * (overrun - vessel.overrun_kg))
