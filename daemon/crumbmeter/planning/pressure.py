"""Pressure drop of a dilute conveying line with its solids, and the blower's power. SI. Pure.

Sum of Rhodes, Introduction to Particle Technology, chapter 8 (computation.md section 4; from memory): acceleration of
air and solids, friction of air, friction of solids (horizontal after Hinkle, vertical after Konno and Saito), weight of
both, and a bend of 90 degrees as 7.5 m of vertical pipe. The air expands along the line; the sum goes upstream from its
end in cells. As rough as its like: plus or minus 50 %, and never fitted on rubber. In what order the pieces follow each
other is not known; they are spread evenly.
"""

import math

from crumbmeter.model.frozen import dataclass
from crumbmeter.planning.conveying import GRAVITY_M_S2, ZERO_C_K, air_density

BEND_M = 7.5
"""[m] Of vertical pipe that a bend of 90 degrees stands for (Rhodes)."""
CELLS = 100


@dataclass(frozen=True, slots=True)
class Pipe:
    """A conveying line, and what goes through it."""

    inner_diameter_m: float
    horizontal_m: float
    vertical_m: float
    """[m] Upward."""
    bends: int
    roughness_m: float
    particle_m: float
    particle_kg_m3: float
    """[kg/m3] Density of a grain, not of the heap."""
    air_kg_s: float
    end_pa: float
    """[Pa] Absolute, at the line's end."""
    temperature_k: float

    @property
    def area_m2(self) -> float:
        """[m2] Return the open area."""
        return math.pi * self.inner_diameter_m**2 / 4.0


@dataclass(frozen=True, slots=True)
class Drop:
    """Pressure drop [Pa] by its parts."""

    horizontal_pa: float
    vertical_pa: float
    bends_pa: float
    acceleration_pa: float

    @property
    def total_pa(self) -> float:
        """[Pa] Return the whole."""
        return self.horizontal_pa + self.vertical_pa + self.bends_pa + self.acceleration_pa


def viscosity(temperature_k: float) -> float:
    """[Pa s] Return the viscosity of air (Sutherland; constants of ISO 2533, from memory)."""
    return 1.458e-6 * math.pow(temperature_k, 1.5) / (temperature_k + 110.4)


def friction_factor(reynolds: float, relative_roughness: float) -> float:
    """Return Darcy's friction factor of turbulent flow (Haaland 1983), within 2 % of Colebrook's."""
    inside = math.pow(relative_roughness / 3.7, 1.11) + 6.9 / reynolds
    return math.pow(1.8 * math.log10(inside), -2)


def drag(reynolds: float) -> float:
    """Return the drag coefficient of a sphere (Schiller and Naumann; 0.44 from 1000 on)."""
    return 0.44 if reynolds >= 1000.0 else 24.0 / reynolds * (1.0 + 0.15 * math.pow(reynolds, 0.687))


def terminal_velocity(particle_m: float, particle_kg_m3: float, fluid_kg_m3: float, viscosity_pa_s: float) -> float:
    """[m/s] Return the speed at which a sphere falls."""
    weight = 4.0 / 3.0 * GRAVITY_M_S2 * particle_m * (particle_kg_m3 - fluid_kg_m3) / fluid_kg_m3
    low, high = 1e-9, 200.0
    for _ in range(100):
        middle = math.sqrt(low * high)
        reynolds = fluid_kg_m3 * middle * particle_m / viscosity_pa_s
        low, high = (middle, high) if drag(reynolds) * middle**2 < weight else (low, middle)
    return math.sqrt(low * high)


def solids_velocity(air_m_s: float, particle_m: float, particle_kg_m3: float) -> float:
    """[m/s] Return how fast grains fly in a horizontal pipe (Hinkle)."""
    return air_m_s * (1.0 - 0.0638 * math.pow(particle_m, 0.3) * math.sqrt(particle_kg_m3))


