"""What the weigh-hopper estimator needs to know."""

from crumbmeter.estimation.aeration import DECAY_S
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
    fresh_air: float = 0.0
    """By so much less is carried of rubber that is all fresh, before the first fill has told it."""
    fresh_air_decay_s: float = DECAY_S
    """[s] Time constant in which fresh rubber gives off its air."""


@dataclass(frozen=True, slots=True)
class Within:
    """How exactly something is known: the true value lies within so much of the stated one, anywhere in between."""

    half_width: float
    stated: bool = False
    """Whether the site file states it. Where it does not, the daemon's default is assumed, and said to be."""


@dataclass(frozen=True, slots=True)
class UncertaintyParams:
    """What the site knows of its instruments. The defaults have their sources in site/keys/uncertainty.py."""

    hopper_scale: Within = Within(0.02)
    """Span of the weigh hopper, as a fraction."""
    aggregate_scale: Within = Within(0.01)
    aggregate_moisture: Within = Within(0.005)
    """Water of virgin material, as a fraction of dry mass."""
    recycle_scale: Within = Within(0.01)
    recycle_moisture: Within = Within(0.01)
    recycle_binder: Within = Within(0.005)
    """Binder in recycle, as a fraction of its dry mass."""
    binder_meter: Within = Within(0.01)
    travel_s: Within = Within(5.0)
    """[s] Travel of the material against that of the rubber."""
    ticket_scale: Within = Within(0.002)
    bag_scale: Within = Within(0.01)
    supply_scale: Within = Within(0.02)
    waste: Within = Within(0.1)
    """Of what was wasted, dumped or caught, as a fraction of it."""
    silo_level_kg: Within = Within(4000.0)
    """[kg] Of one reading of the silo's level."""
    window_kg: float = 20_000.0
    """[kg] Mix over which the live dose is given with its uncertainty."""
