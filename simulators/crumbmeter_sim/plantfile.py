"""The complete truth about one plant, as its file says it. Every physical number of the simulator stands here.

Percentages are of the thing named; moisture is water in percent of DRY mass (AASHTO T 255).
"""

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from crumbmeter_sim.device.indicator import IndicatorTruth
from crumbmeter_sim.device.loops import LoopTruth
from crumbmeter_sim.device.pulses import PulseTruth
from crumbmeter_sim.discharge import DischargeTruth
from crumbmeter_sim.loader import FileRefusedError, build, override, read_based
from crumbmeter_sim.plantnames import problems_of_names, with_files_found
from crumbmeter_sim.sockets import BusTruth, ServerTruth


@dataclass(frozen=True, slots=True)
class TimeTruth:
    """How finely plant time is cut."""

    step_s: float
    drum_steps: int
    """The drum moves once in so many steps."""


@dataclass(frozen=True, slots=True)
class ScaleTruth:
    """A belt scale and what it gets wrong."""

    span_m: float
    gain_error_percent: float
    zero_error_kg_m: float
    """Dead load taken for material; shows as flow while the belt moves."""
    noise_percent: float
    """Standard deviation of one step's reading before the filter."""
    filter_s: float
    cut_off_kg_s: float
    """Below this the indicator itself counts nothing (it still shows it)."""
    speed_error_percent: float
    speed_noise_percent: float
    entered_moisture_percent: float
    """What the site believes: with this the *indicated* mix is made."""
    entered_binder_percent: float


@dataclass(frozen=True, slots=True)
class BeltTruth:
    """A belt from its gate over its scale to the drum."""

    name: str
    kind: Literal["virgin", "recycle"]
    gate_to_scale_m: float
    scale_to_drum_m: float
    speed_m_s: float
    run_up_s: float
    run_down_s: float
    gate_lag_s: float
    variation_percent: float
    variation_time_s: float
    """Slow wander of the gate's flow: standard deviation and correlation time."""
    ripple_percent: float
    moisture_percent: float
    binder_percent: float
    scale: ScaleTruth


@dataclass(frozen=True, slots=True)
class DrumTruth:
    """The drum: axial cells, their travel times at nominal load and speed, and how they mix."""

    cells_before: int
    cells_after: int
    inlet_to_injection_s: float
    collar_to_injection_s: float
    injection_to_outlet_s: float
    back_mixing: float
    """Share of the forward flow between two cells that comes back."""
    load_effect: float
    """How much faster a fuller drum moves: relative speed for relative load."""
    nominal_speed_rpm: float
    run_up_s: float
    run_down_s: float
    turning_share: float
    """The contact closes above this share of nominal speed."""
    evaporation_s: float


@dataclass(frozen=True, slots=True)
class BinderTruth:
    """The plant's own binder controller, pump and meter."""

    belt_delay_s: dict[str, float]
    """By belt: the controller's idea of the travel from scale to drum; passes while that belt runs."""
    drum_delay_s: dict[str, float]
    """By belt: its idea of the travel in the drum; passes while the drum turns."""
    pump_lag_s: float
    least_kg_s: float
    meter_gain_error_percent: float
    meter_noise_percent: float
    meter_filter_s: float
    temperature_c: float


@dataclass(frozen=True, slots=True)
class LineTruth:
    """The conveying line from the auger to the injection point."""

    travel_s: float
    spread_s: float
    pressure_base_pa: float
    pressure_solids_pa_per_kg: float
    """Pressure for each kilogram of rubber under way."""
    pressure_noise_pa: float
    pressure_filter_s: float
    plugged_pa: float
    open_pa: float
    """With a hose off."""
    blower_run_up_s: float
    blower_run_down_s: float
    blower_proven_share: float
    pressure_wander_percent: float = 0.0
    pressure_wander_s: float = 60.0
    """Slow wander of the pressure (gusts, the drum's draught): standard deviation and correlation time."""
    flow_switch_kg_s: float = 0.02
    """A switch at the line's end sees a flow of more than this..."""
    flow_switch_hold_s: float = 2.0
    """...and goes on seeing it for so long."""


@dataclass(frozen=True, slots=True)
class AugerTruth:
    """The auger and how much it carries per revolution."""

    feed_factor_kg_rev: float
    empty_loss: float
    """Share of the feed factor lost when the hopper is empty..."""
    head_kg: float
    """...fading with this much rubber above the auger."""
    walk_percent: float
    walk_time_s: float
    aeration_percent: float
    aeration_time_s: float
    packing_percent: float
    packing_time_s: float
    unpacking_s: float
    pulsation_percent: float
    lag_s: float
    stall_rpm: float
    top_rpm: float
    speed_noise_rpm: float
    bridged_share: float


@dataclass(frozen=True, slots=True)
class HopperTruth:
    """The weigh hopper, its refill gate and its load cells."""

    start_kg: float
    low_kg: float
    high_kg: float
    refill_kg_s: float
    gate_s: float
    fall_s: float
    """In flight from the gate to the rubber's surface."""
    impact_kg: float
    """Apparent weight of the falling stream's impact at full refill flow."""
    noise_kg: float
    vibration_kg: float
    vibration_s: float
    filter_s: float
    resolution_kg: float
    gain_error_percent: float


