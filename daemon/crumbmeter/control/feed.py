"""From what the plant asks for to what the auger is told: doubt, timers, setpoint, and what is owed."""

from crumbmeter.control.chain import Proposal, Setpoint, narrow
from crumbmeter.control.params import BelowTurndown, FeedParams, Params
from crumbmeter.control.plant import Demand, look_ahead_s
from crumbmeter.control.sequence import RunState, SequenceState, Trigger
from crumbmeter.control.state import FeedState
from crumbmeter.estimation.params import WeighingParams
from crumbmeter.estimation.weighing import WeighingState
from crumbmeter.model.events import Event, event
from crumbmeter.model.frozen import dataclass, replace
from crumbmeter.model.reading import Reading
from crumbmeter.process.stages import cascade, share_leaving

LATE_PERIODS = 5.0
LEAST_LATE_S = 1.0
"""A scan is late when it comes after so many periods, and at least so many seconds."""
TURNING_REV_S = 0.02
"""[rev/s] Above this the auger turns."""
NO_FLOW_SHARE = 0.4
LOW_SHARE = 0.7
"""The auger turns in vain (a bridge) when the feed factor is below the first share of its mean, or below the second
share of the lowest that is believed."""
STARTING = (RunState.START_WARNING, RunState.BLOWER_START, RunState.PURGE, RunState.READY)
"""States on the way to feeding: rubber is due, and not there yet."""
BEYOND_ANY_HOLD_S = 1e9
"""[s] A late scan is in doubt for longer than any hold allows: its feed stops at once."""
WORTH_TELLING_KG = 0.05
"""[kg] Owed rubber below this is dropped without an event."""


def scan_is_late(dt_s: float, period_s: float) -> bool:
    """Tell whether so much time has passed since the last scan that its feed cannot be trusted."""
    return dt_s > max(LEAST_LATE_S, LATE_PERIODS * period_s)


def watch_inputs(feed: FeedState, in_doubt: str, *, late: bool, dt_s: float) -> FeedState:
    """Count how long inputs have been in doubt, or good."""
    if late:
        return replace(feed, doubt_s=BEYOND_ANY_HOLD_S, good_s=0.0)
    if in_doubt:
        return replace(feed, doubt_s=feed.doubt_s + dt_s, good_s=0.0)
    return replace(feed, doubt_s=0.0, good_s=feed.good_s + dt_s)


def watch_line(
    feed: FeedState, params: Params, readings: tuple[Reading, ...], state: RunState, dt_s: float
) -> FeedState:
    """Count how long the line's pressure has been beyond its limits. A Bad pressure is input doubt, not a count."""
    index = params.contacts.line_pressure
    pressure_pa = None if index is None else readings[index].value
    if pressure_pa is None:
        return feed
    limits = params.sequence
    armed = state in (RunState.READY, RunState.FEEDING)
    high = armed and limits.pressure_high_pa is not None and pressure_pa > limits.pressure_high_pa
    low = state is RunState.FEEDING and limits.pressure_low_pa is not None and pressure_pa < limits.pressure_low_pa
    return replace(
        feed,
        pressure_high_s=feed.pressure_high_s + dt_s if high else 0.0,
        pressure_low_s=feed.pressure_low_s + dt_s if low else 0.0,
    )


def watch_flow(
    feed: FeedState, weighing: WeighingState, params: WeighingParams, speed_rev_s: float, dt_s: float
) -> FeedState:
    """Count how long the auger has turned without the hopper losing weight."""
    least = max(params.feed_factor_low_kg_rev * LOW_SHARE, NO_FLOW_SHARE * weighing.mean_factor_kg_rev)
    in_vain = speed_rev_s > TURNING_REV_S and not weighing.refilling and weighing.factor_kg_rev < least
    return replace(feed, no_flow_s=feed.no_flow_s + dt_s if in_vain else 0.0)


@dataclass(frozen=True, slots=True)
class FeedScan:
    """What one scan decided of the feed."""

    feed: FeedState
    setpoint: Setpoint
    events: tuple[Event, ...]


@dataclass(frozen=True, slots=True)
class Underway:
    """Rubber between the auger and the injection point in one scan."""

    arrived_kg: float
    """[kg] Reached the injection point in this scan."""
    line_kg: float
    """[kg] In the line after it."""
    mix_moves: float
    """Drum speed over nominal: the balance ages only with mix that moves on."""


def decide(
    feed: FeedState,
    before: SequenceState,
    now: SequenceState,
    demand: Demand,
    under_way: Underway,
    factor_kg_rev: float,
    in_doubt: str,
    params: Params,
    dt_s: float,
) -> FeedScan:
    """Find the setpoint of this scan and keep account of what is owed.

    Args:
        feed: Memory before.
        before: Sequence before this scan.
        now: Sequence of this scan.
        demand: What the plant asks for.
        under_way: Rubber that is not yet in the mix, and what arrived.
        factor_kg_rev: [kg/rev] Feed factor.
        in_doubt: Required inputs that are Bad now.
        params: Site.
        dt_s: [s] Length of the scan.
    """
    accounted, events = _account(feed, before, now, demand, under_way, params, dt_s)
    # In monitor only the setpoint is worked out as if it were written, for comparison.
    feeds = now.state is RunState.FEEDING
    asked = Proposal(
        wanted_kg_s=demand.wanted_kg_s,
        owed_kg=accounted.owed_kg if feeds else 0.0,
        last_kg_s=feed.setpoint_kg_s,
        in_doubt=in_doubt,
        factor_kg_rev=factor_kg_rev,
        feeding=feeds or now.state is RunState.MONITOR,
        state_reason=now.reason,
        kept_back_kg=accounted.kept_back_kg if feeds else 0.0,
        falls=feeds and demand.wanted_kg_s * look_ahead_s(params) < demand.within_kg,
    )
    setpoint = narrow(asked, params.feed, dt_s)
    kept_back_kg = accounted.kept_back_kg
    if feeds and not in_doubt:
        kept_back_kg = _kept_back_kg(accounted, params.feed, demand.wanted_kg_s, setpoint.rate_kg_s, dt_s)
    after = replace(
        accounted, setpoint_kg_s=setpoint.rate_kg_s, speed_rev_s=setpoint.speed_rev_s, kept_back_kg=kept_back_kg
    )  # fmt: skip
    return FeedScan(after, setpoint, events)


