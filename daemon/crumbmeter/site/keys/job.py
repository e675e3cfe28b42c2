"""Keys of a job file: what is to be made, with what, and what it costs. For planning; nothing is steered by it.

What is not known is left out: the checks that need it then say so, and nothing is guessed in its place.
"""

from typing import Annotated, ClassVar, Literal

from pydantic import Field

from crumbmeter.model.units import POUND_KG
from crumbmeter.site.keys.base import Choice, Keys, Name, Ref, Text, choice

Ton = Annotated[float, Field(gt=0, le=5_000_000)] | None
Rate = Annotated[float, Field(gt=0, le=2000)] | None
Mass = Annotated[float, Field(gt=0, le=100_000)] | None
Flow = Annotated[float, Field(gt=0, le=10_000)] | None
Length = Annotated[float, Field(ge=0, le=2000)] | None
Money = Annotated[float, Field(ge=0, le=1_000_000)] | None
Percent = Annotated[float, Field(ge=0, le=100)]
Speed = Annotated[float, Field(gt=0, le=600)] | None
SAME_LB = "The same in pounds."
SAME_SHORT = "The same in short tons."


class JobKeys(Keys):
    """What the job is."""

    title: Text = Field(description="Name of the job.")
    location: Text | None = Field(default=None, description="Where the plant stands.")
    invented: bool = Field(default=False, description="Whether job and figures are invented: the plan then says so.")
    units: Literal["us", "metric"] = Field(description="How the plan shows numbers, and its paper.")


class RateKeys(Keys):
    """Rates of the plant: of mix with its rubber, as it leaves."""

    lowest_short_ton_h: Rate = Field(default=None, description="Lowest rate at which mix is made.")
    lowest_tonne_h: Rate = Field(default=None, description="The same in tonnes.")
    typical_short_ton_h: Rate = Field(default=None, description="What it mostly runs at.")
    typical_tonne_h: Rate = Field(default=None, description="The same in tonnes.")
    highest_short_ton_h: Rate = Field(default=None, description="Highest rate.")
    highest_tonne_h: Rate = Field(default=None, description="The same in tonnes.")
    hours_a_day: Annotated[float, Field(gt=0, le=24)] = Field(description="Production in a day.")

    choices: ClassVar[dict[str, Choice]] = {
        "lowest": choice(lowest_short_ton_h="short_ton/h", lowest_tonne_h="tonne/h"),
        "typical": choice(typical_short_ton_h="short_ton/h", typical_tonne_h="tonne/h"),
        "highest": choice(highest_short_ton_h="short_ton/h", highest_tonne_h="tonne/h"),
    }


class JobMixKeys(Keys):
    """One mix, by its job mix formula. With `site_mix`, dose and binder come from the site file."""

    title: Text | None = Field(default=None, description="Name of the mix; left out: that of the site's mix, or NAME.")
    site_mix: Annotated[Name, Ref("mix")] | None = Field(
        default=None, description="Mix of the site file (`--site`) whose dose and binder content are taken."
    )
    mass_short_ton: Ton = Field(default=None, description="To be made, with its rubber.")
    mass_tonne: Ton = Field(default=None, description="The same in tonnes.")
    dose_basis: (
        Literal["total_mix", "added_to_mix", "total_binder", "binder_rubber_blend", "virgin_binder", "dry_aggregate"]
        | None
    ) = Field(default=None, description="What the dose is a share of, as in a site file.")
    dose_percent: Annotated[float, Field(ge=0, le=60)] | None = Field(
        default=None, description="Dose in percent of the basis. 0 is a mix without rubber."
    )
    dose_lb_per_short_ton: Annotated[float, Field(ge=0, le=1200)] | None = Field(
        default=None, description="Dose in pounds per short ton of mix. Only for total_mix and added_to_mix."
    )
    dose_kg_per_tonne: Annotated[float, Field(ge=0, le=600)] | None = Field(
        default=None, description="Dose in kilograms per tonne of mix. Only for total_mix and added_to_mix."
    )
    total_binder_percent: Annotated[float, Field(gt=0, le=15)] | None = Field(
        default=None, description="Total binder in percent of the mix without rubber."
    )
    recycle_percent: Percent = Field(
        default=0.0, description="Dry recycled material with its binder, in percent of the mix without rubber."
    )
    recycle_binder_percent: Annotated[float, Field(ge=0, le=40)] = Field(
        default=0.0, description="Binder in the recycled material, in percent of its dry mass."
    )

    choices: ClassVar[dict[str, Choice]] = {
        "mass": choice(mass_short_ton="short_ton", mass_tonne="tonne"),
        "dose": Choice(
            (("dose_percent", 0.01), ("dose_lb_per_short_ton", 1 / 2000), ("dose_kg_per_tonne", 0.001)), required=False
        ),
    }


