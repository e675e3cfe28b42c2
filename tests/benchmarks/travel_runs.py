"""Recorded runs for finding travel, on plants that are not as their site believes; and what is true of each of them.

A run has a start of the plant, a start of the rubber when the mix has come, two rate changes, a stop of the rubber at
full rate and a stop of the plant: what a day has, in twenty minutes.
"""

import dataclasses
from dataclasses import dataclass
from random import Random
from typing import Any

from crumbmeter import site as sites
from crumbmeter.runtime.travelrecord import TravelRecord
from crumbmeter_sim import drum as d
from crumbmeter_sim.plantfile import PlantTruth, devices_folder, load_plant
from crumbmeter_sim.rig import Rig
from crumbmeter_sim.scenario import Scenario, load_scenario
from crumbmeter_sim.verbs import Step
from tests.benchmarks.section import DEMO_SITE, ROOT, SCENARIOS
from tests.closed_loop import ClosedLoop

PLANT = ROOT / "config" / "plants" / "demo_drum.toml"
DRAWS_SEED = 41_207
SPREAD = 0.25
"""Travel, dispersion, load effect, line and instruments differ from the demonstration plant by up to this."""
GEOMETRY = {"after_injection": 0.0866, "collar": 0.1732, "belt": 0.0346}
"""Half widths of what geometry gets wrong: rectangles with the standard uncertainties that the product assumes."""
SCALED = (
    "drum.back_mixing", "drum.load_effect", "line.travel_s", "line.spread_s", "line.pressure_filter_s", "auger.lag_s",
    "discharge.travel_s", "discharge.current_filter_s", "discharge.temperature_lag_s",
)  # fmt: skip
RUBBER_FROM_S, RUBBER_TO_S, PLANT_STOP_S, END_S = 240.0, 1020.0, 1060.0, 1300.0


def run_of_a_day() -> Scenario:
    """Make the scenario: the rate change's plant and rates, with other orders."""
    day = load_scenario(SCENARIOS / "rate_change.toml")
    enable, start = day.operator
    orders = (
        enable,
        dataclasses.replace(start, t_s=RUBBER_FROM_S),
        dataclasses.replace(start, t_s=RUBBER_TO_S, command="stop feed"),
    )
    stop = Step(PLANT_STOP_S, "plant_stop", {}, None)
    return dataclasses.replace(day, at=(*day.at, stop), operator=orders, expect=(), duration_s=END_S)


def draw(number: int) -> dict[str, float]:
    """Draw one plant, each parameter by its own factor."""
    random, truth = Random(f"{DRAWS_SEED}/{number}"), load_plant(PLANT)
    drum = truth.drum

    def factor(half: float) -> float:
        return random.uniform(1.0 - half, 1.0 + half)

    believed_s = drum.inlet_to_injection_s + drum.injection_to_outlet_s
    whole_s = believed_s * factor(SPREAD)
    after_s = whole_s * drum.injection_to_outlet_s / believed_s * factor(GEOMETRY["after_injection"])
    collar = (drum.collar_to_injection_s + drum.injection_to_outlet_s) / believed_s * factor(GEOMETRY["collar"])
    before_s = whole_s - after_s
    drawn = {
        "drum.inlet_to_injection_s": before_s,
        "drum.injection_to_outlet_s": after_s,
        "drum.collar_to_injection_s": min(0.95 * before_s, max(0.05 * before_s, collar * whole_s - after_s)),
        "drum.cells_before": random.randint(20, 38),
        "drum.cells_after": random.randint(20, 38),
    }
    for place in range(len(truth.belt)):
        key = f"belt.{place}.scale_to_drum_m"
        drawn[key] = truth.belt[place].scale_to_drum_m * factor(GEOMETRY["belt"])
    for key in SCALED:
        drawn[key] = _at(truth, key) * factor(SPREAD)
    return drawn


def _at(truth: Any, dotted: str) -> float:
    for part in dotted.split("."):
        truth = getattr(truth, part)
    return float(truth)


def loop_of(overrides: dict[str, float], seed: int, site: sites.Site | None = None) -> ClosedLoop:
    """Make a closed loop of the demonstration site with a drawn plant."""
    truth = load_plant(PLANT, dict(overrides))
    rig = Rig(truth, devices_folder(truth, PLANT), seed=seed, scenario=run_of_a_day())
    return ClosedLoop(sites.load(DEMO_SITE) if site is None else site, rig)


def gather(loop: ClosedLoop) -> TravelRecord:
    """Play the run and gather what it tells."""
    record = TravelRecord(loop.site.params)
    while not loop.rig.finished:
        record.take(loop.scan())
    return record


@dataclass(frozen=True, slots=True)
class Truth:
    """What is true of a drawn plant at steady rates. Times in s."""

    before_s: dict[str, float]
    """By stream: from the drum's mouth or collar to the injection point."""
    belt_s: dict[str, float]
    averaging_s: float
    """Of the scales."""
    after_s: float
    line_s: float
    auger_s: float
    """From a setpoint to the speed."""
    drag_s: float
    current_lag_s: float
    temperature_lag_s: float


STEADY_S = 600.0


def truth_of(overrides: dict[str, float], virgin_kg_s: float, recycle_kg_s: float, injected_kg_s: float) -> Truth:
    """Run the drawn plant's drum alone at steady rates: mean travel is what it holds over what flows (Little)."""
    plant = load_plant(PLANT, dict(overrides))
    before_s, recycle_s, after_s = _travel(plant, virgin_kg_s, recycle_kg_s, injected_kg_s)
    names = ("aggregate", "rap")
    return Truth(
        before_s=dict(zip(names, (before_s, recycle_s), strict=True)),
        belt_s={name: belt.scale_to_drum_m / belt.speed_m_s for name, belt in zip(names, plant.belt, strict=True)},
        averaging_s=plant.belt[0].scale.filter_s,
        after_s=after_s,
        line_s=plant.line.travel_s,
        auger_s=plant.auger.lag_s,
        drag_s=plant.discharge.travel_s,
        current_lag_s=plant.discharge.current_filter_s,
        temperature_lag_s=plant.discharge.temperature_lag_s,
    )


def _travel(
    plant: PlantTruth, virgin_kg_s: float, recycle_kg_s: float, injected_kg_s: float
) -> tuple[float, float, float]:
    step_s = plant.time.step_s * plant.time.drum_steps
    nominal_kg_s = plant.nominal.mix_short_ton_h * 0.25199576111111111
    drum = d.Drum(plant.drum, step_s, nominal_kg_s)
    drum.running = True
    for _ in range(round(plant.drum.run_up_s / step_s) + 1):
        drum.drive()
    virgin_water, recycle_water = (belt.moisture_percent / 100.0 for belt in plant.belt)
    for _ in range(round(STEADY_S / step_s)):
        drum.take_inlet(virgin_kg_s * step_s, virgin_kg_s * step_s * virgin_water, 0.0)
        drum.take_collar(recycle_kg_s * step_s, recycle_kg_s * step_s * recycle_water, 0.0, 0.0)
        drum.step_after()
        passed = drum.step_before()
        drum.inject(
            [passed[d.VIRGIN], passed[d.RECYCLE], passed[d.CARRIED], injected_kg_s * step_s, 0.0, 0.0, 0.0, 0.0]
        )
    return (
        sum(drum.before[d.VIRGIN]) / virgin_kg_s,
        sum(drum.before[d.RECYCLE]) / recycle_kg_s,
        sum(drum.after[d.A_VIRGIN]) / virgin_kg_s,
    )
