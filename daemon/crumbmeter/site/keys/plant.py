"""Keys of a site that describe the plant: streams and their travel, drum, line, mixes."""

from typing import Annotated, ClassVar, Literal

from pydantic import Field

from crumbmeter.site.keys.base import Choice, Keys, Name, Ref, Text, choice

MassFlowSignal = Annotated[Name, Ref("signal", "mass_flow")]
SpeedSignal = Annotated[Name, Ref("signal", "speed")]
ContactSignal = Annotated[Name, Ref("signal", "contact")]
Residence = Annotated[float, Field(ge=0, le=1800)]
Stages = Annotated[int, Field(ge=1, le=100)]


class SiteKeys(Keys):
    """What this site is, and how fast it is scanned."""

    id: Name = Field(description="Id of the site in every record.")
    title: Text = Field(description="Name of the site for people.")
    simulated: bool = Field(
        description="Whether the plant behind the devices is a simulator. Everything recorded carries the mark, and "
        "none of it enters a statistic."
    )
    clock_rate: Annotated[float, Field(ge=0.1, le=1000)] | None = Field(
        default=None,
        description="Process time per real time. A simulated site must say it; at a real plant it is 1 and may be "
        "left out.",
    )
    scan_period_s: Annotated[float, Field(ge=0.02, le=2)] = Field(description="Time between two scans.")
    parcel_kg: Annotated[float, Field(ge=20, le=5000)] | None = Field(
        default=None,
        description="Drum plant: size of a mix parcel, the unit of record. At a batch plant it is a batch.",
    )
    exchange_estimate_ms: Annotated[float, Field(ge=0.1, le=1000)] = Field(
        default=5.0, description="What one Modbus request and its reply take here; for the estimate of the bus load."
    )
    initial_reads: Annotated[int, Field(ge=0, le=20)] = Field(
        default=2,
        description="So many values of each signal are not used after a start or a lost link, and nothing is written "
        "before all required ones have been Good for so many scans.",
    )


class ControlKeys(Keys):
    """Whether the daemon may ever write."""

    allowed: bool = Field(
        description="`false`: monitor only, nothing is ever written. `true`: an integrator may enable control at "
        "run time, for exactly this file."
    )
    known_weight_percent: Annotated[float, Field(ge=0.1, le=20)] = Field(
        default=2.0,
        description="Before control is enabled, the hopper's weight must have agreed with a known weight within so "
        "much (`confirm-weight`), as it is read now. Not asked of a simulated site.",
    )


class TravelKeys(Keys):
    """The way of a stream's material from its scale to the injection point."""

    belt_length_m: Annotated[float, Field(ge=0, le=500)] = Field(
        description="Belts from the scale to the drum, summed."
    )
    belt_speed: SpeedSignal | None = Field(default=None, description="Signal with the belt speed.")
    belt_running: ContactSignal | None = Field(
        default=None,
        description='Contact "belt runs". With neither signal the belt is taken to run while its rate is above low '
        "flow.",
    )
    nominal_belt_speed_m_s: Annotated[float, Field(gt=0, le=10)] = Field(
        description="Belt speed where none is read (or while its reading is Bad)."
    )
    scale_filter_s: Annotated[float, Field(ge=0, le=60)] = Field(
        default=0.0,
        description="Mean delay of the scale's own averaging. Material is that much further than its rate says.",
    )
    drum_residence_s: Residence = Field(
        description="Mean travel from where it enters the drum to the injection point, at nominal drum speed."
    )
    drum_stages: Stages = Field(
        description="Stirred stages in series that stand for the spread of that travel (variance = mean^2 / stages)."
    )
    binder_belt_s: Annotated[float, Field(ge=0, le=300)] = Field(
        default=0.0,
        description="How long the plant's own controller waits from this scale to the binder: the part that runs with "
        "the belt. Ask the plant's technician.",
    )
    binder_drum_s: Annotated[float, Field(ge=0, le=600)] | None = Field(
        default=None,
        description="The part of it that runs with the drum (all of it where the controller knows but one time). Left "
        "out, the binder is taken to come with the material. Matters where the dose counts binder.",
    )