class JobBagKeys(Keys):
    """How the rubber comes."""

    mass_kg: Mass = Field(default=None, description="Rubber in a bag.")
    mass_lb: Mass = Field(default=None, description=SAME_LB)
    a_truck: Annotated[int, Field(ge=1, le=1000)] | None = Field(default=None, description="Bags that a truck brings.")
    on_hand: Annotated[int, Field(ge=0, le=100_000)] = Field(default=0, description="Full bags in stock.")
    change_min: Annotated[float, Field(gt=0, le=240)] | None = Field(
        default=None, description="What a change of bag takes, from the supply hopper's call to rubber flowing."
    )
    waste_percent: Percent = Field(
        description="Rubber spilt, torn or left over that is bought beyond what goes into the mix, in percent of that."
    )

    choices: ClassVar[dict[str, Choice]] = {"mass": choice(mass_kg="kg", mass_lb="lb")}


class JobFeederKeys(Keys):
    """The feeder. What is left out is taken from the site file where one is given (`--site`)."""

    feed_factor_kg_rev: Annotated[float, Field(gt=0, le=100)] | None = Field(
        default=None, description="Rubber per turn of the auger, from catch tests."
    )
    feed_factor_lb_rev: Annotated[float, Field(gt=0, le=200)] | None = Field(default=None, description=SAME_LB)
    calibrated_low_rpm: Speed = Field(
        default=None, description="Lowest speed of a catch test; of a site: the lowest that the auger holds steadily."
    )
    calibrated_high_rpm: Speed = Field(default=None, description="Highest speed of a catch test; of a site: its limit.")
    max_rate_kg_min: Flow = Field(default=None, description="Hard limit of the feed.")
    max_rate_lb_min: Flow = Field(default=None, description=SAME_LB)
    refill_at_kg: Mass = Field(default=None, description="Content of the weigh hopper at which a refill begins.")
    refill_at_lb: Mass = Field(default=None, description=SAME_LB)
    refill_to_kg: Mass = Field(default=None, description="Content at which it ends.")
    refill_to_lb: Mass = Field(default=None, description=SAME_LB)
    refill_rate_kg_min: Flow = Field(default=None, description="Into the weigh hopper while its gate is open.")
    refill_rate_lb_min: Flow = Field(default=None, description=SAME_LB)
    settle_after_refill_s: Annotated[float, Field(ge=0, le=120)] | None = Field(
        default=None, description="After a refill in which the weight is not believed yet. Not known anywhere: 0."
    )
    max_refill_s: Annotated[float, Field(gt=0, le=900)] | None = Field(
        default=None, description="A refill may take no longer."
    )
    most_refill_percent: Annotated[float, Field(gt=0, le=100)] | None = Field(
        default=None, description="Largest share of the time in refill that you accept: the weight tells nothing then."
    )
    supply_kg: Mass = Field(default=None, description="What the supply hopper holds.")
    supply_lb: Mass = Field(default=None, description=SAME_LB)
    supply_low_kg: Mass = Field(default=None, description="What is left in it when it calls for a bag.")
    supply_low_lb: Mass = Field(default=None, description=SAME_LB)

    choices: ClassVar[dict[str, Choice]] = {
        "feed_factor": Choice((("feed_factor_kg_rev", 1.0), ("feed_factor_lb_rev", POUND_KG)), required=False),
        "max_rate": choice(False, max_rate_kg_min="kg/min", max_rate_lb_min="lb/min"),
        "refill_at": choice(False, refill_at_kg="kg", refill_at_lb="lb"),
        "refill_to": choice(False, refill_to_kg="kg", refill_to_lb="lb"),
        "refill_rate": choice(False, refill_rate_kg_min="kg/min", refill_rate_lb_min="lb/min"),
        "supply": choice(False, supply_kg="kg", supply_lb="lb"),
        "supply_low": choice(False, supply_low_kg="kg", supply_low_lb="lb"),
    }


