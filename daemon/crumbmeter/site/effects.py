"""What each setting does to the process, and how a change of it may be put in force. Pure data; the first row holds.

A key is `RUNNING` only where no output can depend on it, `AT_REST` only where the memory of the core keeps its shape.
Everything else needs a restart of the daemon: the reason is that of its section.
"""

from dataclasses import dataclass
from enum import StrEnum
from typing import Final


class When(StrEnum):
    """How a changed setting may be put in force."""

    RUNNING = "at any time; control stays as it is"
    DESK = "at any time for control; the desk needs a restart"
    AT_REST = "with the feed out of service; control must be enabled anew"
    RESTART = "by a restart of the daemon; control must be enabled anew"


ORDER: Final = (When.RESTART, When.AT_REST, When.DESK, When.RUNNING)
"""The gravest first: a set of changes is put in force as its gravest one."""


@dataclass(frozen=True, slots=True)
class Effect:
    """What a group of keys does."""

    keys: str
    """Patterns of key paths, parted by blanks; a star stands for one name."""
    when: When
    what: str
    """`{name}` is that of the table: of the stream, the signal."""
    more: str = ""
    """What a larger value brings."""
    less: str = ""
    """What a smaller value brings."""
    seconds: bool = False
    """The travel over the belt in seconds is said, not the key's own figure."""


_RUN, _DESK, _REST, _NEW = When.RUNNING, When.DESK, When.AT_REST, When.RESTART
_LATER, _SOONER = "rubber comes later at a rate change", "rubber comes sooner at a rate change"

_OF_THE_PLANT = (
    Effect("site.title", _RUN, "the plant's name for people"),
    Effect("site.exchange_estimate_ms plant.lowest_rate_percent plant.highest_rate_percent", _RUN,
           "a figure of `check` and of the card"),
    Effect("site.scan_period_s", _NEW, "the time between two scans", "everything is decided later", "and oftener"),
    Effect("site.parcel_kg", _NEW, "the size of a mix parcel", "records are coarser", "records are finer"),
    Effect("site.initial_reads", _REST, "reads passed by after a start", "writing begins later", "and sooner"),
    Effect("site.id site.simulated site.clock_rate", _NEW, "what every record is marked with"),
    Effect("control.allowed", _REST, "whether crumbmeter may ever write"),
    Effect("control.known_weight_percent", _REST, "how well the weight must agree before control is enabled",
           "a worse scale passes", "a better scale is needed"),
    Effect("units.system", _RUN,
           "the units that people see, and those of the figures that the plant's controller reads"),
    Effect("plant.first_mix", _NEW, "the mix of a first start"),
    Effect("plant.emergency_stop_ok plant.recipe", _NEW, "which signal the plant is watched by"),
)  # fmt: skip

