"""What the weigh-hopper estimator needs to know."""

from crumbmeter.model.frozen import dataclass


@dataclass(frozen=True, slots=True)
class WeighingParams:
    """The weigh hopper and the auger's feed factor."""

    hopper_mass: int
    """Index of the signal with the net mass in the weigh hopper [kg]."""
    auger_speed: int | None
    """Index of the signal with the measured auger speed [rev/s]. None: the speed asked for is taken."""
    refilling: int | None
    """Index of the contact "refill gate open". None: refills are found from the mass alone."""
    feed_factor_kg_rev: float
    """[kg/rev] From the catch tests; where the estimator starts."""
    feed_factor_low_kg_rev: float
    feed_factor_high_kg_rev: float
    """[kg/rev] Outside this band the factor is not believed."""
    mass_noise_kg: float
    """[kg] Standard deviation of the mass reading while the auger runs (it is also learned from the innovations)."""
    factor_drift_per_s: float
    """[1/s^0.5] Relative random walk of the feed factor: how fast it may wander."""
    settle_after_refill_s: float
    """[s] The mass is not believed for so long after a refill ends."""
    max_refill_s: float
    """[s] A refill longer than this is a fault of its own."""
    low_mass_kg: float
    """[kg] Below this the auger may run empty."""
    full_mass_kg: float
    """[kg] Highest content; with `low_mass_kg` it spans the level map of the feed factor."""
    mass_filter_s: float = 0.5
    """[s] The scale's own averaging: so far it lags behind a content that falls."""
    feed_factor_doubt: float = 0.1
    """Relative standard uncertainty of `feed_factor_kg_rev` before the weight has told anything."""
