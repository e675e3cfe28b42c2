"""Keys of a site that describe the feeder and how it is run: feeder, sequence, trim, tolerance, alarms."""

from typing import Annotated, ClassVar, Literal

from pydantic import Field

from crumbmeter.estimation.aeration import DECAY_S
from crumbmeter.model.units import POUND_KG
from crumbmeter.site.keys.base import Choice, Keys, Name, Ref, choice
from crumbmeter.site.keys.plant import ContactSignal, MassFlowSignal

MassSignal = Annotated[Name, Ref("signal", "mass")]
Mass = Annotated[float, Field(gt=0, le=50_000)]
Factor = Annotated[float, Field(gt=0, le=100)]
Rate = Annotated[float, Field(gt=0, le=2000)]


class FeederKeys(Keys):
    """The loss-in-weight feeder."""

    mode: Literal["speed", "rate"] = Field(
        description="`speed`: crumbmeter meters by the auger's speed. `rate`: the device's own controller is given "
        "a rate."
    )
    hopper_mass: MassSignal = Field(description="Signal with the net mass in the weigh hopper.")
    auger_speed: Annotated[Name, Ref("signal", "rotation")] | None = Field(
        default=None, description="Signal with the measured auger speed. Left out, the speed asked for is taken."
    )
    refilling: ContactSignal | None = Field(
        default=None, description='Contact "refill gate open". Left out, refills are found from the mass alone.'
    )
    remote: ContactSignal | None = Field(
        default=None, description='Contact "in remote": others may command the feeder.'
    )
    airlock_running: ContactSignal | None = Field(default=None, description='Contact "airlock turns".')
    diverter_to_drum: ContactSignal | None = Field(
        default=None, description='Contact "diverter points to the drum"; open means that a catch is being taken.'
    )
    fault: ContactSignal | None = Field(
        default=None, description="Contact that is closed while the feeder has a fault."
    )
    supply_low: ContactSignal | None = Field(
        default=None, description='Contact "supply hopper low": time for the next bulk bag.'
    )
    feed_rate: MassFlowSignal | None = Field(
        default=None, description="Signal with the feeder's own figure of its rate; for comparison only."
    )
    supply_mass: MassSignal | None = Field(default=None, description="Signal with the mass in the supply hopper.")
    feed_factor_kg_rev: Factor | None = Field(
        default=None, description="Rubber per turn of the auger, from catch tests; where the estimator starts."
    )
    feed_factor_lb_rev: Factor | None = Field(default=None, description="The same in pounds per turn.")
    feed_factor_doubt_percent: Annotated[float, Field(gt=0, le=50)] = Field(
        default=10.0,
        description="Standard uncertainty of that factor before the weight has told anything. After a catch test of "
        "this rubber 2 or 3 is honest; a figure from another job or a data sheet deserves 10 or more.",
    )
    fresh_air_percent: Annotated[float, Field(ge=0, le=30)] = Field(
        default=0.0,
        description="By how much less the auger carries of rubber that has just fallen in and is full of air. Each "
        "fill teaches it; `refill_ended` says what was learned. Entered here, the first fill of a run is right, too.",
    )
    fresh_air_decay_s: Annotated[float, Field(ge=5, le=120)] = Field(
        default=DECAY_S,
        description="Time constant in which fresh rubber gives off its air. `crumbmeter air` finds it in a recorded "
        "run where the fills tell it.",
    )
    feed_factor_low_kg_rev: Factor | None = Field(default=None, description="Below this the factor is not believed.")
    feed_factor_low_lb_rev: Factor | None = Field(default=None, description="The same in pounds per turn.")
    feed_factor_high_kg_rev: Factor | None = Field(default=None, description="Above this the factor is not believed.")
    feed_factor_high_lb_rev: Factor | None = Field(default=None, description="The same in pounds per turn.")
    factor_drift_percent_per_sqrt_min: Annotated[float, Field(gt=0, le=20)] = Field(
        description="How fast the feed factor may wander: standard deviation after one minute, in percent (random "
        "walk)."
    )
    mass_noise_kg: Annotated[float, Field(gt=0, le=50)] | None = Field(
        default=None, description="Standard deviation of the mass reading while the auger runs."
    )
    mass_noise_lb: Annotated[float, Field(gt=0, le=100)] | None = Field(default=None, description="The same in pounds.")
    mass_filter_s: Annotated[float, Field(ge=0, le=30)] = Field(
        default=0.5,
        description="The weighing indicator's own averaging (time constant): so far the mass reading lags behind a "
        "content that falls. Read it off the indicator.",
    )
    settle_after_refill_s: Annotated[float, Field(ge=0, le=120)] = Field(
        description=(
            "From the end of a refill until the last rubber lies still. The mass is not believed for so long, and for "
            "four times `mass_filter_s` more, in which the scale comes to rest."
        )
    )
    max_refill_s: Annotated[float, Field(gt=0, le=900)] = Field(description="A refill longer than this is a fault.")
    low_mass_kg: Mass | None = Field(default=None, description="Below this content the auger may run empty.")
    low_mass_lb: Mass | None = Field(default=None, description="The same in pounds.")
    full_mass_kg: Mass | None = Field(default=None, description="Highest content of the weigh hopper.")
    full_mass_lb: Mass | None = Field(default=None, description="The same in pounds.")
    min_speed_rpm: Annotated[float, Field(gt=0, le=600)] = Field(
        description="Lowest speed that the auger holds steadily (its turndown)."
    )
    max_speed_rpm: Annotated[float, Field(gt=0, le=600)] = Field(description="Highest speed of the auger.")
    below_turndown: Literal["stop", "minimum", "pulse"] | None = Field(
        default=None,
        description="Drum plant: what to do when less is wanted than the lowest speed gives. `stop`: stand still, and "
        "pay back what was not fed. `minimum`: keep the lowest speed. `pulse`: turn at the lowest speed for some "
        "seconds whenever that much is owed; the drum evens it out. Only for a drive that may start so often.",
    )
    max_rate_kg_min: Rate | None = Field(default=None, description="Hard limit of the feed, whatever is asked.")
    max_rate_lb_min: Rate | None = Field(default=None, description="The same in pounds per minute.")
    slew_kg_min_per_s: Rate | None = Field(
        default=None, description="Fastest change of the setpoint, both ways. Stops and trips pass it."
    )
    slew_lb_min_per_s: Rate | None = Field(default=None, description="The same in pounds per minute, per second.")
    auger_lag_s: Annotated[float, Field(ge=0, le=30)] = Field(
        description="From a new setpoint to the rubber leaving the auger."
    )

    choices: ClassVar[dict[str, Choice]] = {
        "feed_factor": Choice((("feed_factor_kg_rev", 1.0), ("feed_factor_lb_rev", POUND_KG))),
        "feed_factor_low": Choice((("feed_factor_low_kg_rev", 1.0), ("feed_factor_low_lb_rev", POUND_KG))),
        "feed_factor_high": Choice((("feed_factor_high_kg_rev", 1.0), ("feed_factor_high_lb_rev", POUND_KG))),
        "mass_noise": choice(mass_noise_kg="kg", mass_noise_lb="lb"),
        "low_mass": choice(low_mass_kg="kg", low_mass_lb="lb"),
        "full_mass": choice(full_mass_kg="kg", full_mass_lb="lb"),
        "max_rate": choice(max_rate_kg_min="kg/min", max_rate_lb_min="lb/min"),
        "slew": choice(slew_kg_min_per_s="kg/min", slew_lb_min_per_s="lb/min"),
    }