class StreamKeys(Keys):
    """One material on its way into the mix."""

    kind: Literal["aggregate", "recycle", "filler", "binder"] = Field(
        description="`recycle` is RAP or RAS, it carries binder; `binder` is virgin binder."
    )
    rate: MassFlowSignal = Field(description="Signal with its mass flow.")
    state: Literal["wet", "dry"] | None = Field(
        default=None,
        description="`wet`: the signal counts water, which is taken off here. `dry`: the plant has taken it off "
        "already, nothing is done. Not for binder.",
    )
    moisture_percent: Annotated[float, Field(ge=0, le=30)] | None = Field(
        default=None,
        description="Water in percent of DRY mass (AASHTO T 255), until a moisture entry says otherwise. Only for "
        '`state = "wet"`.',
    )
    binder_percent: Annotated[float, Field(ge=0, le=40)] | None = Field(
        default=None, description="Binder it carries, in percent of its dry mass. Only for recycle."
    )
    wasted_fines_percent: Annotated[float, Field(ge=0, le=10)] | None = Field(
        default=None,
        description="Fines that leave the drum with the air before the injection point and are wasted, in percent of "
        "its dry mass; left out: 0. They enter no mix: neither tons nor rubber are made of them. Not what the "
        "bag-house gives back. Find it by weighing what is hauled off. Only for aggregate and filler.",
    )
    compensated: bool | None = Field(
        default=None,
        description="Only for binder: `true` says that the meter sends mass (or volume it has itself corrected to "
        "the base temperature and turned into mass); nothing is corrected here.",
    )
    lag_s: Annotated[float, Field(ge=0, le=30)] | None = Field(
        default=None, description="Only for binder: mean delay of its pump and meter."
    )
    low_flow: Annotated[float, Field(ge=0, le=1e6)] = Field(
        description="Below this the belt is empty: a drifting zero makes neither tons nor rubber. In the unit of "
        "the rate's register."
    )
    normal_flow: Annotated[float, Field(gt=0, le=1e6)] | None = Field(
        default=None,
        description="What it carries at the plant's normal rate, in the unit of the rate's register. For the "
        "figures of `check`; nothing is controlled by it. Not for binder, which follows the mix.",
    )
    travel: TravelKeys | None = Field(
        default=None, description="Its way to the injection point. Left out, the material is metered at that point."
    )


class DrumKeys(Keys):
    """The drum from the injection point to its outlet."""

    turning: ContactSignal = Field(description='Contact "drum turns".')
    speed: Annotated[Name, Ref("signal", "rotation")] | None = Field(default=None, description="Signal with its speed.")
    nominal_speed_rpm: Annotated[float, Field(gt=0, le=60)] = Field(description="Speed for which the residences hold.")
    outlet_residence_s: Annotated[float, Field(gt=0, le=1800)] = Field(
        description="Mean travel from the injection point to the outlet, at nominal speed."
    )
    outlet_stages: Stages = Field(description="Stirred stages that stand for the spread of that travel.")
    load_effect_percent: Annotated[float, Field(ge=0, le=50)] = Field(
        default=0.0,
        description="By how much faster material moves through a drum at its normal content than through an empty "
        "one. The residences hold for the normal content, that of the streams' `normal_flow`. 0: the content does "
        "not matter.",
    )
    discharge_current: Annotated[Name, Ref("signal", "current")] | None = Field(
        default=None,
        description="Signal with the motor current of the conveyor behind the drum. `crumbmeter travel` finds from it "
        "when mix arrives there; nothing is controlled by it, nor by the next four.",
    )
    discharge_temperature: Annotated[Name, Ref("signal", "temperature")] | None = Field(
        default=None, description="Signal with the temperature of the mix behind the drum, for the same purpose."
    )
    discharge_travel_s: Annotated[float, Field(ge=0, le=300)] = Field(
        default=0.0, description="From the drum's outlet to where current and temperature show the mix."
    )
    discharge_current_lag_s: Annotated[float, Field(ge=0, le=120)] = Field(
        default=0.0, description="Time constant with which the current is shown."
    )
    discharge_temperature_lag_s: Annotated[float, Field(ge=0, le=600)] = Field(
        default=0.0, description="Time constant with which the temperature is shown."
    )


