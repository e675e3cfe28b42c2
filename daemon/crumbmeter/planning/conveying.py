"""Will the air carry the rubber? A screening of a dilute conveying line before it is used. SI. Pure.

Saltation by the correlation of Rizk in closed form, solids loading, and the air's real velocity where it is lowest: at
the feed end, where the pressure is highest. Such correlations are wrong by half as a rule (plus or minus 50 %), and
this one was never fitted on fibrous, elastic rubber. There are therefore two answers, "clearly above" and "not proven".
Nothing here is ever asked while the plant runs: it stops nothing and releases nothing.
"""

import math
from enum import StrEnum

from crumbmeter.model.frozen import dataclass

GRAVITY_M_S2 = 9.80665
AIR_J_KG_K = 287.05
"""[J/(kg K)] Specific gas constant of dry air."""
STANDARD_PA, STANDARD_K = 101_325.0, 288.15
"""Reference conditions of a volume of air: 101.325 kPa and 15 degC (as in ISO 13443; from memory)."""
ZERO_C_K = 273.15
CORRELATION_SHARE = 0.5
"""Such correlations are wrong by half, both ways (computation.md section 4; from memory)."""
CLEAR_MARGIN = 1.0 + CORRELATION_SHARE
"""Velocity over saltation from which the line is clearly above it: the usual rule of 1.5, and the error above."""
DILUTE_LOADING = 10.0
"""Mass of solids over mass of air below which conveying counts as dilute (10 to 15; from memory)."""
SIZES_M = (1e-5, 5e-3)
"""[m] Beyond these sizes the correlation's exponents mean nothing."""


class Outcome(StrEnum):
    """What such a correlation can say."""

    CLEARLY_ABOVE = "clearly above"
    NOT_PROVEN = "not proven"


@dataclass(frozen=True, slots=True)
class LinePlan:
    """What is known of a line before it is used."""

    inner_diameter_m: float
    air_kg_s: float
    """[kg/s] Of air through the line, leakage of the airlock taken off."""
    particle_m: float
    """[m] Size of the rubber's grains."""
    pressure_pa: float
    """[Pa] Absolute, at the feed end."""
    temperature_k: float
    """[K] Of the air at the feed end."""


@dataclass(frozen=True, slots=True)
class LineCheck:
    """What it comes to at one rate of rubber."""

    rubber_kg_s: float
    density_kg_m3: float
    velocity_m_s: float
    """[m/s] Of the air at the feed end, where it is lowest."""
    saltation_m_s: float
    margin: float
    """Velocity over saltation."""
    loading: float
    """Mass of rubber over mass of air."""
    outcome: Outcome


def pressure_at(altitude_m: float) -> float:
    """[Pa] Return the standard atmosphere's pressure at an altitude [m], up to 11 km (ICAO; constants from memory)."""
    return STANDARD_PA * math.pow(1.0 - 2.25577e-5 * altitude_m, 5.25588)


def air_density(pressure_pa: float, temperature_k: float) -> float:
    """[kg/m3] Return the density of dry air at an absolute pressure [Pa] and a temperature [K]."""
    return pressure_pa / (AIR_J_KG_K * temperature_k)


def air_mass_flow(volume_m3_s: float, pressure_pa: float = STANDARD_PA, temperature_k: float = STANDARD_K) -> float:
    """[kg/s] Return the mass of a flow of air [m3/s] given at an absolute pressure [Pa] and a temperature [K].

    Reference conditions if nothing else is said; for a blower's inlet volume, the pressure and temperature there.
    """
    return volume_m3_s * air_density(pressure_pa, temperature_k)


def rizk_saltation(solids_kg_s: float, particle_m: float, density_kg_m3: float, diameter_m: float) -> float:
    """[m/s] Return the air velocity below which solids begin to settle in a horizontal pipe, plus or minus 50 %.

    Rizk: loading = 10^-(1440 d + 1.96) * Fr^(1100 d + 2.5), with Fr = U / sqrt(g D) and d in metres, solved for U.

    Args:
        solids_kg_s: [kg/s] Solids.
        particle_m: [m] Size of the grains, within `SIZES_M`.
        density_kg_m3: [kg/m3] Of the air.
        diameter_m: [m] Of the pipe, inside.

    Raises:
        ValueError: something is not positive, or the size lies beyond all reason.
    """
    if not (solids_kg_s > 0.0 and density_kg_m3 > 0.0 and diameter_m > 0.0):
        raise ValueError(f"solids {solids_kg_s} kg/s, air {density_kg_m3} kg/m3, pipe {diameter_m} m: all must be > 0")
    if not SIZES_M[0] <= particle_m <= SIZES_M[1]:
        raise ValueError(f"particle_m = {particle_m}: must lie between {SIZES_M[0]} and {SIZES_M[1]} m")
    alpha, beta = 1440.0 * particle_m + 1.96, 1100.0 * particle_m + 2.5
    area_m2 = math.pi * diameter_m**2 / 4.0
    scaled = (
        solids_kg_s
        * math.pow(10.0, alpha)
        * math.pow(GRAVITY_M_S2 * diameter_m, beta / 2.0)
        / (density_kg_m3 * area_m2)
    )
    return math.pow(scaled, 1.0 / (beta + 1.0))


def check_line(plan: LinePlan, rubber_kg_s: float) -> LineCheck:
    """Screen a line at one rate of rubber [kg/s]."""
    density = air_density(plan.pressure_pa, plan.temperature_k)
    velocity = plan.air_kg_s / (density * math.pi * plan.inner_diameter_m**2 / 4.0)
    saltation = rizk_saltation(rubber_kg_s, plan.particle_m, density, plan.inner_diameter_m)
    loading = rubber_kg_s / plan.air_kg_s
    clear = velocity >= CLEAR_MARGIN * saltation and loading <= DILUTE_LOADING
    outcome = Outcome.CLEARLY_ABOVE if clear else Outcome.NOT_PROVEN
    return LineCheck(rubber_kg_s, density, velocity, saltation, velocity / saltation, loading, outcome)