class JobLineKeys(Keys):
    """Conveying line and blower. Bore, air and grain are taken from the site file where they are left out."""

    inner_diameter_mm: Annotated[float, Field(ge=20, le=500)] | None = Field(default=None, description="Of the pipe.")
    horizontal_m: Length = Field(default=None, description="Level pipe and hose, summed.")
    horizontal_ft: Length = Field(default=None, description="The same in feet.")
    vertical_m: Length = Field(default=None, description="Upward pipe, summed.")
    vertical_ft: Length = Field(default=None, description="The same in feet.")
    bends: Annotated[int, Field(ge=0, le=100)] | None = Field(default=None, description="Bends of 90 degrees.")
    roughness_mm: Annotated[float, Field(ge=0, le=5)] = Field(
        default=0.05, description="Of the pipe's wall; about 0.05 for drawn or welded steel. From memory."
    )
    particle_mm: Annotated[float, Field(ge=0.01, le=5)] | None = Field(
        default=None, description="Size of the rubber's grains."
    )
    particle_kg_m3: Annotated[float, Field(gt=100, le=5000)] | None = Field(
        default=None, description="Density of a grain (not of the heap); rubber is about 1150. From memory."
    )
    blower_inlet_m3_h: Annotated[float, Field(gt=0, le=20_000)] | None = Field(
        default=None, description="Air that the blower takes in, at the place's own pressure and temperature."
    )
    leakage_percent: Annotated[float, Field(ge=0, lt=100)] = Field(
        default=0.0, description="Share of that air that the airlock lets go."
    )
    altitude_m: Annotated[float, Field(ge=-400, le=5000)] | None = Field(
        default=None, description="Of the plant over the sea. Left out: the site file's, else 0."
    )
    ambient_c: Annotated[float, Field(ge=-40, le=60)] = Field(
        default=15.0, description="Temperature of the air that the blower takes in."
    )
    air_temperature_c: Annotated[float, Field(ge=-40, le=150)] | None = Field(
        default=None, description="Of the air in the line. Left out: the site file's, else `ambient_c`."
    )
    other_loss_kpa: Annotated[float, Field(ge=0, le=100)] = Field(
        default=0.0, description="Lost in filter, silencer and at the feeding point."
    )
    most_kpa: Annotated[float, Field(gt=0, le=300)] | None = Field(
        default=None, description="Highest pressure of the blower, by data sheet or relief valve."
    )
    most_psi: Annotated[float, Field(gt=0, le=50)] | None = Field(default=None, description="The same in psi.")
    efficiency_percent: Annotated[float, Field(gt=0, le=100)] | None = Field(
        default=None, description="Of blower and drive, by the data sheet."
    )
    motor_kw: Annotated[float, Field(gt=0, le=1000)] | None = Field(
        default=None, description="What the blower's motor gives at its shaft."
    )

    choices: ClassVar[dict[str, Choice]] = {
        "horizontal": choice(False, horizontal_m="m", horizontal_ft="ft"),
        "vertical": choice(False, vertical_m="m", vertical_ft="ft"),
        "most": choice(False, most_kpa="kPa", most_psi="psi"),
    }


