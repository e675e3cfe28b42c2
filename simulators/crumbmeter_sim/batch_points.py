"""Names under which a batch plant's servers reach the plant; those of feeder and line are as on every plant."""

from crumbmeter_sim.bank import Sink, Source
from crumbmeter_sim.batch_plant import BatchPlant
from crumbmeter_sim.points import feeder_sinks, feeder_sources, flag, with_counters


def sources(plant: BatchPlant) -> dict[str, Source]:
    """Return every quantity by name. Values in SI, contacts as 0 or 1."""
    tower, vessel = plant.tower, plant.vessel
    table: dict[str, Source] = {
        **feeder_sources(plant.feeder, plant.line),
        "plant.emergency_stop_ok": lambda: float(not plant.emergency),
        "plant.recipe": lambda: float(tower.mix.recipe),
        "mixer.running": lambda: float(tower.turning),
        "mixer.discharging": lambda: float(tower.discharging),
        "batch.counter": lambda: float(tower.counter),
        "batch.rubber_wanted": lambda: float(tower.wanted),
        "batch.weighed": lambda: float(tower.weighed),
        "batch.aborted": lambda: float(tower.aborted),
        "batch.aggregate_announced": lambda: tower.announced[0],
        "batch.recycle_announced": lambda: tower.announced[1],
        "batch.binder_announced": lambda: tower.announced[2],
        "batch.aggregate_mass": lambda: tower.aggregate.shown_kg,
        "batch.recycle_mass": lambda: tower.recycle.shown_kg,
        "batch.binder_mass": lambda: tower.binder.shown_kg,
        "vessel.mass": lambda: vessel.shown_kg,
    }
    return with_counters(plant, table)


def sinks(plant: BatchPlant) -> dict[str, Sink]:
    """Return every command by name. Coils as 0 or 1."""
    return {
        **feeder_sinks(plant.feeder, plant.line),
        "feeder.refill": _ordered(plant),
        "vessel.release": flag(plant.vessel, "release"),
        "batch.ready": flag(plant.tower, "ready"),
        "batch.delivered": flag(plant.tower, "delivered"),
        "plant.rubber_healthy": flag(plant, "healthy_asked"),
    }


def _ordered(plant: BatchPlant) -> Sink:
    hopper = plant.feeder.hopper

    def order(value: float) -> None:
        if hopper.ordered is not None:
            hopper.ordered = bool(value)

    return order
