"""Names under which a plant file's servers reach the plant: quantities that are read, commands that are written."""

from collections.abc import Callable
from typing import Any

from crumbmeter_sim.bank import Sink, Source
from crumbmeter_sim.belt import Belt
from crumbmeter_sim.plant import Plant


def sources(plant: Plant) -> dict[str, Source]:
    """Return every quantity by name. Values in SI (temperature in degC), contacts as 0 or 1."""
    feeder, line, drum, binder = plant.feeder, plant.line, plant.drum, plant.binder
    table: dict[str, Source] = {
        "binder.flow": lambda: binder.shown_kg_s,
        "binder.temperature": lambda: plant.truth.binder.temperature_c,
        "drum.turning": lambda: float(drum.turning),
        "drum.speed": lambda: drum.speed_rev_s,
        "plant.recipe": lambda: float(plant.mix.recipe),
        "plant.emergency_stop_ok": lambda: float(not plant.emergency),
        "blower.running": lambda: float(line.blower_running),
        "line.pressure": lambda: line.shown_pressure_pa,
        "feeder.hopper_mass": lambda: feeder.hopper.shown_kg,
        "feeder.supply_mass": lambda: feeder.supply.hopper_kg,
        "feeder.auger_speed": lambda: feeder.auger.shown_speed_rev_s,
        "feeder.feed_rate": lambda: feeder.shown_rate_kg_s,
        "feeder.remote": lambda: float(feeder.remote),
        "feeder.refilling": lambda: float(feeder.hopper.refilling),
        "feeder.airlock_running": lambda: float(feeder.airlock_running),
        "feeder.diverter_to_drum": lambda: float(feeder.to_drum),
        "feeder.fault": lambda: float(feeder.fault or feeder.tripped),
        "feeder.supply_low": lambda: float(feeder.supply.low),
    }
    for belt in plant.belts:
        table |= _belt_sources(belt)
    return table


def _belt_sources(belt: Belt) -> dict[str, Source]:
    contact_m_s = 0.2 * belt.truth.speed_m_s
    return {
        f"{belt.name}.wet_flow": lambda: belt.shown_wet_kg_s,
        f"{belt.name}.belt_speed": lambda: belt.shown_speed_m_s,
        f"{belt.name}.total": lambda: belt.shown_total_kg,
        f"{belt.name}.running": lambda: float(belt.speed_m_s > contact_m_s),
    }


def sinks(plant: Plant) -> dict[str, Sink]:
    """Return every command by name. Values in SI, coils as 0 or 1."""
    feeder, line = plant.feeder, plant.line
    return {
        "blower.run": _flag(line, "blower_run"),
        "feeder.run": _flag(feeder, "run"),
        "feeder.airlock_run": _flag(feeder, "airlock_run"),
        "feeder.start_warning": _flag(feeder, "start_warning"),
        "feeder.speed_setpoint": _number(feeder, "speed_setpoint_rev_s"),
        "feeder.rate_setpoint": _number(feeder, "rate_setpoint_kg_s"),
        "feeder.heartbeat": feeder.beat,
        "plant.rubber_healthy": _flag(plant, "healthy_asked"),
    }


def _flag(owner: Any, name: str) -> Callable[[float], None]:
    return lambda value: setattr(owner, name, bool(value))


def _number(owner: Any, name: str) -> Callable[[float], None]:
    return lambda value: setattr(owner, name, float(value) if value == value else 0.0)  # noqa: PLR0124 - NaN test
