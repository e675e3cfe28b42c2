"""How much less the auger carries of rubber that has just fallen in: a third state of the weighing filter (REQ-7).

Fresh rubber is full of air, and while a fill lasts the weight says nothing of the flow. So the feed factor is taken to
be that of settled rubber times 1 - a x: x is the freshness, which a fill raises to 1 within seconds and which then
decays; a is not known, and belongs to the estimate. Its covariances see to it that the weights after a fill tell how
much of a surprise is air, which decays, and how much is the factor, which stays. How fast x rises is assumed, for
nothing in the weight could prove it. How fast it decays the site file says; a decay a little wrong is taken up by the
factor's wander, and a recorded run can tell a better one (air_decay.py).
"""

from math import exp, sqrt

from crumbmeter.model.frozen import dataclass, replace

RISE_S = 6.0
"""[s] From the beginning of a fill until all that the auger carries is fresh."""
DECAY_S = 25.0
"""[s] Time constant in which rubber gives off its air, where the site does not say (`fresh_air_decay_s`)."""
FIRST_DOUBT = 0.03
"""[1] Standard deviation of a before the first fill, when it is what the site file says (0 where that says nothing)."""
BETWEEN_FILLS = 0.005
"""[1] By so much a may change from one fill to the next."""
MOST = 0.3
"""[1] A larger share is taken for something else than air. Ours, without a source."""
CERTAIN = 0.01
"""[1] Air that is known to this share of the factor leaves the rest to be told of the level."""


@dataclass(frozen=True, slots=True)
class Aeration:
    """What is known of the air."""

    share: float = 0.0
    """[1] a: by so much less is carried of rubber that is all fresh."""
    fresh: float = 0.0
    """[1] x, 0 to 1."""
    var_aa: float = FIRST_DOUBT**2
    var_fa: float = 0.0
    """[kg/rev] Covariance with the factor."""
    var_ma: float = 0.0
    """[kg] Covariance with the content."""

    @property
    def ratio(self) -> float:
        """[1] Return the feed factor over that of settled rubber."""
        return 1.0 - self.share * self.fresh

    @property
    def certain(self) -> bool:
        """Tell whether the factor of settled rubber is known, apart from the air."""
        return self.fresh * sqrt(max(0.0, self.var_aa)) < CERTAIN


def decayed(fresh: float, dt_s: float, decay_s: float) -> float:
    """Return the freshness after `dt_s` [s] without a fill; `decay_s` [s] is the time constant."""
    return fresh * exp(-dt_s / decay_s) if fresh > 1e-6 else 0.0


def risen(fresh: float, dt_s: float) -> float:
    """Return the freshness after `dt_s` [s] of a fill."""
    return min(1.0, fresh + dt_s / RISE_S)


def freshen(air: Aeration, fresh: float, factor_kg_rev: float) -> tuple[Aeration, float, float]:
    """Move the freshness on.

    Args:
        air: Before.
        fresh: [1] Freshness afterwards.
        factor_kg_rev: [kg/rev] Feed factor before.

    Returns:
        Air afterwards, the feed factor [kg/rev] afterwards, and what its variance [kg^2/rev^2] grows by.
    """
    if fresh == air.fresh:
        return air, factor_kg_rev, 0.0
    after = replace(air, fresh=fresh)
    factor = factor_kg_rev * after.ratio / air.ratio
    slope = factor_kg_rev * (air.fresh - fresh) / (air.ratio * air.ratio)  # of the factor over a
    grown = slope * (2.0 * air.var_fa + slope * air.var_aa)
    return replace(after, var_fa=air.var_fa + slope * air.var_aa), factor, grown


def corrected(air: Aeration, surprise_kg: float, variance_kg2: float, gain_m: float, gain_f: float) -> Aeration:
    """Take a weight that differs from the expected one.

    Args:
        air: Before.
        surprise_kg: [kg] Weight less expectation.
        variance_kg2: [kg^2] Of that.
        gain_m: [1] Of the content.
        gain_f: [1/rev] Of the factor.
    """
    gain_a = air.var_ma / variance_kg2
    return replace(
        air, share=min(MOST, max(0.0, air.share + gain_a * surprise_kg)), var_aa=air.var_aa - gain_a * air.var_ma,
        var_fa=air.var_fa - gain_f * air.var_ma, var_ma=air.var_ma * (1.0 - gain_m),
    )  # fmt: skip