_OF_MATERIAL = (
    Effect("streams.*.travel.belt_length_m streams.*.travel.nominal_belt_speed_m_s", _NEW,
           "the travel over the belt of {name}", _LATER, _SOONER, seconds=True),
    Effect("streams.*.lag_s", _NEW, "the lag of the meter of {name} that is reckoned with"),
    Effect("streams.*.travel.drum_residence_s", _NEW, "the travel of {name} to the injection point",
           _LATER, _SOONER),
    Effect("streams.*.travel.scale_filter_s", _NEW, "the averaging of the scale of {name} that is reckoned with",
           _SOONER, _LATER),
    Effect("streams.*.travel.drum_stages", _NEW, "the stages of {name} in the drum",
           "a rate change arrives more sharply",
           "a rate change arrives more gently"),
    Effect("streams.*.travel.binder_belt_s streams.*.travel.binder_drum_s", _NEW,
           "the wait of the plant's binder behind {name}", "the dose by binder follows later", "and sooner"),
    Effect("streams.*.moisture_percent ingredients.*.moisture_percent", _NEW,
           "the water taken off {name}, until a moisture entry says otherwise", "less dry mass, less rubber",
           "more dry mass, more rubber"),
    Effect("streams.*.binder_percent ingredients.*.binder_percent", _NEW, "the binder counted in {name}",
           "a dose by binder gets more rubber", "a dose by binder gets less rubber"),
    Effect("streams.*.wasted_fines_percent", _NEW, "the fines of {name} that enter no mix", "less mix, less rubber",
           "more mix, more rubber"),
    Effect("streams.*.low_flow", _NEW, "the flow below which {name} is taken for none", "a trickle is left out",
           "a trickle is counted"),
    Effect("streams.*.normal_flow", _NEW, "the normal flow of {name}, for which the residences hold"),
    Effect("streams streams.* streams.*.kind streams.*.rate streams.*.state streams.*.compensated streams.*.travel "
           "streams.*.travel.belt_speed streams.*.travel.belt_running", _NEW, "what the mix is reckoned from"),
    Effect("drum.outlet_residence_s", _NEW, "the travel from the injection point to the outlet",
           "parcels are booked later", "parcels are booked sooner"),
    Effect("drum.outlet_stages drum.load_effect_percent drum.nominal_speed_rpm", _NEW,
           "how material moves in the drum"),
    Effect("drum drum.turning drum.speed", _NEW, "which signal the drum is watched by"),
    Effect("drum.discharge_current drum.discharge_temperature drum.discharge_travel_s drum.discharge_current_lag_s "
           "drum.discharge_temperature_lag_s line.pressure_lag_s", _NEW, "what `crumbmeter travel` looks at"),
    Effect("ingredients ingredients.* ingredients.*.kind ingredients.*.mass ingredients.*.announced "
           "ingredients.*.state ingredients.*.share_percent", _NEW, "what a batch is reckoned from"),
    Effect("batch batch.*", _NEW, "how a batch is followed and charged"),
    Effect("line.travel_s", _NEW, "the travel of rubber through the line", _SOONER.replace("comes", "is asked for"),
           _LATER.replace("comes", "is asked for")),
    Effect("line.pressure_high_kpa line.pressure_high_psi", _REST, "the pressure that stops the feed as a plug",
           "a plug is seen later", "a plug is seen sooner, and the feed stops oftener"),
    Effect("line.pressure_low_kpa line.pressure_low_psi", _REST, "the pressure that stops the feed as a hose off",
           "a hose off is seen sooner, and the feed stops oftener", "a hose off is seen later"),
    Effect("line.pressure_delay_s", _REST, "the delay of a stop by pressure", "the feed stops later",
           "the feed stops sooner"),
    Effect("line line.blower_running line.pressure line.flow_switch", _NEW, "which signal the line is watched by"),
    Effect("line.inner_diameter_mm line.blower_air_m3_h line.particle_mm line.altitude_m line.air_temperature_c", _RUN,
           "a figure of `check`: whether the air can carry the rubber"),
    Effect("mixes.*.title", _RUN, "the name of mix {name} for people"),
    Effect("mixes.*.dose_percent mixes.*.dose_lb_per_short_ton mixes.*.dose_kg_per_tonne", _REST,
           "the dose of mix {name}",
           "more rubber in every ton of it", "less rubber in every ton of it"),
    Effect("mixes.*.dose_basis", _REST, "what the dose of mix {name} is a share of"),
    Effect("mixes.*.total_binder_percent", _REST, "the binder of mix {name}", "a dose by binder gets more rubber",
           "a dose by binder gets less rubber"),
    Effect("mixes.*.plant_recipe", _REST, "the plant's number of mix {name}"),
    Effect("mixes mixes.*", _REST, "mix {name}"),
)  # fmt: skip

