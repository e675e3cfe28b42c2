"""Keys of a site that describe a batch plant: its hand-shake, its transfer vessel, and what its batches are made of."""

from typing import Annotated, ClassVar, Literal

from pydantic import Field

from crumbmeter.site.keys.base import Choice, Keys, Name, Ref, choice
from crumbmeter.site.keys.feed import Mass, MassSignal, Rate
from crumbmeter.site.keys.plant import ContactSignal

CountSignal = Annotated[Name, Ref("signal", "count")]
Percent = Annotated[float, Field(gt=0, le=20)]


class BatchKeys(Keys):
    """A batch plant: the hand-shake with its controls, the transfer vessel, and how a charge is dosed and blown in."""

    mixer_running: ContactSignal = Field(description='Contact "pugmill turns".')
    rubber_wanted: ContactSignal = Field(
        description="Contact that is closed while the dry-mix window is open. Rubber is blown in while it is Good and "
        "closed, and at no other time."
    )
    weighed: ContactSignal = Field(
        description="Contact that is closed from when all of the next batch is weighed until it is dropped."
    )
    discharging: ContactSignal = Field(
        description='Contact "pugmill gate open". A batch is booked when it opens again.'
    )
    aborted: ContactSignal | None = Field(
        default=None,
        description="Contact that is closed while a batch is thrown away. Left out, such a batch is booked as mix.",
    )
    counter: CountSignal = Field(description="Signal with the batch counter: one more at each drop into the pugmill.")
    counter_wraps_at: Annotated[int, Field(ge=4, le=4294967296)] = Field(
        description="Where the counter begins again: one more than its highest value."
    )
    longest_window_s: Annotated[float, Field(gt=0, le=900)] = Field(
        description="How long the plant holds the dry mix for the rubber at most, then it goes on or aborts by itself. "
        "A charge that would not be in by then is not begun."
    )
    normal_mix_tonne: Annotated[float, Field(gt=0, le=20)] | None = Field(
        default=None,
        description="Mix without rubber in a normal batch. For the figures of `check`; nothing is controlled by it.",
    )
    normal_mix_short_ton: Annotated[float, Field(gt=0, le=20)] | None = Field(
        default=None, description="The same in short tons."
    )
    vessel_mass: MassSignal = Field(description="Signal with the mass in the transfer vessel.")
    vessel_empty_kg: Mass | None = Field(default=None, description="Below this the vessel is empty.")
    vessel_empty_lb: Mass | None = Field(default=None, description="The same in pounds.")
    vessel_full_kg: Mass | None = Field(default=None, description="Most that goes into the vessel.")
    vessel_full_lb: Mass | None = Field(default=None, description="The same in pounds.")
    vessel_lag_s: Annotated[float, Field(ge=0, le=10)] = Field(
        default=0.0, description="Mean delay of the averaging in the vessel's scale: what is released is seen so late."
    )
    dose_rate_kg_min: Rate | None = Field(default=None, description="Rate at which the most of a charge is dosed.")
    dose_rate_lb_min: Rate | None = Field(default=None, description="The same in pounds per minute.")
    dribble_rate_kg_min: Rate | None = Field(default=None, description="Rate of the last part of a charge.")
    dribble_rate_lb_min: Rate | None = Field(default=None, description="The same in pounds per minute.")
    dribble_kg: Mass | None = Field(
        default=None, description="That last part. It must hold the slowing down from the one rate to the other."
    )
    dribble_lb: Mass | None = Field(default=None, description="The same in pounds.")
    settle_s: Annotated[float, Field(gt=0, le=60)] = Field(
        description="After a charge the weights come to rest within this; then it is weighed."
    )
    release_rate_kg_min: Rate | None = Field(
        default=None, description="How fast the vessel empties into the line with its valve open."
    )
    release_rate_lb_min: Rate | None = Field(default=None, description="The same in pounds per minute.")
    release_lag_s: Annotated[float, Field(ge=0, le=10)] = Field(
        description="From the command to the valve until no more comes out. Where the learning of it starts."
    )
    tail_s: Annotated[float, Field(ge=0, le=60)] = Field(
        description='The last dust arrives so long after the line\'s travel; then "delivered" is said.'
    )
    blower_run_down_s: Annotated[float, Field(ge=0, le=120)] = Field(
        default=0.0, description="The blower's way from full speed to rest: rubber goes on moving meanwhile."
    )
    charge_percent: Percent = Field(
        default=2.0, description="A charge is right within so much of its target; else it is topped up."
    )
    agree_percent: Percent = Field(
        default=5.0,
        description="Weigh hopper and vessel must agree within so much of the charge (and within vessel_empty); "
        'else "ready" is withheld.',
    )

    choices: ClassVar[dict[str, Choice]] = {
        "normal_mix": choice(normal_mix_tonne="tonne", normal_mix_short_ton="short_ton"),
        "vessel_empty": choice(vessel_empty_kg="kg", vessel_empty_lb="lb"),
        "vessel_full": choice(vessel_full_kg="kg", vessel_full_lb="lb"),
        "dose_rate": choice(dose_rate_kg_min="kg/min", dose_rate_lb_min="lb/min"),
        "dribble_rate": choice(dribble_rate_kg_min="kg/min", dribble_rate_lb_min="lb/min"),
        "dribble": choice(dribble_kg="kg", dribble_lb="lb"),
        "release_rate": choice(release_rate_kg_min="kg/min", release_rate_lb_min="lb/min"),
    }


class IngredientKeys(Keys):
    """One ingredient of a batch, and the weigh hopper that it is weighed in."""

    kind: Literal["aggregate", "recycle", "filler", "binder"] = Field(
        description="`recycle` is RAP or RAS, it carries binder; `binder` is virgin binder."
    )
    mass: MassSignal = Field(description="Signal with the mass on its weigh hopper. Each ingredient has its own.")
    announced: MassSignal | None = Field(
        default=None,
        description="Signal with what the plant says that the next batch takes of it; a charge can then be dosed ahead "
        "for it. Left out for all, the batch before stands for the next one.",
    )
    state: Literal["wet", "dry"] | None = Field(
        default=None, description="`wet`: the weight counts water, which is taken off here. Hot bins are dry."
    )
    moisture_percent: Annotated[float, Field(ge=0, le=30)] | None = Field(
        default=None, description='Water in percent of DRY mass (AASHTO T 255). Only for `state = "wet"`.'
    )
    binder_percent: Annotated[float, Field(ge=0, le=40)] | None = Field(
        default=None, description="Binder it carries, in percent of its dry mass. Only for recycle."
    )
    share_percent: Annotated[float, Field(gt=0, le=100)] | None = Field(
        default=None,
        description="Its dry share of the solids of a normal batch. For the figures of `check`; not for binder.",
    )
