"""Saltation in a dilute conveying line: the published example, and figures derived from the same correlation."""

import math

import pytest

from crumbmeter.planning.conveying import rizk_saltation


def test_rizk_example_of_rhodes() -> None:
    """0.25 kg/s of 100 um in a 78 mm pipe, air of 1.2 kg/m3.

    Rhodes, Introduction to Particle Technology (Wiley), worked example, as the documentation of the Python library
    `fluids` quotes it: 9.8833092829357 m/s with g = 9.80665 m/s2 (computation.md section 4, mark C).
    """
    assert rizk_saltation(0.25, 100e-6, 1.2, 0.078) == pytest.approx(9.8833092829357, rel=1e-13)


@pytest.mark.parametrize(("size_mm", "saltation_m_s"), [(0.3, 10.03), (0.6, 10.62), (1.0, 11.30), (2.0, 12.67)])
def test_rubber_at_900_kg_h(size_mm: float, saltation_m_s: float) -> None:
    """Derived, not published: computation.md section 4, mark D. Rubber 900 kg/h, pipe 102.3 mm, air 1.1 kg/m3."""
    assert rizk_saltation(900.0 / 3600.0, size_mm / 1000.0, 1.1, 0.1023) == pytest.approx(saltation_m_s, abs=0.005)


def test_operating_point_of_the_example() -> None:
    """Derived, not published: computation.md section 4, mark D: 1.5 times saltation is 14.825 m/s, 2.94."""
    velocity = 1.5 * rizk_saltation(0.25, 100e-6, 1.2, 0.078)
    volume_m3_s = velocity * math.pi * 0.078**2 / 4.0
    assert velocity == pytest.approx(14.825, abs=0.0005)
    assert volume_m3_s * 3600.0 == pytest.approx(255.0, abs=0.05)
    assert 0.25 / (volume_m3_s * 1.2) == pytest.approx(2.94, abs=0.005)
