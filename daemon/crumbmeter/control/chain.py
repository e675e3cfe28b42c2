"""The setpoint as a chain of narrowing constraints, in a declared order (R5).

The law proposes and shapes (trim, slew, turndown); then limits and the run state narrow, and what they forbid nothing
later allows. Each stage that changed something says why. Finite is checked first: a clamp can launder a NaN.
"""

from math import isfinite

from crumbmeter.control.params import BelowTurndown, FeedParams
from crumbmeter.model.frozen import dataclass

NOTHING_SHARE = 0.05
"""Below this share of the lowest steady rate nothing is asked for: a drum that runs empty has an endless thin tail."""
GONE_SHARE = 0.005
"""Below this share of the lowest steady rate it has gone by: no pulse falls onto nothing, whatever is owed."""
PULSE_S = 5.0
"""[s] Rubber for so long at the lowest steady speed is owed before a pulse begins."""


@dataclass(frozen=True, slots=True)
class Setpoint:
    """What the chain let through."""

    rate_kg_s: float
    speed_rev_s: float
    narrowed: tuple[tuple[str, str], ...]
    """(stage, reason) of each stage that changed the value, in order."""


@dataclass(frozen=True, slots=True)
class Proposal:
    """What goes into the chain."""

    wanted_kg_s: float
    """[kg/s] Dose times what the rubber will meet."""
    owed_kg: float
    """[kg] Rubber owed to the mix within reach (negative: too much fed)."""
    last_kg_s: float
    """[kg/s] Setpoint of the scan before."""
    in_doubt: str
    """Required inputs that are Bad at present; empty: none. The last setpoint is held."""
    factor_kg_rev: float
    """[kg/rev] Feed factor, positive."""
    feeding: bool
    """Whether the run state lets the auger turn."""
    state_reason: str


def trim_kg_s(wanted_kg_s: float, owed_kg: float, feed: FeedParams) -> float:
    """[kg/s] Return what is paid back now: bounded, so that it alone can never leave tolerance."""
    most = feed.trim_share * wanted_kg_s
    return min(most, max(-most, owed_kg / feed.trim_time_s))


def slew(last_kg_s: float, wanted_kg_s: float, limit_kg_s2: float, dt_s: float) -> float:
    """Move the setpoint towards what is wanted, no faster than allowed.

    Args:
        last_kg_s: [kg/s] Setpoint of the scan before.
        wanted_kg_s: [kg/s] Setpoint asked for now.
        limit_kg_s2: [kg/s per s] Fastest change, both ways. Positive.
        dt_s: [s] Since the scan before. Zero returns `last_kg_s`.
    """
    most = limit_kg_s2 * dt_s
    return min(last_kg_s + most, max(last_kg_s - most, wanted_kg_s))


def narrow(ask: Proposal, feed: FeedParams, dt_s: float) -> Setpoint:
    """Run a proposal through the whole chain.

    Args:
        ask: Proposal of this scan.
        feed: Limits.
        dt_s: [s] Length of the scan.
    """
    narrowed: list[tuple[str, str]] = []
    if not (isfinite(ask.wanted_kg_s) and isfinite(ask.owed_kg) and isfinite(ask.factor_kg_rev)):
        return Setpoint(0.0, 0.0, (("finite", "a figure of the law is not finite"),))
    if not ask.feeding:
        return Setpoint(0.0, 0.0, (("run state", ask.state_reason),))
    rate = _shape(ask, feed, narrowed, dt_s)
    rate = _limit(rate, ask, feed, narrowed)
    return Setpoint(rate, rate / ask.factor_kg_rev, tuple(narrowed))


def _shape(ask: Proposal, feed: FeedParams, narrowed: list[tuple[str, str]], dt_s: float) -> float:
    if ask.in_doubt:
        narrowed.append(("input doubt", f"last setpoint held: {ask.in_doubt}"))
        return ask.last_kg_s
    asked = max(0.0, ask.wanted_kg_s + trim_kg_s(ask.wanted_kg_s, ask.owed_kg, feed))
    rate = slew(ask.last_kg_s, asked, feed.slew_kg_s2, dt_s)
    if rate != asked:
        narrowed.append(("slew", "change limited"))
    least = feed.min_speed_rev_s * ask.factor_kg_rev
    if 0.0 < rate < least:
        if feed.below_turndown is BelowTurndown.PULSE and _pulses(ask, least):
            narrowed.append(("turndown", "below the lowest steady speed: fed in pulses"))
            return least
        if feed.below_turndown is BelowTurndown.MINIMUM and ask.wanted_kg_s > NOTHING_SHARE * least:
            narrowed.append(("turndown", "raised to the lowest steady speed"))
            return least
        # While ramping up from standstill the rate passes through here in one or two scans.
        if asked < least:
            narrowed.append(("turndown", "below the lowest steady speed: the auger stands"))
            return 0.0
    return rate


def _pulses(ask: Proposal, least_kg_s: float) -> bool:
    """Tell whether what is owed is worth a pulse, or is still being paid by one.

    The drum evens out what comes in pulses; what is kept back leaves with its mix.
    """
    if ask.wanted_kg_s < GONE_SHARE * least_kg_s:
        return False
    return ask.owed_kg > (0.0 if ask.last_kg_s > 0.0 else PULSE_S * least_kg_s)


def _limit(rate: float, ask: Proposal, feed: FeedParams, narrowed: list[tuple[str, str]]) -> float:
    if rate > feed.max_rate_kg_s:
        narrowed[:] = [stage for stage in narrowed if stage[0] != "slew"]  # it is not what holds the rate back
        narrowed.append(("rate limit", "at the highest rate allowed"))
        rate = feed.max_rate_kg_s
    most = feed.max_speed_rev_s * ask.factor_kg_rev
    if rate > most:
        narrowed.append(("auger speed", "at the highest speed"))
        rate = most
    return max(0.0, rate)
