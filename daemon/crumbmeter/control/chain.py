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
TAIL_SHARE = 0.5
"""In a tail a pulse begins with so much of one owed, and ends as much ahead: nothing comes later that could make up."""
KEPT_BACK_SHARE = 0.5
"""What was kept back raises the setpoint by no more than this share of the wanted rate."""


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
    kept_back_kg: float = 0.0
    """[kg] Part of what is owed that the start or the lowest steady speed kept back."""
    falls: bool = False
    """Whether what the rubber will meet becomes less, as in the tail of a run."""


def trim_kg_s(wanted_kg_s: float, owed_kg: float, feed: FeedParams, kept_back_kg: float = 0.0) -> float:
    """[kg/s] Return what is paid back now, within a share of the wanted rate that alone can never leave tolerance.

    What was kept back comes on top, within a wider bound of its own: it is missing just behind where it is paid, no
    doubt of the weight is in it, and the drum evens it out.

    Args:
        wanted_kg_s: [kg/s] Dose times what the rubber will meet.
        owed_kg: [kg] Owed in all.
        feed: Limits.
        kept_back_kg: [kg] Part of that which start or turndown kept back.
    """
    if feed.trim_share <= 0.0:
        return 0.0
    share_kg_s = feed.trim_share * wanted_kg_s
    most_kg_s = share_kg_s + min(KEPT_BACK_SHARE * wanted_kg_s, kept_back_kg / feed.trim_time_s)
    return min(most_kg_s, max(-share_kg_s, owed_kg / feed.trim_time_s))


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
    least = feed.min_speed_rev_s * ask.factor_kg_rev
    # What is kept back does not by itself lift thin material over the lowest steady speed.
    kept_back_kg = ask.kept_back_kg if ask.wanted_kg_s >= least else 0.0
    asked = max(0.0, ask.wanted_kg_s + trim_kg_s(ask.wanted_kg_s, ask.owed_kg, feed, kept_back_kg))
    rate = slew(ask.last_kg_s, asked, feed.slew_kg_s2, dt_s)
    if rate != asked:
        narrowed.append(("slew", "change limited"))
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
    pulse_kg = PULSE_S * least_kg_s
    ahead_kg = TAIL_SHARE * pulse_kg if ask.falls else 0.0
    return ask.owed_kg > (0.0 if ask.last_kg_s > 0.0 else pulse_kg) - ahead_kg


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
