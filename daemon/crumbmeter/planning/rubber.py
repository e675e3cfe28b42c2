"""How much rubber a job takes: by the hour at each rate of the plant, in total, in bags and trucks. SI. Pure.

Masses and rates of mix are those that leave the plant: with the rubber. Every basis of the dose goes through the same
functions as the setpoint (`process.dose`).
"""

import math

from crumbmeter.model.frozen import dataclass
from crumbmeter.process.dose import Mix, rubber_for
from crumbmeter.process.params import DoseBasis


@dataclass(frozen=True, slots=True)
class JobMix:
    """One mix of a job, by its job mix formula."""

    mix_id: str
    title: str
    mass_kg: float
    """[kg] To be made, with the rubber."""
    basis: DoseBasis
    dose: float
    """Fraction of the basis."""
    binder_content: float
    """Total binder as a fraction of the mix without rubber."""
    recycle: float = 0.0
    """Dry recycled material as a fraction of the mix without rubber."""
    recycle_binder_content: float = 0.0
    """Binder as a fraction of the recycled material's dry mass."""

    @property
    def parts(self) -> Mix:
        """Return the parts of one kilogram of the mix without rubber."""
        recycle_binder = self.recycle * self.recycle_binder_content
        virgin = max(0.0, self.binder_content - recycle_binder)
        return Mix(1.0 - self.recycle - virgin, self.recycle, recycle_binder, virgin)

    @property
    def rubber_ratio(self) -> float:
        """Return rubber over the mix without it."""
        return rubber_for(self.basis, self.dose, self.parts)

    @property
    def rubber_share(self) -> float:
        """Return rubber over the mix with it."""
        return self.rubber_ratio / (1.0 + self.rubber_ratio)

    @property
    def virgin_binder_share(self) -> float:
        """Return virgin binder over the mix with the rubber."""
        return self.parts.virgin_binder / (1.0 + self.rubber_ratio)

    @property
    def rubber_kg(self) -> float:
        """[kg] Return the rubber in all that is to be made of it."""
        return self.mass_kg * self.rubber_share


@dataclass(frozen=True, slots=True)
class Rates:
    """Rates of the plant [kg/s] of mix with rubber, and the hours it works."""

    lowest_kg_s: float
    typical_kg_s: float
    highest_kg_s: float
    day_s: float
    """[s] Of production in a day."""

    def named(self) -> tuple[tuple[str, float], ...]:
        """Return each rate with its name."""
        return (("lowest", self.lowest_kg_s), ("typical", self.typical_kg_s), ("highest", self.highest_kg_s))


@dataclass(frozen=True, slots=True)
class Hour:
    """One mix at one rate."""

    mix_id: str
    rate_name: str
    mix_kg_s: float
    rubber_kg_s: float
    lasts_s: float
    """[s] Of production to make all of the mix at this rate."""


@dataclass(frozen=True, slots=True)
class Bags:
    """How the rubber comes."""

    bag_kg: float
    truck_bags: int | None = None
    on_hand_bags: int = 0
    change_s: float | None = None
    """[s] To change a bag."""
    waste: float = 0.0
    """Rubber that is spilt, torn or left over, as a fraction of the rubber in the mix."""


@dataclass(frozen=True, slots=True)
class Needs:
    """What the whole job takes."""

    mix_kg: float
    rubber_kg: float
    """[kg] In the mix."""
    waste_kg: float
    bags: int
    """For both."""
    deliver_bags: int
    """Beyond those in stock."""
    trucks: int | None
    """None: not known how many bags a truck carries."""
    production_s: float
    """[s] At the typical rate."""
    days: int
    day_bags: int
    """For a day at the typical rate, of the mix that takes the most rubber; never more than for the job."""


def hours(mixes: tuple[JobMix, ...], rates: Rates) -> tuple[Hour, ...]:
    """Return the rubber by the hour for every mix at every rate."""
    return tuple(
        Hour(mix.mix_id, name, rate_kg_s, rate_kg_s * mix.rubber_share, mix.mass_kg / rate_kg_s)
        for mix in mixes
        for name, rate_kg_s in rates.named()
    )


def needs(mixes: tuple[JobMix, ...], rates: Rates, bags: Bags) -> Needs:
    """Add up a job."""
    mix_kg = math.fsum(mix.mass_kg for mix in mixes)
    rubber_kg = math.fsum(mix.rubber_kg for mix in mixes)
    waste_kg = rubber_kg * bags.waste
    count = whole((rubber_kg + waste_kg) / bags.bag_kg)
    deliver = max(0, count - bags.on_hand_bags)
    trucks = None if bags.truck_bags is None else whole(deliver / bags.truck_bags)
    production_s = mix_kg / rates.typical_kg_s
    most = max((mix.rubber_share for mix in mixes), default=0.0)
    day = whole(min(rates.day_s * rates.typical_kg_s * most * (1.0 + bags.waste) / bags.bag_kg, count))
    return Needs(
        mix_kg, rubber_kg, waste_kg, count, deliver, trucks, production_s, whole(production_s / rates.day_s), day
    )


def whole(count: float) -> int:
    """Round up to whole pieces; what a sum's last bits make too much is no piece."""
    return math.ceil(count - 1e-9 * max(1.0, count))
