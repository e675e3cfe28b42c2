"""What the estimator of the feed knows from one scan to the next, and what it says of a scan."""

from crumbmeter.estimation.aeration import Aeration
from crumbmeter.estimation.levelmap import LevelMap
from crumbmeter.estimation.params import WeighingParams
from crumbmeter.model.frozen import dataclass

LEARNED = 0.02
"""Relative standard uncertainty at which a factor counts as known: told by the weight, or by a fresh catch test."""


@dataclass(frozen=True, slots=True)
class WeighingState:
    """What the estimator knows."""

    started: bool
    """Whether a weight has ever come."""
    mass_kg: float
    """[kg] Content; 0 before the first weight."""
    factor_kg_rev: float
    mean_factor_kg_rev: float
    var_mm: float
    var_mf: float
    var_ff: float
    noise_kg: float
    """[kg] Standard deviation of the weight, learned."""
    refused_s: float
    """[s] For how long weights have been refused."""
    first_surprise_kg: float
    """[kg] Weight less expectation at the first of these refusals."""
    refilling: bool
    refill_s: float
    """[s] How long the present or last refill has lasted."""
    settle_left_s: float
    """[s] Until the weight is believed again after a refill."""
    unbooked_kg: float
    """[kg] Correction of the content that is still to be booked as fed (positive) or not fed."""
    level: LevelMap
    air: Aeration
    stood_s: float = 0.0
    """[s] For how long the auger has stood; it is not counted far."""
    lag_kg: float = 0.0
    """[kg] By so much the scale shows more than there is, for it averages while the content falls."""
    learned: bool = False
    """The factor is known; until then it is the site file's word, with its doubt, and the view says "learning"."""
    taught_s: float = 0.0
    """[s] For how long the weight has told of the factor since."""
    fed_kg: float = 0.0
    """[kg] Booked in all since the start."""
    turned_rev: float = 0.0
    """[rev] The auger's way in all since the start."""
    leak_kg_s: float = 0.0
    """[kg/s] Trickles in through the shut gate, and is reckoned with."""
    leak_uncertainty_kg_s: float = 0.0


def believable_factor(state: WeighingState, params: WeighingParams) -> float:
    """[kg/rev] Return the factor that a setpoint may be divided by: a bridge must be alarmed, not chased.

    Outside the believable band it is the mean factor at this level.
    """
    low, high = params.feed_factor_low_kg_rev, params.feed_factor_high_kg_rev
    if low <= state.factor_kg_rev <= high:
        return state.factor_kg_rev
    return min(high, max(low, state.mean_factor_kg_rev * level_ratio(state, params, state.mass_kg) * state.air.ratio))


@dataclass(frozen=True, slots=True)
class Flow:
    """What left the auger in one scan."""

    rate_kg_s: float
    uncertainty_kg_s: float
    """[kg/s] Standard uncertainty of the rate, k=1."""
    fed_kg: float
    """[kg] In this scan, with the part of earlier corrections that is booked now."""
    fed_uncertainty_kg: float
    believed: bool
    """Whether the weight took part (false while refilling, settling, or with the weight Bad)."""


def new_weighing(params: WeighingParams) -> WeighingState:
    """Start from the catch tests' factor, trusted as far as the site file says."""
    factor = params.feed_factor_kg_rev
    return WeighingState(
        started=False,
        mass_kg=0.0,
        factor_kg_rev=factor,
        mean_factor_kg_rev=factor,
        var_mm=0.0,
        var_mf=0.0,
        var_ff=(params.feed_factor_doubt * factor) ** 2,
        noise_kg=params.mass_noise_kg,
        refused_s=0.0,
        first_surprise_kg=0.0,
        refilling=False,
        refill_s=0.0,
        settle_left_s=0.0,
        unbooked_kg=0.0,
        level=LevelMap(),
        air=Aeration(share=params.fresh_air),
        learned=params.feed_factor_doubt <= LEARNED,
    )


def level_ratio(state: WeighingState, params: WeighingParams, mass_kg: float) -> float:
    """[1] Return the level map's ratio at a content of `mass_kg` [kg]."""
    return state.level.ratio((mass_kg - params.low_mass_kg) / (params.full_mass_kg - params.low_mass_kg))
