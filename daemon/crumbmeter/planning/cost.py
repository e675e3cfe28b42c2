"""What a ton of mix costs by the dry route, against a buyer's own price for binder modified before it comes. Pure.

Only what differs between the two is counted: binder, rubber, and running the feeder. Aggregate and recycled material
are taken as the same. Every price is an input; money has the currency of the inputs. No emissions are reckoned.
"""

import math

from crumbmeter.model.frozen import dataclass
from crumbmeter.planning.rubber import JobMix


@dataclass(frozen=True, slots=True)
class Prices:
    """Money for a kilogram, a day and so on."""

    rubber_per_kg: float
    freight_per_kg: float
    """Of rubber, to the plant."""
    binder_per_kg: float
    """Virgin binder as the dry route takes it."""
    modified_per_kg: float | None
    """The buyer's price of modified binder; None: not said."""
    modified_content: float | None
    """Total binder as a fraction of the mix with modified binder; None: as the mix has it."""
    feeder_per_s: float
    """For each second of production: hire, crew."""
    energy_per_j: float


@dataclass(frozen=True, slots=True)
class MixCost:
    """Money for a kilogram of one mix."""

    mix_id: str
    mass_kg: float
    binder_per_kg: float
    rubber_per_kg: float
    """With its waste and freight."""
    running_per_kg: float
    modified_share: float
    """[kg/kg] Modified binder in the buyer's mix."""
    modified_per_kg: float | None
    """The buyer's route; None: no price was said."""

    @property
    def dry_per_kg(self) -> float:
        """Return the dry route."""
        return self.binder_per_kg + self.rubber_per_kg + self.running_per_kg

    @property
    def break_even_per_kg(self) -> float | None:
        """Return the price of a kilogram of modified binder; None: the buyer's mix takes none."""
        return self.dry_per_kg / self.modified_share if self.modified_share > 0.0 else None


def mix_cost(mix: JobMix, prices: Prices, waste: float, mix_kg_s: float, mean_w: float) -> MixCost:
    """Reckon one mix.

    Args:
        mix: Of the job.
        prices: Inputs, all of them.
        waste: Rubber wasted, as a fraction of the rubber in the mix.
        mix_kg_s: [kg/s] Typical rate of the plant.
        mean_w: [W] Mean electric power of the feeder.
    """
    binder = mix.virgin_binder_share * prices.binder_per_kg
    rubber = mix.rubber_share * (1.0 + waste) * (prices.rubber_per_kg + prices.freight_per_kg)
    running = (prices.feeder_per_s + mean_w * prices.energy_per_j) / mix_kg_s
    content = mix.binder_content if prices.modified_content is None else prices.modified_content
    modified = max(0.0, content - mix.parts.recycle_binder)
    price = None if prices.modified_per_kg is None else modified * prices.modified_per_kg
    return MixCost(mix.mix_id, mix.mass_kg, binder, rubber, running, modified, price)


@dataclass(frozen=True, slots=True)
class JobCost:
    """The whole job: means over its mass."""

    dry_per_kg: float
    modified_per_kg: float | None
    break_even_per_kg: float | None


def job_cost(mixes: tuple[MixCost, ...]) -> JobCost:
    """Add up the mixes of a job; the break-even price is the one price at which the whole job costs the same."""
    mass_kg = math.fsum(mix.mass_kg for mix in mixes)
    money = math.fsum(mix.dry_per_kg * mix.mass_kg for mix in mixes)
    prices = [mix.modified_per_kg * mix.mass_kg for mix in mixes if mix.modified_per_kg is not None]
    modified = math.fsum(prices) / mass_kg if len(prices) == len(mixes) else None
    binder_kg = math.fsum(mix.modified_share * mix.mass_kg for mix in mixes)
    return JobCost(money / mass_kg, modified, money / binder_kg if binder_kg > 0.0 else None)