def _kept_back_kg(feed: FeedState, params: FeedParams, wanted_kg_s: float, rate_kg_s: float, dt_s: float) -> float:
    """[kg] Return how much of what is owed was kept back: less by what is fed on top, more between two pulses.

    Where thin material gets no pulses, what it lacks is let go: it could be minutes of it, and most has left.
    """
    kept_back_kg, waits = feed.kept_back_kg, rate_kg_s == 0.0 and params.below_turndown is BelowTurndown.PULSE
    if waits or rate_kg_s > wanted_kg_s:
        kept_back_kg += (wanted_kg_s - rate_kg_s) * dt_s
    return max(0.0, min(kept_back_kg, feed.owed_kg))


def _keeps_account(sequence: SequenceState) -> bool:
    """Tell whether the mix now passing the injection point is one that the feed can still reach."""
    return _starts(sequence) or sequence.state is RunState.FEEDING or sequence.trigger == Trigger.DRUM_STANDS.value


def _starts(sequence: SequenceState) -> bool:
    """Tell whether the feed is on its way to feeding, from rest."""
    waits = sequence.on_hold or sequence.trigger == Trigger.DRUM_STANDS.value
    return sequence.state in STARTING and not waits


def _account(
    feed: FeedState,
    before: SequenceState,
    now: SequenceState,
    demand: Demand,
    under_way: Underway,
    params: Params,
    dt_s: float,
) -> tuple[FeedState, tuple[Event, ...]]:
    """Keep the balance of the mix within reach, and foresee it for when all that is under way has arrived.

    The balance rests while the drum stands, for its mix is still there. It begins with the start sequence: what passes
    the injection point until the first rubber arrives is just behind it yet, and as much is counted as trim can pay
    within its horizon. At any other stop it is forgotten: mix that went on without rubber has left and cannot be
    repaired. Nor is it carried over to another mix.
    """
    lag_s = params.feed.auger_lag_s
    share = share_leaving(lag_s, 1, dt_s, 1.0) if lag_s > 0.0 else 1.0
    setpoint_kg = feed.setpoint_kg_s * dt_s if now.state is RunState.FEEDING else 0.0
    (asked_kg,), _ = cascade((feed.asked_kg,), setpoint_kg, share)
    to_come_kg = demand.within_kg - under_way.line_kg - asked_kg
    turns = demand.passing is not None and demand.passing.turns
    if turns or not _keeps_account(now) or not _keeps_account(before):
        # Begin anew. A start begins with nothing owed; else what will have arrived by then is taken to be right.
        lost_kg = feed.owed_kg
        starts = _starts(now)
        begun = replace(
            feed, balance_kg=0.0 if starts else -to_come_kg, owed_kg=to_come_kg if starts else 0.0, asked_kg=asked_kg,
            forgotten_kg=feed.forgotten_kg + lost_kg, kept_back_kg=max(0.0, to_come_kg) if starts else 0.0,
        )  # fmt: skip
        told = before.state is RunState.FEEDING and abs(lost_kg) >= WORTH_TELLING_KG
        reason = "another mix" if _keeps_account(now) else now.reason
        detail = event("owed_rubber_forgotten", owed_kg=round(lost_kg, 3), reason=reason)
        return begun, (detail,) if told else ()
    balance_kg = feed.balance_kg + demand.target_kg - under_way.arrived_kg
    aged = min(1.0, under_way.mix_moves * dt_s / params.feed.trim_horizon_s)
    old_kg = aged * past_kg(balance_kg, balance_kg + to_come_kg)
    balance_kg -= old_kg
    kept_back_kg = feed.kept_back_kg
    if _starts(now):
        kept_back_kg, beyond_kg = _kept_back_by_start_kg(feed, balance_kg + to_come_kg, params.feed)
        old_kg, balance_kg = old_kg + beyond_kg, balance_kg - beyond_kg
    after = replace(
        feed, balance_kg=balance_kg, owed_kg=balance_kg + to_come_kg, asked_kg=asked_kg,
        forgotten_kg=feed.forgotten_kg + old_kg, kept_back_kg=kept_back_kg,
    )  # fmt: skip
    return after, ()


def _kept_back_by_start_kg(feed: FeedState, short_kg: float, params: FeedParams) -> tuple[float, float]:
    """[kg] Return how much of what a start is short of counts as kept back, and how much is beyond what trim can pay.

    A gap that is longer than trim can fill leaves nothing kept back: what is paid of it is paid as all else is.
    """
    beyond_kg = max(0.0, short_kg - params.trim_share * params.max_rate_kg_s * params.trim_horizon_s)
    goes_on = feed.kept_back_kg > 0.0 or feed.owed_kg <= 0.0
    return (max(0.0, short_kg) if goes_on and beyond_kg == 0.0 else 0.0), beyond_kg


def past_kg(balance_kg: float, owed_kg: float) -> float:
    """[kg] Return what mix that has passed lacks, or has too much, and nothing under way makes good: it alone ages."""
    return max(0.0, min(balance_kg, owed_kg)) + min(0.0, max(balance_kg, owed_kg))
