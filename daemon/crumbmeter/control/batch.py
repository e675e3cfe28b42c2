"""The rubber of a batch plant, scan by scan: what was seen, what the next charge needs, what is told to whom.

follow the plant -> vessel's account -> line -> (run sequence) -> what is missing -> cycle -> auger, valve, hand-shake
"""

from crumbmeter.control.batch_cycle import DOSES, Cue, CycleFacts, advance, fits
from crumbmeter.control.batch_follow import Seen, aimed_at, follow_plant
from crumbmeter.control.batch_parcel import parcels_of
from crumbmeter.control.batch_state import BatchState, Phase, PugmillBatch
from crumbmeter.control.batch_vessel import (
    content_kg,
    disagree_kg,
    dosed_kg,
    follow_vessel,
    moved_on,
)
from crumbmeter.control.chain import Proposal, Setpoint, narrow
from crumbmeter.control.feed import FeedScan
from crumbmeter.control.params import Params
from crumbmeter.control.record import LineScan, Surroundings
from crumbmeter.control.sequence import RunState
from crumbmeter.control.state import State
from crumbmeter.estimation.weighing import Flow, WeighingState, believable_factor
from crumbmeter.model.events import Event, event
from crumbmeter.model.frozen import dataclass, replace
from crumbmeter.model.outputs import OutputRole
from crumbmeter.model.parcel import Parcel
from crumbmeter.model.quality import Quality
from crumbmeter.model.reading import Reading
from crumbmeter.process.dose import rubber_for
from crumbmeter.process.params import BatchParams, MixParams

PROVEN_SHARE = 0.85
"""Share of its full speed at which a blower's contact mostly opens."""
LOADED_KG = 0.05
"""[kg] More than this in the line must not be blown in but through a window."""
STRANDED_DOUBT = 0.5
"""Relative standard uncertainty of what arrives while a blower runs down, or from a line that was left loaded."""
FULL_SHARE = 0.85
"""Of the way from low to full above which a weigh hopper counts as filled."""
FILL_BELOW = 0.4
"""Of that way: below it a fill is ordered when the next charge lies in the vessel."""
FINAL_S = 4.0
"""[s] After a charge its weight is looked at for so long before rubber may fall onto the scale again."""
LEAST_LATE_S = 2.0
"""[s] Beyond the time that a release takes, for which a window may be open before the rubber is late."""


@dataclass(frozen=True, slots=True)
class Observed:
    """What one scan saw before the run sequence moves."""

    into_line: Flow
    """What the vessel let into the line, in the place of what the auger feeds at a drum plant."""
    air: float
    """Share of the air that moves the line's content."""
    seen: Seen


NOTHING_SEEN = Seen()


def observe(
    state: State,
    batch: BatchParams,
    mix: MixParams,
    readings: tuple[Reading, ...],
    hopper_kg: float,
    weighed: tuple[WeighingState, Flow],
    now_s: float,
    dt_s: float,
    *,
    blower: bool | None,
) -> tuple[State, Observed]:
    """See what the plant and the vessel did in this scan.

    Args:
        state: Before.
        batch: Batch plant.
        mix: Mix in force.
        readings: Settled signals.
        hopper_kg: [kg] In the weigh hopper before this scan.
        weighed: Weigh hopper after it, and what left it.
        now_s: [s] Process time.
        dt_s: [s] Length of the scan.
        blower: Contact of the blower; None: not known.
    """
    before = state.batch or BatchState()
    weighing, flow = weighed
    fed_kg = dosed_kg(hopper_kg, weighing.mass_kg, flow, dt_s)
    unseen_kg = 0.0 if flow.believed else flow.fed_uncertainty_kg
    own = state.sequence.state is RunState.FEEDING
    vessel, released = follow_vessel(
        before, batch, readings[batch.vessel_mass].value, fed_kg, unseen_kg, dt_s, in_charge=own
    )
    air = _air(before.air, blower, batch, dt_s)
    loaded = state.line.content > LOADED_KG
    before = replace(before, stranded=loaded and (before.stranded or air < 1.0))
    after, seen = follow_plant(
        replace(before, vessel=vessel, air=air), batch, mix, readings, now_s, dt_s,
        controlled=state.control_enabled,
    )  # fmt: skip
    rate = released.mass_kg / dt_s if dt_s > 0.0 else 0.0
    into_line = Flow(rate, 0.0, released.mass_kg, released.uncertainty_kg, believed=flow.believed)
    return replace(state, batch=after), Observed(into_line, air, seen)