class LineKeys(Keys):
    """The conveying line from the airlock to the injection point."""

    travel_s: Annotated[float, Field(ge=0, le=120)] = Field(
        description="From the auger's end to the injection point while the blower runs."
    )
    blower_running: ContactSignal | None = Field(default=None, description='Contact "blower runs".')
    pressure: Annotated[Name, Ref("signal", "pressure")] | None = Field(
        default=None, description="Signal with the line's pressure."
    )
    pressure_lag_s: Annotated[float, Field(ge=0.05, le=5)] = Field(
        default=0.5,
        description="Time constant with which the pressure is shown. `crumbmeter travel` needs it to find the line's "
        "travel; nothing is controlled by it.",
    )
    pressure_high_kpa: Annotated[float, Field(gt=0, le=200)] | None = Field(
        default=None, description="Above this the line is plugging: the feed stops at once."
    )
    pressure_high_psi: Annotated[float, Field(gt=0, le=30)] | None = Field(
        default=None, description="The same in pounds per square inch."
    )
    pressure_low_kpa: Annotated[float, Field(ge=0, le=200)] | None = Field(
        default=None, description="Below this while feeding the line is open (a hose is off): the feed stops at once."
    )
    pressure_low_psi: Annotated[float, Field(ge=0, le=30)] | None = Field(
        default=None, description="The same in pounds per square inch."
    )
    pressure_delay_s: Annotated[float, Field(ge=0, le=30)] = Field(
        description="The pressure must be beyond a limit for so long before it counts."
    )
    flow_switch: ContactSignal | None = Field(
        default=None, description="Contact at the line's end that sees rubber pass."
    )
    inner_diameter_mm: Annotated[float, Field(ge=20, le=500)] | None = Field(
        default=None,
        description="Of the pipe. With `blower_air_m3_h` and `particle_mm`, `check` compares the air with what "
        "carries rubber; nothing is controlled by these.",
    )
    blower_air_m3_h: Annotated[float, Field(gt=0, le=20000)] | None = Field(
        default=None,
        description="Air through the line, the airlock's leakage taken off, at 101.325 kPa and 15 degC. For `check`.",
    )
    particle_mm: Annotated[float, Field(ge=0.05, le=5)] | None = Field(
        default=None, description="Size of the rubber's largest common grains. For `check`."
    )
    altitude_m: Annotated[float, Field(ge=-430, le=5000)] | None = Field(
        default=None, description="Of the plant above sea level; left out: 0. For `check`."
    )
    air_temperature_c: Annotated[float, Field(ge=-40, le=150)] | None = Field(
        default=None, description="Of the air where the rubber enters the line; left out: 15. For `check`."
    )

    choices: ClassVar[dict[str, Choice]] = {
        "pressure_high": choice(required=False, pressure_high_kpa="kPa", pressure_high_psi="psi"),
        "pressure_low": choice(required=False, pressure_low_kpa="kPa", pressure_low_psi="psi"),
    }


class PlantKeys(Keys):
    """The plant around the feeder."""

    emergency_stop_ok: ContactSignal | None = Field(
        default=None,
        description="Contact that is closed while no emergency stop is pressed. Only read, never relied upon.",
    )
    recipe: Annotated[Name, Ref("signal", "count")] | None = Field(
        default=None, description="Signal with the number of the plant's own recipe, compared with the mix chosen."
    )
    first_mix: Annotated[Name, Ref("mix")] = Field(
        description="Mix at the very first start; later the journal's last choice rules."
    )
    lowest_rate_percent: Annotated[float, Field(gt=0, le=100)] = Field(
        description="Lowest rate at which the plant makes mix (or its smallest batch), in percent of the normal one. "
        "For the figures of `check`."
    )
    highest_rate_percent: Annotated[float, Field(ge=100, le=300)] = Field(
        description="Highest rate at which the plant makes mix (or its largest batch), in percent of the normal one. "
        "For the figures of `check`."
    )


class MixKeys(Keys):
    """One mix that the plant makes."""

    title: Text = Field(description="Name of the mix for people.")
    dose_basis: Literal[
        "total_mix", "added_to_mix", "total_binder", "binder_rubber_blend", "virgin_binder", "dry_aggregate"
    ] = Field(
        description="What the dose is a share of: R/(M0+R), R/M0, R/Bt, R/(Bt+R), R/Bv or R/dry virgin aggregate; "
        "M0 is the mix without rubber, Bt all binder, Bv the virgin binder."
    )
    dose_percent: Annotated[float, Field(ge=0, le=60)] | None = Field(
        default=None, description="Dose in percent of the basis. 0 is a mix without rubber."
    )
    dose_lb_per_short_ton: Annotated[float, Field(ge=0, le=1200)] | None = Field(
        default=None, description="Dose in pounds of rubber per short ton of mix. Only for total_mix and added_to_mix."
    )
    dose_kg_per_tonne: Annotated[float, Field(ge=0, le=600)] | None = Field(
        default=None, description="Dose in kilograms of rubber per tonne of mix. Only for total_mix and added_to_mix."
    )
    total_binder_percent: Annotated[float, Field(ge=0, le=15)] = Field(
        description="Total binder in percent of the mix without rubber, by the job mix formula. 0 is a dry cleaning "
        "run, aggregate that scours the drum; it has no dose."
    )
    plant_recipe: Annotated[int, Field(ge=0, le=65535)] | None = Field(
        default=None, description="The plant's own number for this mix."
    )

    choices: ClassVar[dict[str, Choice]] = {
        "dose": Choice((("dose_percent", 0.01), ("dose_lb_per_short_ton", 1 / 2000), ("dose_kg_per_tonne", 0.001)))
    }