@dataclass(frozen=True, slots=True)
class SupplyTruth:
    """The supply hopper and the bulk bag that hangs above it."""

    capacity_kg: float
    start_kg: float
    low_kg: float
    bag_kg: float
    start_bag_kg: float
    spout_kg_s: float
    notice_s: float
    change_s: float
    landing_kg: float
    landing_s: float
    bag_is_weighed: bool = True
    """The frame with bag and hopper stands on the load cells; else only the hopper does, and the bag runs in."""
    noise_kg: float = 0.3
    """Of the supply's scale, whose frame is large and shakes."""
    resolution_kg: float = 0.2


@dataclass(frozen=True, slots=True)
class FeederTruth:
    """The feeder's own controls."""

    mode: Literal["speed", "rate"]
    airlock_s: float
    watchdog_s: float
    factor_guess_kg_rev: float
    """What its own rate controller starts from."""
    refill: Literal["own", "ordered"] = "own"
    """Whether its refill gate opens by its own low level, or only while it is ordered to."""


@dataclass(frozen=True, slots=True)
class MixTruth:
    """A mix of this plant: what the rubber wanted is reckoned by."""

    recipe: int
    dose_basis: Literal[
        "total_mix", "added_to_mix", "total_binder", "binder_rubber_blend", "virgin_binder", "dry_aggregate"
    ]
    dose_percent: float
    total_binder_percent: float


@dataclass(frozen=True, slots=True)
class NominalTruth:
    """The plant as it is meant to run; the fixed-delay yardstick is set up from these."""

    mix_short_ton_h: float
    recycle_percent: float
    mix: str
    obeys_stop_request: bool = False
    """Whether the plant stops its belts when crumbmeter's healthy contact opens."""
    stop_request_delay_s: float = 2.0
    belts_after_drum_s: float = 8.0
    """On a restart the belts follow the drum after this time."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WorksTruth:
    """What every plant has: a feeder with its line, mixes, and devices."""

    title: str
    time: TimeTruth
    line: LineTruth
    auger: AugerTruth
    hopper: HopperTruth
    supply: SupplyTruth
    feeder: FeederTruth
    mixes: dict[str, MixTruth]
    server: tuple[ServerTruth, ...] = field(default=())
    bus: tuple[BusTruth, ...] = ()
    indicator: IndicatorTruth = field(default_factory=IndicatorTruth)
    pulses: tuple[PulseTruth, ...] = ()
    loops: tuple[LoopTruth, ...] = ()
    discharge: DischargeTruth = field(default_factory=DischargeTruth)
    based_on: str = ""
    """Another plant file of which this one says only what differs; a list replaces the other's whole list."""
    devices: str = "../devices"
    """Folder of the device profiles, seen from the plant file."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlantTruth(WorksTruth):
    """A drum plant, all of it."""

    nominal: NominalTruth
    belt: tuple[BeltTruth, ...]
    drum: DrumTruth
    binder: BinderTruth


def load_plant(path: Path, overrides: dict[str, Any] | None = None) -> PlantTruth:
    """Read a plant file.

    Args:
        path: The file.
        overrides: Values by dotted path (`drum.back_mixing`, `belt.0.moisture_percent`) that replace the file's own.

    Raises:
        FileRefusedError: with every unknown key, missing key and contradiction found.
    """
    table = read_based(path)
    for dotted, value in (overrides or {}).items():
        override(path, table, dotted, value)
    truth = build(path, PlantTruth, table)
    names = [belt.name for belt in truth.belt]
    problems = [
        f"  binder.{key}: needs one entry for each belt ({', '.join(names)})"
        for key, table in (("belt_delay_s", truth.binder.belt_delay_s), ("drum_delay_s", truth.binder.drum_delay_s))
        if set(table) != set(names)
    ]
    if truth.nominal.mix not in truth.mixes:
        problems.append(f"  nominal.mix = {truth.nominal.mix!r}: no such mix (have: {', '.join(truth.mixes)})")
    if [belt.kind for belt in truth.belt].count("virgin") != 1:
        problems.append("  belt: exactly one belt of kind virgin is needed")
    if [belt.kind for belt in truth.belt].count("recycle") > 1:
        problems.append("  belt: at most one belt of kind recycle can be played")
    if not 0 < truth.time.step_s * truth.time.drum_steps <= 0.5:
        problems.append("  time: the drum's step (step_s * drum_steps) must lie in (0, 0.5] s")
    problems += problems_of_names(truth)
    if problems:
        raise FileRefusedError(path, problems)
    return with_files_found(truth, path)


def devices_folder(truth: WorksTruth, plant: Path, *more: Path) -> Path:
    """Return the folder of the device profiles: as the plant file says, else beside the files in `more`, else here.

    Plants are tried that lie outside the repository; their profiles mostly do not.
    """
    places = [plant.parent / truth.devices, *(path.parent / "../devices" for path in more), Path("config/devices")]
    for place in places:
        if place.is_dir():
            return place.resolve()
    raise FileRefusedError(plant, [f"  devices: no folder of profiles at {', '.join(map(str, places))}"])
