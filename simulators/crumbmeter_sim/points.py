"""Names under which a plant file's servers reach the plant: quantities that are read, commands that are written."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

from crumbmeter_sim.bank import Sink, Source
from crumbmeter_sim.belt import Belt
from crumbmeter_sim.device.indicator import Indicator
from crumbmeter_sim.device.loops import Loop
from crumbmeter_sim.device.pulses import PulseCounter
from crumbmeter_sim.feeder import Feeder
from crumbmeter_sim.line import Line
from crumbmeter_sim.loader import FileRefusedError
from crumbmeter_sim.plant import Plant
from crumbmeter_sim.stage import Works


def sources(plant: Plant) -> dict[str, Source]:
    """Return every quantity by name. Values in SI (temperature in degC), contacts as 0 or 1."""
    drum, binder = plant.drum, plant.binder
    table: dict[str, Source] = {
        "binder.flow": lambda: binder.shown_kg_s,
        "binder.temperature": lambda: plant.truth.binder.temperature_c,
        "drum.turning": lambda: float(drum.turning),
        "drum.speed": lambda: drum.speed_rev_s,
        "discharge.current": lambda: plant.discharge.shown_current_a,
        "discharge.temperature": lambda: plant.discharge.shown_temperature_c,
        "plant.recipe": lambda: float(plant.mix.recipe),
        "plant.emergency_stop_ok": lambda: float(not plant.emergency),
        **feeder_sources(plant.feeder, plant.line),
    }
    for belt in plant.belts:
        table |= _belt_sources(belt)
    return with_counters(plant, table)


def feeder_sources(feeder: Feeder, line: Line) -> dict[str, Source]:
    """Return what feeder, blower and line show, on every plant."""
    return {
        "blower.running": lambda: float(line.blower_running),
        "line.pressure": lambda: line.shown_pressure_pa,
        "line.flow_switch": lambda: float(line.flow_switch),
        "feeder.hopper_mass": lambda: feeder.hopper.shown_kg,
        "feeder.supply_mass": lambda: feeder.supply.shown_kg,
        "feeder.auger_speed": lambda: feeder.auger.shown_speed_rev_s,
        "feeder.feed_rate": lambda: feeder.shown_rate_kg_s,
        "feeder.remote": lambda: float(feeder.remote),
        "feeder.refilling": lambda: float(feeder.hopper.refilling),
        "feeder.airlock_running": lambda: float(feeder.airlock_running),
        "feeder.diverter_to_drum": lambda: float(feeder.to_drum),
        "feeder.fault": lambda: float(feeder.fault or feeder.tripped),
        "feeder.supply_low": lambda: float(feeder.supply.low),
        **_indicator_sources(feeder.indicator),
    }


def with_counters(plant: Works, table: dict[str, Source]) -> dict[str, Source]:
    """Add the plant's pulse counters and current loops, each of which stands for a quantity of the table."""
    problems = [
        f"  {kind} {truth.name}: no quantity {truth.point!r} (known: {', '.join(sorted(table))})"
        for kind, truths in (("pulses", plant.truth.pulses), ("loops", plant.truth.loops))
        for truth in truths
        if truth.point not in table
    ]
    if problems:
        raise FileRefusedError(Path(plant.truth.title), problems)
    for name, counter in plant.counters.items():
        counter.total = table[counter.truth.point]
        table[f"pulses.{name}"] = _pulses(counter)
    for name, loop in plant.loops.items():
        table[f"loops.{name}"] = _loop(loop, table[loop.truth.point])
    return table


def _indicator_sources(indicator: Indicator) -> dict[str, Source]:
    return {
        "feeder.indicator.value": lambda: indicator.value_kg,
        "feeder.indicator.gross": lambda: indicator.gross_kg,
        "feeder.indicator.tare": lambda: indicator.tare_kg,
        "feeder.indicator.counts": lambda: indicator.counts,
        "feeder.indicator.decimal_point": lambda: float(indicator.decimal_point),
        "feeder.indicator.status": lambda: float(indicator.status),
        "feeder.indicator.motion": lambda: float(indicator.motion),
        "feeder.indicator.net": lambda: float(indicator.net_mode),
        "feeder.indicator.over_range": lambda: float(indicator.over_range),
        "feeder.indicator.under_range": lambda: float(indicator.under_range),
        "feeder.indicator.fault": lambda: float(indicator.cell_lost),
        "feeder.indicator.setup": lambda: float(indicator.setup),
        "feeder.indicator.zero_changes": lambda: float(indicator.zero_changes),
        "feeder.indicator.tare_changes": lambda: float(indicator.tare_changes),
        "feeder.indicator.calibration_changes": lambda: float(indicator.calibration_changes),
        "feeder.indicator.heartbeat": lambda: float(indicator.beats),
    }


def _pulses(counter: PulseCounter) -> Source:
    """Return what the count stands for; the register's scale must be the kilograms of a pulse."""
    return lambda: counter.shown * counter.truth.per_pulse


def _loop(loop: Loop, quantity: Source) -> Source:
    return lambda: loop.shown(quantity())


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
    return {**feeder_sinks(plant.feeder, plant.line), "plant.rubber_healthy": flag(plant, "healthy_asked")}


def feeder_sinks(feeder: Feeder, line: Line) -> dict[str, Sink]:
    """Return what feeder and blower may be told, on every plant."""
    return {
        "blower.run": flag(line, "blower_run"),
        "feeder.run": flag(feeder, "run"),
        "feeder.airlock_run": flag(feeder, "airlock_run"),
        "feeder.start_warning": flag(feeder, "start_warning"),
        "feeder.speed_setpoint": _number(feeder, "speed_setpoint_rev_s"),
        "feeder.rate_setpoint": _number(feeder, "rate_setpoint_kg_s"),
        "feeder.heartbeat": feeder.beat,
    }


def flag(owner: Any, name: str) -> Callable[[float], None]:
    """Return a sink that sets a flag."""
    return lambda value: setattr(owner, name, bool(value))


def _number(owner: Any, name: str) -> Callable[[float], None]:
    return lambda value: setattr(owner, name, float(value) if value == value else 0.0)  # noqa: PLR0124 - NaN test
