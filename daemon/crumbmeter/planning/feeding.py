"""Can the feeder do it? Auger speeds against the calibrated range, and refilling the weigh hopper. SI. Pure."""

from crumbmeter.model.frozen import dataclass


@dataclass(frozen=True, slots=True)
class FeederPlan:
    """What is known of a feeder. None: not known."""

    feed_factor_kg_rev: float | None = None
    low_rev_s: float | None = None
    """[rev/s] Lowest speed at which it was calibrated."""
    high_rev_s: float | None = None
    most_kg_s: float | None = None
    """[kg/s] Hard limit of the feed."""
    refill_at_kg: float | None = None
    """[kg] Content of the weigh hopper at which a refill begins."""
    refill_to_kg: float | None = None
    refill_kg_s: float | None = None
    """[kg/s] Into the weigh hopper while its gate is open."""
    settle_s: float = 0.0
    """[s] After a refill in which the weight is not believed yet."""
    most_refill_s: float | None = None
    """[s] A refill may take no longer."""
    most_refill_share: float | None = None
    """Of the time may be spent in refill."""
    supply_kg: float | None = None
    """[kg] The supply hopper holds."""
    supply_low_kg: float | None = None
    """[kg] Left in it when it calls for a bag."""

    @property
    def charge_kg(self) -> float | None:
        """[kg] Return what the weigh hopper gives between two refills."""
        return None if self.refill_at_kg is None or self.refill_to_kg is None else self.refill_to_kg - self.refill_at_kg

    @property
    def turndown(self) -> float | None:
        """Return highest over lowest calibrated speed."""
        return None if self.low_rev_s is None or self.high_rev_s is None else self.high_rev_s / self.low_rev_s

    def speed_rev_s(self, rubber_kg_s: float) -> float | None:
        """[rev/s] Return the auger's speed for a rate of rubber [kg/s]."""
        return None if self.feed_factor_kg_rev is None else rubber_kg_s / self.feed_factor_kg_rev


@dataclass(frozen=True, slots=True)
class Refilling:
    """The weigh hopper's round of emptying and filling at one rate of rubber."""

    lasts_s: float
    """[s] From full to the next refill."""
    refill_s: float | None
    """[s] A refill takes, with the auger feeding on. None: it never ends, as much goes out as comes in."""
    share: float
    """Of all time in which the weight tells nothing: refill, and settling after it."""
    per_hour: float


def refilling(feeder: FeederPlan, rubber_kg_s: float) -> Refilling | None:
    """Follow the weigh hopper through one round; None where the feeder's figures are not known, or nothing is fed."""
    charge_kg, refill_kg_s = feeder.charge_kg, feeder.refill_kg_s
    if charge_kg is None or refill_kg_s is None or rubber_kg_s <= 0.0:
        return None
    lasts_s = charge_kg / rubber_kg_s
    if refill_kg_s <= rubber_kg_s:
        return Refilling(lasts_s, None, 1.0, 0.0)
    refill_s = charge_kg / (refill_kg_s - rubber_kg_s)
    blind_s = refill_s + min(feeder.settle_s, lasts_s)
    return Refilling(lasts_s, refill_s, blind_s / (refill_s + lasts_s), 3600.0 / (refill_s + lasts_s))
