"""The score of a batch run: what each batch got and when, what was blown in outside its window, and the mass oracle."""

import math
from typing import TYPE_CHECKING, Any

from crumbmeter_sim.batch_plant import BatchPlant
from crumbmeter_sim.batch_record import Batch

if TYPE_CHECKING:
    from crumbmeter_sim.batch_rig import BatchRig

WITHIN = 0.05
"""Share of the rubber target by which a batch may be off."""


def rubber_gap_kg(plant: BatchPlant) -> float:
    """[kg] Return rubber brought minus rubber found: hoppers, vessel, line, pugmill, road, catch, spilled."""
    feeder, line, tower = plant.feeder, plant.line, plant.tower
    found = (
        feeder.supply.bag_kg,
        feeder.supply.hopper_kg,
        feeder.hopper.in_flight_kg,
        feeder.hopper.mass_kg,
        feeder.catch_kg,
        plant.vessel.mass_kg,
        plant.vessel.spilled_kg,
        line.content_kg,
        line.spilled_kg,
        tower.floor_rubber_kg,
        math.fsum(batch.parts.rubber_kg for batch in tower.content),
        tower.left.rubber_kg,
    )
    return feeder.supply.brought_kg + plant.truth.hopper.start_kg - math.fsum(found)


def mix_gap_kg(plant: BatchPlant) -> float:
    """[kg] Return what was weighed minus what is in weigh hoppers, in the pugmill, or left, water and all."""
    tower = plant.tower
    hoppers = (tower.aggregate, tower.recycle, tower.binder)
    found = [hopper.mass_kg for hopper in hoppers]
    found += [batch.parts.mix_kg + batch.parts.water_kg for batch in tower.content]
    found += [tower.left.mix_kg, tower.left.water_kg]
    return math.fsum(hopper.in_kg for hopper in hoppers) - math.fsum(found)


def gaps_kg(plant: BatchPlant) -> dict[str, float]:
    """[kg] Return both."""
    return {"rubber": rubber_gap_kg(plant), "mix": mix_gap_kg(plant)}


def score(rig: "BatchRig") -> dict[str, Any]:
    """Return the score as a plain dict; every number is rounded to 1e-6 so that its JSON is stable."""
    plant = rig.plant
    tower = plant.tower
    left = [batch for batch in tower.batches if batch.left_s is not None]
    wanting = [batch for batch in left if batch.said_wanted_kg > 0.0]
    complete = [batch for batch in wanting if batch.outcome == "complete"]
    aborted = [batch for batch in wanting if batch.outcome == "aborted"]
    table: dict[str, Any] = {
        "scenario": rig.title,
        "plant": plant.truth.title,
        "seed": rig.seed,
        "played_s": plant.now_s,
        "batches": {
            "complete": len(complete),
            "delivered": sum(batch.delivered for batch in complete),
            "aborted": len(aborted),
            "without_dose": len(left) - len(wanting),
            **_errors(complete),
        },
        "window": {
            "released_outside_kg": plant.released_outside_kg,
            "released_in_reaction_kg": plant.reaction_kg,
            "arrived_outside_kg": tower.floor_rubber_kg + math.fsum(b.outside_kg for b in tower.batches),
            "of_it_into_aborted_kg": math.fsum(b.outside_kg for b in tower.batches if b.outcome == "aborted"),
            "longest_s": max((_window_s(batch) for batch in complete), default=0.0),
        },
        "after_aborts": {
            "recovered": sum(_recovered(batch, wanting) for batch in aborted),
            "wasted_kg": math.fsum(batch.parts.rubber_kg for batch in aborted),
        },
        "feeder": {
            "fed_kg": plant.feeder.fed_kg,
            "vessel_kg": plant.vessel.mass_kg,
            "catch_kg": plant.feeder.catch_kg,
            "refills": plant.feeder.hopper.refills,
            "bags_changed": plant.feeder.supply.bags_changed,
        },
        "oracle": {f"{name}_gap_kg": gap for name, gap in gaps_kg(plant).items()},
    }
    rounded: dict[str, Any] = _rounded(table)
    return rounded


def rows(rig: "BatchRig") -> list[dict[str, Any]]:
    """Return one row for each batch, for a table or a plot."""
    return [_row(batch) for batch in rig.plant.tower.batches]


def _row(batch: Batch) -> dict[str, Any]:
    values = {
        "number": batch.number,
        "outcome": batch.outcome if batch.left_s is not None else "in the pugmill",
        "mix_kg": batch.parts.mix_kg,
        "wanted_kg": batch.said_wanted_kg,
        "rubber_kg": batch.parts.rubber_kg,
        "error_percent": None if batch.error is None else 100.0 * batch.error,
        "outside_kg": batch.outside_kg,
        "dropped_s": batch.dropped_s,
        "window_opened_s": batch.window_opened_s,
        "window_closed_s": batch.window_closed_s,
        "first_rubber_s": batch.first_s,
        "last_rubber_s": batch.last_s,
        "left_s": batch.left_s,
    }
    rounded: dict[str, Any] = _rounded(values)
    return rounded


def _window_s(batch: Batch) -> float:
    if batch.window_opened_s is None or batch.window_closed_s is None:
        return 0.0
    return batch.window_closed_s - batch.window_opened_s


def _errors(batches: list[Batch]) -> dict[str, float]:
    errors = [error for batch in batches if (error := batch.error) is not None]
    true = [error for batch in batches if (error := batch.true_error) is not None]
    if not errors:
        return {}
    return {
        "within_5_percent": 100.0 * sum(abs(e) <= WITHIN for e in errors) / len(errors),
        "rms_percent": 100.0 * math.sqrt(math.fsum(e * e for e in errors) / len(errors)),
        "mean_percent": 100.0 * math.fsum(errors) / len(errors),
        "worst_percent": 100.0 * max(errors, key=abs),
        "worst_true_percent": 100.0 * max(true, key=abs, default=0.0),
    }


def _recovered(aborted: Batch, batches: list[Batch]) -> bool:
    """Tell whether the batch after an aborted one was complete and within its tolerance."""
    after = [batch for batch in batches if batch.dropped_s > aborted.dropped_s and batch.outcome != "aborted"]
    return bool(after) and after[0].error is not None and abs(after[0].error) <= WITHIN


def _rounded(value: Any) -> Any:
    if isinstance(value, float):
        return round(value, 6) + 0.0
    if isinstance(value, dict):
        return {key: _rounded(item) for key, item in value.items()}
    return value