def _air(before: float, blower: bool | None, batch: BatchParams, dt_s: float) -> float:
    """Follow the air: full while the blower is proven (or not known), then down with it."""
    if blower is not False:
        return 1.0
    fall = dt_s / batch.run_down_s if batch.run_down_s > 0.0 else 1.0
    return max(0.0, min(before, PROVEN_SHARE) - fall)


def calls(state: State) -> bool:
    """Tell whether the plant makes batches. Rubber that lies in the line waits for a window: air would blow it out."""
    batch = state.batch
    if batch is None:
        return False
    loaded = state.line.content > LOADED_KG
    return batch.coming and (not loaded or batch.wanted is True)


def conduct(
    state: State,
    params: Params,
    batch: BatchParams,
    mix: MixParams,
    observed: Observed,
    line: LineScan,
    around: Surroundings,
    in_doubt: str,
    dt_s: float,
) -> tuple[State, FeedScan, tuple[Parcel, ...]]:
    """Move the cycle on, find the auger's setpoint, and book what has ended.

    Args:
        state: With the run sequence of this scan.
        params: Site.
        batch: Its batch plant.
        mix: Mix in force.
        observed: What was seen.
        line: What arrived in the pugmill.
        around: Quality and marks of this scan.
        in_doubt: Required inputs that are Bad now.
        dt_s: [s] Length of the scan.
    """
    now = state.batch or BatchState()
    now = _arrived(now, line)
    now = replace(now, filled=now.filled or (now.phase is Phase.REFILL and state.weighing.refilling))
    missing_kg, current, now = _aim(now, state, mix)
    facts = _facts(now, state, params, batch, missing_kg, current, in_doubt)
    was = now.phase
    now, cue, moved = advance(now, facts, batch, params.line.travel_s, dt_s)
    now, told = moved_on(now, was, cue, state.weighing)
    now = replace(now, ordered=_orders_fill(now, facts, params, batch))
    now, more = _serve(now, facts, batch, params.line.travel_s, cue)
    now = replace(now, still_s=_still_s(now, dt_s))
    state, parcels = parcels_of(replace(state, batch=now), params, observed.seen.left, around)
    setpoint = _setpoint(state, params, batch, now.phase, in_doubt, dt_s)
    feed = replace(state.feed, setpoint_kg_s=setpoint.rate_kg_s, speed_rev_s=setpoint.speed_rev_s)
    events = (*observed.seen.events, *moved, *told, *more)
    return replace(state, feed=feed), FeedScan(feed, setpoint, events), parcels


def _arrived(now: BatchState, line: LineScan) -> BatchState:
    """Book what reached the pugmill."""
    if line.arrived_kg <= 0.0:
        return now
    current = now.current
    if current is None:
        return replace(now, wasted_kg=now.wasted_kg + line.arrived_kg)
    doubt_kg = line.uncertain_kg + (STRANDED_DOUBT * line.arrived_kg if now.stranded else 0.0)
    got = replace(
        current, rubber_kg=current.rubber_kg + line.arrived_kg, uncertainty_kg=current.uncertainty_kg + doubt_kg,
        quality=min(current.quality, Quality.UNCERTAIN) if now.stranded else current.quality,
    )  # fmt: skip
    return replace(now, current=got)


def _aim(now: BatchState, state: State, mix: MixParams) -> tuple[float, PugmillBatch | None, BatchState]:
    """Find what the batch aimed at is missing beside what is in the pugmill and on its way there."""
    parts, current = aimed_at(now)
    target_kg = 0.0
    if current is not None:
        target_kg = current.target_kg
    elif parts is not None and now.coming:
        target_kg = rubber_for(mix.dose_basis, mix.dose, parts)
    missing_kg = target_kg - state.line.content - (0.0 if current is None else current.rubber_kg)
    need_kg = missing_kg - content_kg(now)
    return missing_kg, current, replace(now, target_kg=target_kg, need_kg=need_kg)


def _facts(
    now: BatchState,
    state: State,
    params: Params,
    batch: BatchParams,
    missing_kg: float,
    current: PugmillBatch | None,
    in_doubt: str,
) -> CycleFacts:
    weighing, vessel, limits = state.weighing, now.vessel, params.weighing
    in_vessel_kg = content_kg(now)
    above_kg = weighing.mass_kg - limits.low_mass_kg
    full = above_kg >= FULL_SHARE * (limits.full_mass_kg - limits.low_mass_kg)
    at_rest = now.phase in (Phase.REST, Phase.CHARGED, Phase.DOUBT)
    return CycleFacts(
        feeding=state.sequence.state is RunState.FEEDING,
        wanted=now.wanted,
        window_s=now.window_s,
        target_kg=now.target_kg,
        need_kg=now.need_kg,
        missing_kg=missing_kg,
        content_kg=in_vessel_kg,
        to_release_kg=min(in_vessel_kg, missing_kg),
        overrun_kg=now.dosing.overrun_kg,
        release_overrun_kg=vessel.overrun_kg,
        empty_s=vessel.empty_s,
        hopper_kg=above_kg,
        can_dose=weighing.started and not weighing.refilling and weighing.settle_left_s <= 0.0,
        filled=now.filled or full,
        in_doubt=bool(in_doubt),
        current=current is not None,
        disagrees=at_rest and disagree_kg(vessel, batch) > 0.0,
        travelled_s=now.still_s,
    )