def _horizontal(pipe: Pipe, solids_kg_s: float, pressure_pa: float) -> float:
    """[Pa/m] Friction of air and of solids."""
    air_kg_m3 = air_density(pressure_pa, pipe.temperature_k)
    air_m_s = pipe.air_kg_s / (air_kg_m3 * pipe.area_m2)
    grain_m_s = solids_velocity(air_m_s, pipe.particle_m, pipe.particle_kg_m3)
    slip_m_s = air_m_s - grain_m_s
    reynolds = air_kg_m3 * slip_m_s * pipe.particle_m / viscosity(pipe.temperature_k)
    size = pipe.inner_diameter_m / pipe.particle_m
    solids_factor = 0.375 * air_kg_m3 / pipe.particle_kg_m3 * size * drag(reynolds) * (slip_m_s / grain_m_s) ** 2
    solids = 2.0 * solids_factor * solids_kg_s / pipe.area_m2 * grain_m_s / pipe.inner_diameter_m
    return _air_friction(pipe, air_kg_m3, air_m_s) + solids


def _vertical(pipe: Pipe, solids_kg_s: float, pressure_pa: float, falls_m_s: float) -> float | None:
    """[Pa/m] Friction and weight of air and of solids; None where the air does not lift them."""
    air_kg_m3 = air_density(pressure_pa, pipe.temperature_k)
    air_m_s = pipe.air_kg_s / (air_kg_m3 * pipe.area_m2)
    if air_m_s <= falls_m_s:
        return None
    flux = solids_kg_s / pipe.area_m2
    friction = 0.057 * flux * math.sqrt(GRAVITY_M_S2 / pipe.inner_diameter_m)
    weight = GRAVITY_M_S2 * (flux / (air_m_s - falls_m_s) + air_kg_m3)
    return _air_friction(pipe, air_kg_m3, air_m_s) + friction + weight


def _air_friction(pipe: Pipe, air_kg_m3: float, air_m_s: float) -> float:
    reynolds = air_kg_m3 * air_m_s * pipe.inner_diameter_m / viscosity(pipe.temperature_k)
    factor = friction_factor(reynolds, pipe.roughness_m / pipe.inner_diameter_m)
    return factor * air_kg_m3 * air_m_s**2 / (2.0 * pipe.inner_diameter_m)


def pressure_drop(pipe: Pipe, solids_kg_s: float) -> Drop | None:
    """Sum a line's pressure drop at a rate of solids [kg/s]; 0 is air alone.

    Returns:
        The drop by its parts; None where the air does not lift the solids, or grains are so heavy that the correlation
        of their speed means nothing.
    """
    if solids_velocity(1.0, pipe.particle_m, pipe.particle_kg_m3) <= 0.0:
        return None
    falls_m_s = terminal_velocity(
        pipe.particle_m, pipe.particle_kg_m3, air_density(pipe.end_pa, pipe.temperature_k),
        viscosity(pipe.temperature_k),
    )  # fmt: skip
    pressure_pa = pipe.end_pa
    horizontal_pa = vertical_pa = bends_pa = 0.0
    for _ in range(CELLS):
        level, up = _horizontal(pipe, solids_kg_s, pressure_pa), _vertical(pipe, solids_kg_s, pressure_pa, falls_m_s)
        if up is None:
            return None
        parts = (level * pipe.horizontal_m / CELLS, up * pipe.vertical_m / CELLS, up * BEND_M * pipe.bends / CELLS)
        horizontal_pa, vertical_pa, bends_pa = horizontal_pa + parts[0], vertical_pa + parts[1], bends_pa + parts[2]
        pressure_pa += sum(parts)
    air_m_s = pipe.air_kg_s / (air_density(pressure_pa, pipe.temperature_k) * pipe.area_m2)
    grain_m_s = solids_velocity(air_m_s, pipe.particle_m, pipe.particle_kg_m3)
    acceleration_pa = 0.5 * (pipe.air_kg_s * air_m_s + solids_kg_s * grain_m_s) / pipe.area_m2
    return Drop(horizontal_pa, vertical_pa, bends_pa, acceleration_pa)


def blower_power(inlet_m3_s: float, rise_pa: float, efficiency: float) -> float:
    """[W] Return the shaft power of a blower that compresses at constant volume (rotary lobes): V dp / efficiency.

    Adiabatic compression takes less, so that this is the safe side for other kinds.

    Args:
        inlet_m3_s: [m3/s] Air at the inlet, with what the airlock leaks.
        rise_pa: [Pa] From inlet to outlet.
        efficiency: Of blower and drive.
    """
    return inlet_m3_s * rise_pa / efficiency


def celsius(temperature_c: float) -> float:
    """[K] Convert from degrees Celsius."""
    return temperature_c + ZERO_C_K