_OF_THE_FEEDER = (
    Effect("feeder.max_rate_kg_min feeder.max_rate_lb_min", _REST, "the hard limit of the feed",
           "more can be fed", "the feed is cut sooner"),
    Effect("feeder.slew_kg_min_per_s feeder.slew_lb_min_per_s", _REST, "the fastest change of the setpoint",
           "the feed follows quicker", "the feed follows slower"),
    Effect("feeder.min_speed_rpm", _REST, "the lowest speed of the auger", "low rates stand still or pulse sooner",
           "low rates are fed steadily"),
    Effect("feeder.max_speed_rpm", _REST, "the highest speed of the auger", "more can be fed",
           "the feed is cut sooner"),
    Effect("feeder.below_turndown", _REST, "what is done below the lowest speed"),
    Effect("feeder.feed_factor_kg_rev feeder.feed_factor_lb_rev", _NEW,
           "the rubber a turn that the estimator starts from",
           "the auger turns slower for the same feed until the weight has told", "the auger turns faster until then"),
    Effect("feeder.mode feeder.hopper_mass feeder.auger_speed feeder.refilling feeder.remote feeder.airlock_running "
           "feeder.diverter_to_drum feeder.fault feeder.supply_low feeder.feed_rate feeder.supply_mass feeder", _NEW,
           "how the feeder is told what to feed, and watched"),
    Effect("feeder.*", _NEW, "how the flow is found from the weight"),
    Effect("sequence.start_warning_s sequence.blower_start_s sequence.airlock_start_s sequence.purge_s", _REST,
           "a time of the start", "rubber can flow later", "rubber can flow sooner"),
    Effect("sequence.clean_out_s", _REST, "air alone after rubber", "the line is cleaner when it stops",
           "more rubber may stay in the line"),
    Effect("sequence.ready_hold_s", _REST, "how long the line stays ready without material",
           "the blower runs on longer",
           "the line is shut sooner"),
    Effect("sequence.input_hold_s", _REST, "how long a lost reading is bridged",
           "the feed goes on longer on old figures",
           "the feed stops sooner"),
    Effect("sequence.resume_after_s", _REST, "how long readings must be good again", "the feed comes back later",
           "the feed comes back sooner"),
    Effect("trim trim.share_percent", _REST, "the largest correction for owed rubber", "errors are made good quicker",
           "errors are made good slower"),
    Effect("trim.time_s", _REST, "the time over which owed rubber is paid back", "errors are made good slower",
           "errors are made good quicker"),
    Effect("trim.horizon_s", _REST, "the age at which owed rubber is forgotten", "older errors are made good",
           "older errors are forgotten"),
    Effect("tolerance.window_tonne tolerance.window_short_ton tolerance.window_s", _REST, "the window of the tolerance",
           "short errors count less", "short errors count more"),
    Effect("tolerance tolerance.*", _RUN, "a limit of the dose's error", "alarms come later", "alarms come sooner"),
    Effect("uncertainty uncertainty.*", _RUN, "how exactly things are taken to be known",
           "the dose is stated less exactly",
           "the dose is stated more exactly"),
    Effect("alarms alarms.* alarms.*.on_delay_s", _RUN, "the delay of alarm {name}",
           "it comes later", "it comes sooner"),
    Effect("alarms.*.off_delay_s", _RUN, "how long alarm {name} stays", "it clears later", "it clears sooner"),
)  # fmt: skip

_OF_THE_WIRES = (
    Effect("signals.*.low signals.*.high", _REST, "the range in which {name} is believed"),
    Effect("signals.*.max_age_s", _REST, "the age up to which {name} is believed", "a lost link is seen later",
           "a lost link is seen sooner"),
    Effect("signals.*.frozen_after_s", _REST, "the time after which {name} counts as frozen", "it is judged later",
           "it is judged sooner"),
    Effect("signals.*.max_rise_per_s", _REST, "the fastest change of {name} that is believed", "more is believed",
           "less is believed"),
    Effect("signals signals.* signals.*.* signals.*.*.*", _NEW, "where {name} comes from and how it is read"),
    Effect("devices devices.* devices.*.* devices.*.*.*", _NEW, "how device {name} is reached and asked"),
    Effect("outputs outputs.* outputs.*.*", _NEW, "what may be written, and how"),
    Effect("publish publish.* publish.*.*", _NEW, "what goes out, and where to"),
    Effect("socket socket.*", _NEW, "where programs of this machine ask"),
    Effect("journal journal.*", _NEW, "where the record is kept, and for how long"),
    Effect("desk desk.*", _DESK, "where people's browsers meet the plant"),
)  # fmt: skip

EFFECTS: Final = (*_OF_THE_PLANT, *_OF_MATERIAL, *_OF_THE_FEEDER, *_OF_THE_WIRES)
PROFILE: Final = Effect("", _NEW, "how what is read from a device becomes a value")
"""Of every key of a register map."""
WHY_RESTART: Final = {
    "site": "it is built into the scan, or into the mark of every record, at a start",
    "streams": "the material under way is followed by it, and would be lost",
    "ingredients": "a batch under way is followed by it",
    "batch": "a batch under way is followed by it",
    "drum": "the material under way is followed by it, and would be lost",
    "line": "the rubber under way is followed by it, and would be lost",
    "plant": "which signals are looked at is built at a start",
    "feeder": "the estimator starts from it",
    "signals": "the plan of reads is built at a start",
    "devices": "links are opened at a start",
    "devices/": "the plan of reads is built at a start",
    "outputs": "the register list of what may be written is built at a start",
    "publish": "it is opened at a start",
    "socket": "it is opened at a start",
    "journal": "it is opened at a start",
}
"""By section."""


def effect_of(path: tuple[str, ...]) -> Effect | None:
    """Return what a key, or a whole table, does; None where no row knows it."""
    for effect in EFFECTS:
        for pattern in effect.keys.split():
            parts = pattern.split(".")
            if len(parts) == len(path) and all(want in ("*", part) for want, part in zip(parts, path, strict=True)):
                return effect
    return None
