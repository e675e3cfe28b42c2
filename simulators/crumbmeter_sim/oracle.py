"""The mass oracle: every kilogram that came in is somewhere, or the simulator is wrong."""

import math
from typing import TYPE_CHECKING, Any

from crumbmeter_sim import drum as d
from crumbmeter_sim.plant import Plant

if TYPE_CHECKING:
    from crumbmeter_sim.stage import Stage

LARGEST_GAP_KG = 1e-6


def rubber_gap_kg(plant: Plant) -> float:
    """[kg] Return rubber brought minus rubber found: hoppers, in flight, line, drum, road, catch drum, spilled."""
    feeder, line = plant.feeder, plant.line
    found = (
        feeder.supply.bag_kg,
        feeder.supply.hopper_kg,
        feeder.hopper.in_flight_kg,
        feeder.hopper.mass_kg,
        feeder.catch_kg,
        line.content_kg,
        line.spilled_kg,
        plant.pending_rubber_kg,
        math.fsum(plant.drum.after[d.A_RUBBER]),
        plant.out[d.A_RUBBER],
        plant.dumped.after[d.A_RUBBER],
    )
    return feeder.supply.brought_kg + plant.truth.hopper.start_kg - math.fsum(found)


def dry_gap_kg(plant: Plant) -> float:
    """[kg] Return dry aggregate, recycle and binder that came in minus what is on belts, in the drum, or left."""
    came = plant.binder_in_kg + math.fsum(belt.in_dry_kg for belt in plant.belts)
    found = [belt.held_dry_kg for belt in plant.belts]
    found += [math.fsum(plant.drum.before[i]) for i in (d.VIRGIN, d.RECYCLE, d.CARRIED)]
    found += [math.fsum(plant.drum.after[i]) for i in (d.A_VIRGIN, d.A_RECYCLE, d.A_CARRIED, d.A_BINDER)]
    found += [plant.out[i] for i in (d.A_VIRGIN, d.A_RECYCLE, d.A_CARRIED, d.A_BINDER)]
    found += [plant.dumped.dry_kg, plant.fines.kept_kg]
    return came - math.fsum(found) - plant.pending_binder_kg


def water_gap_kg(plant: Plant) -> float:
    """[kg] Return water that came in minus what is on belts, in the drum, or went up the stack."""
    found = [belt.held_water_kg for belt in plant.belts]
    found += [math.fsum(plant.drum.before[d.WATER]), plant.drum.evaporated_kg, plant.dumped.before[d.WATER]]
    return math.fsum(belt.in_water_kg for belt in plant.belts) - math.fsum(found)


def gaps_kg(plant: Plant) -> dict[str, float]:
    """[kg] Return all three."""
    return {"rubber": rubber_gap_kg(plant), "dry": dry_gap_kg(plant), "water": water_gap_kg(plant)}


def play_open_loop(rig: "Stage[Any, Any]", rpm: float) -> dict[str, float]:
    """Play a scenario to its end with the auger at one speed; return the gaps [kg]."""
    while not rig.finished:
        rig.leave_running(rpm)
        rig.advance(1.0)
    return rig.gaps_kg()
