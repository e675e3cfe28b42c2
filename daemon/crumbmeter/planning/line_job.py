"""The conveying line and its blower as a job has them: air, saltation, loading, pressure, power. SI. Pure."""

from crumbmeter.model.frozen import dataclass
from crumbmeter.planning.conveying import LineCheck, LinePlan, air_density, check_line
from crumbmeter.planning.pressure import Drop, Pipe, blower_power, pressure_drop


@dataclass(frozen=True, slots=True)
class LineJob:
    """What is known of line and blower. None: not known."""

    pipe: Pipe | None = None
    """With its air; None: something of it is missing."""
    missing: tuple[str, ...] = ()
    """Keys of the job file without which there is no pipe."""
    leak: float = 0.0
    """Share of the blower's air that the airlock lets go."""
    inlet_k: float = 288.15
    """[K] Of the air that the blower takes in, at the pressure of the line's end."""
    other_pa: float = 0.0
    """[Pa] Lost between blower and line: filter, silencer, feeding point."""
    most_pa: float | None = None
    """[Pa] The blower may give over its inlet's pressure, by its relief valve or its data sheet."""
    efficiency: float | None = None
    """Of blower and drive."""
    motor_w: float | None = None
    """[W] The blower's motor gives at its shaft."""


@dataclass(frozen=True, slots=True)
class LineResult:
    """One rate of rubber. None: it cannot be reckoned."""

    rubber_kg_s: float
    check: LineCheck | None
    drop: Drop | None
    rise_pa: float | None
    """[Pa] At the blower: the line's drop and what else is lost."""
    power_w: float | None


def line_result(line: LineJob, rubber_kg_s: float) -> LineResult:
    """Reckon line and blower at one rate of rubber [kg/s]; the feed end has the pressure that the line itself makes."""
    pipe = line.pipe
    drop = None if pipe is None else pressure_drop(pipe, rubber_kg_s)
    if pipe is None or drop is None:
        return LineResult(rubber_kg_s, None, None, None, None)
    feed_end = LinePlan(
        pipe.inner_diameter_m, pipe.air_kg_s, pipe.particle_m, pipe.end_pa + drop.total_pa, pipe.temperature_k
    )
    rise_pa = drop.total_pa + line.other_pa
    inlet_m3_s = pipe.air_kg_s / (1.0 - line.leak) / air_density(pipe.end_pa, line.inlet_k)
    power_w = None if line.efficiency is None else blower_power(inlet_m3_s, rise_pa, line.efficiency)
    return LineResult(rubber_kg_s, check_line(feed_end, rubber_kg_s), drop, rise_pa, power_w)