class LoadKeys(Keys):
    """One electric load."""

    name: Annotated[Text, Field(max_length=40)] = Field(description="What it is.")
    power_kw: Annotated[float, Field(gt=0, le=2000)] = Field(description="Electric power at full load.")
    voltage_v: Annotated[float, Field(gt=0, le=1000)] = Field(description="Between phases where there are three.")
    phases: Literal[1, 3] = Field(description="1 or 3.")
    power_factor: Annotated[float, Field(gt=0, le=1)] = Field(description="At full load; all are taken as inductive.")
    duty_percent: Annotated[float, Field(ge=0, le=100)] = Field(
        default=100.0, description="Share of production in which it runs; for energy, not for current."
    )


class SupplyKeys(Keys):
    """The electric supply of the feeder."""

    voltage_v: Annotated[float, Field(gt=0, le=1000)] = Field(description="Between phases where there are three.")
    phases: Literal[1, 3] = Field(description="1 or 3.")
    most_a: Annotated[float, Field(gt=0, le=5000)] | None = Field(default=None, description="What it may give.")
    diversity_percent: Annotated[float, Field(gt=0, le=100)] = Field(
        default=100.0, description="Share of the connected load that ever runs at once."
    )


class PriceKeys(Keys):
    """Prices: all are inputs, in one currency. None is known to the program."""

    currency: Annotated[Text, Field(max_length=8)] = Field(description="Such as USD.")
    rubber_per_short_ton: Money = Field(default=None, description="Rubber, without freight.")
    rubber_per_tonne: Money = Field(default=None, description="The same by the tonne.")
    freight_per_truck: Annotated[float, Field(ge=0, le=1_000_000)] = Field(
        default=0.0, description="Of a truck of bags (`[bags] a_truck`)."
    )
    binder_per_short_ton: Money = Field(default=None, description="Virgin binder that the dry route takes.")
    binder_per_tonne: Money = Field(default=None, description="The same by the tonne.")
    modified_binder_per_short_ton: Money = Field(
        default=None, description="Your own price of binder that comes already modified."
    )
    modified_binder_per_tonne: Money = Field(default=None, description="The same by the tonne.")
    modified_total_binder_percent: Annotated[float, Field(gt=0, le=15)] | None = Field(
        default=None, description="Total binder of the mix with it. Left out: as each mix has it."
    )
    feeder_per_day: Annotated[float, Field(ge=0, le=1_000_000)] = Field(
        default=0.0, description="Hire and crew of the feeder for a day of production."
    )
    energy_per_kwh: Annotated[float, Field(ge=0, le=100)] = Field(default=0.0, description="Electric energy.")

    choices: ClassVar[dict[str, Choice]] = {
        "rubber": choice(rubber_per_short_ton="short_ton", rubber_per_tonne="tonne"),
        "binder": choice(binder_per_short_ton="short_ton", binder_per_tonne="tonne"),
        "modified_binder": choice(False, modified_binder_per_short_ton="short_ton", modified_binder_per_tonne="tonne"),
    }

    def money_per_kg(self, quantity: str) -> float | None:
        """Return the price of a kilogram: of a price, the unit's mass stands below the line."""
        for key, mass_kg in self.choices[quantity].keys:
            value = getattr(self, key)
            if value is not None:
                return float(value) / mass_kg
        return None


class JobFile(Keys):
    """One job file."""

    job: JobKeys = Field(description="What the job is.")
    rates: RateKeys = Field(description="Rates of the plant.")
    mixes: dict[Name, JobMixKeys] = Field(min_length=1, max_length=4, description="Mixes, by name; at most four.")
    bags: JobBagKeys = Field(description="How the rubber comes.")
    feeder: JobFeederKeys = Field(default_factory=JobFeederKeys, description="The feeder.")
    line: JobLineKeys = Field(default_factory=JobLineKeys, description="Conveying line and blower.")
    loads: Annotated[tuple[LoadKeys, ...], Field(strict=False, max_length=8)] = Field(
        default=(), description="Electric loads; at most eight."
    )
    supply: SupplyKeys | None = Field(default=None, description="The electric supply.")
    prices: PriceKeys | None = Field(default=None, description="Prices.")