def _orders_fill(now: BatchState, facts: CycleFacts, params: Params, batch: BatchParams) -> bool:
    """Order a fill while the auger stands anyway: with the charge in the vessel, and until the next one is dosed."""
    if not (batch.refill and facts.feeding):
        return False
    if now.phase is Phase.REFILL:
        return True
    if now.phase not in (Phase.CHARGED, Phase.BLOW, Phase.TRAVEL):
        return False
    if now.phase is Phase.CHARGED and now.in_phase_s < FINAL_S:
        return False
    share = facts.hopper_kg / (params.weighing.full_mass_kg - params.weighing.low_mass_kg)
    return share < (FULL_SHARE if now.ordered else FILL_BELOW)


def _still_s(now: BatchState, dt_s: float) -> float:
    """[s] Count for how long the valve has been shut with air moving what lies in the line."""
    return now.still_s + dt_s * now.air if now.phase is Phase.TRAVEL else 0.0


def _serve(
    now: BatchState, facts: CycleFacts, batch: BatchParams, travel_s: float, cue: Cue | None
) -> tuple[BatchState, tuple[Event, ...]]:
    """Mark what the hand-shake has come to: served, late, or without its rubber."""
    current = now.current
    if current is None:
        return now, ()
    events: list[Event] = []
    if cue is Cue.ARRIVED:
        current = replace(current, served=True)
        delivered = event(
            "batch_delivered", number=current.number, rubber_kg=round(current.rubber_kg, 3),
            target_kg=round(current.target_kg, 3), window_s=round(now.window_s, 1),
        )  # fmt: skip
        events.append(delivered)
    waits = facts.feeding and now.wanted is True and not (current.served or current.passed)
    if waits and not current.late and now.window_s > usual_s(current.target_kg, batch, travel_s):
        current = replace(current, late=True)
        late = event("rubber_late", number=current.number, need_kg=round(now.need_kg, 3), phase=now.phase.value)
        events.append(late)
    if waits and now.phase not in (Phase.BLOW, Phase.TRAVEL) and not fits(facts, batch, travel_s):
        current = replace(current, passed=True)
        events.append(event("batch_not_served", number=current.number, target_kg=round(current.target_kg, 3)))
    return replace(now, current=current), tuple(events)


def usual_s(target_kg: float, batch: BatchParams, travel_s: float) -> float:
    """[s] Return how long a window is open where the charge is ready in time."""
    return target_kg / batch.release_kg_s + travel_s + batch.tail_s + LEAST_LATE_S


def _setpoint(state: State, params: Params, batch: BatchParams, phase: Phase, in_doubt: str, dt_s: float) -> Setpoint:
    """Find the auger's setpoint: the charge's rate through the chain of constraints; nothing while in doubt."""
    wanted = {Phase.DOSE: batch.dose_kg_s, Phase.DRIBBLE: batch.dribble_kg_s}.get(phase, 0.0)
    doses = phase in DOSES and not in_doubt and state.sequence.state is RunState.FEEDING
    why = f"input doubt: {in_doubt}" if in_doubt and phase in DOSES else phase.value
    factor = believable_factor(state.weighing, params.weighing)
    ask = Proposal(wanted, 0.0, state.feed.setpoint_kg_s, "", factor, doses, why)
    return narrow(ask, params.feed, dt_s)


def hand_shake(state: State, params: Params, in_doubt: str) -> tuple[tuple[OutputRole, float], ...]:
    """Say what valve, gate and hand-shake are told: on any doubt nothing is released, ready or delivered."""
    now = state.batch
    if now is None or params.batch is None:
        return ()
    sure = state.sequence.state is RunState.FEEDING and not in_doubt
    window = sure and now.wanted is True
    current = now.current
    served = current is not None and current.served
    return (
        (OutputRole.RELEASE, float(window and now.phase is Phase.BLOW)),
        (OutputRole.CHARGE_READY, float(sure and now.phase is Phase.CHARGED)),
        (OutputRole.CHARGE_DELIVERED, float(window and served)),
        (OutputRole.REFILL, float(sure and now.ordered)),
    )
