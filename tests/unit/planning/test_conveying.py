"""The screening of a conveying line: density, velocity where it is lowest, loading, and two answers only."""

from dataclasses import replace
from math import pi

import pytest

from crumbmeter.planning.conveying import (
    CLEAR_MARGIN,
    STANDARD_K,
    STANDARD_PA,
    LinePlan,
    Outcome,
    air_density,
    air_mass_flow,
    check_line,
    pressure_at,
    rizk_saltation,
)

PLAN = LinePlan(
    inner_diameter_m=0.1, air_kg_s=0.3, particle_m=0.001, pressure_pa=STANDARD_PA + 20_000.0, temperature_k=300.0
)


def test_air_of_the_standard_atmosphere() -> None:
    """1.225 kg/m3 at sea level; 89 874.6 Pa at 1000 m (ISO 2533, from memory)."""
    assert air_density(STANDARD_PA, STANDARD_K) == pytest.approx(1.225, abs=2e-4)
    assert pressure_at(0.0) == STANDARD_PA
    assert pressure_at(1000.0) == pytest.approx(89_874.6, rel=2e-4)


def test_a_blower_s_inlet_volume_carries_less_air_up_a_hill() -> None:
    valley, hill = (air_mass_flow(0.25, pressure_at(height_m), 293.15) for height_m in (0.0, 2000.0))
    assert hill == pytest.approx(valley * 0.785, rel=2e-3)


def test_the_air_is_slowest_where_the_pressure_is_highest() -> None:
    blown_free = check_line(replace(PLAN, pressure_pa=STANDARD_PA), 0.3)
    loaded = check_line(PLAN, 0.3)
    assert loaded.velocity_m_s < blown_free.velocity_m_s
    assert loaded.velocity_m_s == pytest.approx(0.3 / (loaded.density_kg_m3 * pi * 0.05**2), rel=1e-12)


def test_clearly_above_needs_one_and_a_half_times_and_dilute_flow() -> None:
    salting = rizk_saltation(0.3, PLAN.particle_m, check_line(PLAN, 0.3).density_kg_m3, PLAN.inner_diameter_m)
    just_kg_s = CLEAR_MARGIN * salting * check_line(PLAN, 0.3).density_kg_m3 * pi * 0.05**2
    assert check_line(replace(PLAN, air_kg_s=just_kg_s * 1.0001), 0.3).outcome is Outcome.CLEARLY_ABOVE
    assert check_line(replace(PLAN, air_kg_s=just_kg_s * 0.9999), 0.3).outcome is Outcome.NOT_PROVEN
    dense = check_line(replace(PLAN, temperature_k=3000.0), 3.1)  # fast, and more than 10 kg in a kg of air
    assert dense.margin > CLEAR_MARGIN
    assert dense.loading > 10.0
    assert dense.outcome is Outcome.NOT_PROVEN
    assert set(Outcome) == {Outcome.CLEARLY_ABOVE, Outcome.NOT_PROVEN}


def test_more_rubber_and_coarser_rubber_need_faster_air() -> None:
    speeds = [rizk_saltation(kg_s, 0.001, 1.2, 0.1) for kg_s in (0.1, 0.2, 0.4)]
    assert speeds == sorted(speeds)
    speeds = [rizk_saltation(0.2, size_m, 1.2, 0.1) for size_m in (0.0003, 0.001, 0.002)]
    assert speeds == sorted(speeds)


@pytest.mark.parametrize(
    ("solids", "size", "density", "diameter"),
    [(0.0, 1e-3, 1.2, 0.1), (0.2, 1e-3, 0.0, 0.1), (0.2, 1e-3, 1.2, -0.1), (0.2, 0.1, 1.2, 0.1), (0.2, 0.0, 1.2, 0.1)],
)
def test_nonsense_is_refused_with_what_was_found(solids: float, size: float, density: float, diameter: float) -> None:
    with pytest.raises(ValueError, match="must"):
        rizk_saltation(solids, size, density, diameter)