class SequenceKeys(Keys):
    """Times of the run sequence, and of the two kinds of doubt."""

    start_warning_s: Annotated[float, Field(ge=0, le=120)] = Field(
        description="Horn or beacon before machinery starts."
    )
    blower_start_s: Annotated[float, Field(gt=0, le=120)] = Field(description="The blower must be proven within this.")
    airlock_start_s: Annotated[float, Field(gt=0, le=120)] = Field(
        description="The airlock must be proven within this."
    )
    purge_s: Annotated[float, Field(ge=0, le=600)] = Field(description="Air alone before rubber.")
    clean_out_s: Annotated[float, Field(ge=0, le=600)] = Field(description="Air alone after rubber.")
    ready_hold_s: Annotated[float, Field(ge=0, le=7200)] = Field(
        description="The line stays ready for so long with no material coming, then it is cleaned out and shut."
    )
    input_hold_s: Annotated[float, Field(ge=0, le=60)] = Field(
        description="A required reading late or Bad: the last setpoint is held for so long, then the feed stops."
    )
    resume_after_s: Annotated[float, Field(ge=0, le=120)] = Field(
        description="All required readings Good for so long before a feed stopped by doubt starts again."
    )


class TrimKeys(Keys):
    """How rubber that is owed is paid back."""

    share_percent: Annotated[float, Field(ge=0, le=20)] = Field(
        description="Largest part of the setpoint that is added or taken to pay back what is owed; what a start or "
        "thin material kept back may add up to half of it besides. 0: nothing is paid back."
    )
    time_s: Annotated[float, Field(gt=0, le=600)] = Field(description="Owed rubber is paid back over this time.")
    horizon_s: Annotated[float, Field(gt=0, le=3600)] = Field(
        description="Rubber owed for longer has left with its mix: it is logged and forgotten."
    )


class ToleranceKeys(Keys):
    """When the dose is out of tolerance."""

    window_tonne: Annotated[float, Field(gt=0, le=500)] | None = Field(
        default=None,
        description="Drum plant: mix over which the dose at the outlet is judged. A batch is judged by itself.",
    )
    window_short_ton: Annotated[float, Field(gt=0, le=500)] | None = Field(
        default=None, description="The same in short tons."
    )
    window_s: Annotated[float, Field(ge=1, le=3600)] | None = Field(
        default=None, description="Drum plant: time over which the feed is judged against its setpoint."
    )
    warn_percent: Annotated[float, Field(gt=0, le=100)] = Field(
        description="Error, in percent of the dose, that warns."
    )
    alarm_percent: Annotated[float, Field(gt=0, le=100)] = Field(description="Error that raises an alarm.")
    deadband_percent: Annotated[float, Field(ge=0, le=100)] = Field(
        description="The error must come back inside a band by so much before it clears."
    )
    total_percent: Annotated[float, Field(gt=0, le=100)] = Field(description="Band of the job total's error.")
    total_from_kg: Annotated[float, Field(gt=0, le=100_000)] | None = Field(
        default=None, description="Rubber fed before the total is judged."
    )
    total_from_lb: Annotated[float, Field(gt=0, le=200_000)] | None = Field(
        default=None, description="The same in pounds."
    )

    choices: ClassVar[dict[str, Choice]] = {
        "window": choice(False, window_tonne="tonne", window_short_ton="short_ton"),
        "total_from": choice(total_from_kg="kg", total_from_lb="lb"),
    }


class AlarmKeys(Keys):
    """Where this site differs from the alarm catalogue."""

    on_delay_s: Annotated[float, Field(ge=0, le=3600)] = Field(
        description="The condition must stand for so long before the alarm is raised."
    )
    off_delay_s: Annotated[float, Field(ge=0, le=3600)] = Field(
        description="The condition must be gone for so long before it clears."
    )
