"""Quantiles of the normal, chi-square and t distributions against printed tables. The source stands beside each
check."""

from math import exp, inf

import pytest

from crumbmeter.estimation.gum import ABOUT_95
from crumbmeter.estimation.quantiles import (
    chi_square_above,
    chi_square_quantile,
    normal_above,
    normal_quantile,
    t_above,
    t_quantile,
)

# NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.1 (normal), from memory: three places of the usual points.
NORMAL = ((0.90, 1.282), (0.95, 1.645), (0.975, 1.960), (0.99, 2.326), (0.995, 2.576), (0.999, 3.090))
# The same, 1.3.6.7.4 (upper critical values of chi-square), from memory: degrees, then 0.95 and 0.99.
CHI_SQUARE = ((1, 3.841, 6.635), (2, 5.991, 9.210), (4, 9.488, 13.277), (10, 18.307, 23.209), (30, 43.773, 50.892),
              (100, 124.342, 135.807))  # fmt: skip
# GUM (JCGM 100:2008) Table G.2, from memory: degrees, then t for p = 95, 95.45 and 99 per cent.
STUDENT = ((1, 12.71, 13.97, 63.66), (2, 4.30, 4.53, 9.92), (5, 2.57, 2.65, 4.03), (10, 2.23, 2.28, 3.17),
           (16, 2.12, 2.17, 2.92), (20, 2.09, 2.13, 2.85), (50, 2.01, 2.05, 2.68),
           (inf, 1.960, 2.000, 2.576))  # fmt: skip


@pytest.mark.parametrize(("probability", "printed"), NORMAL)
def test_normal(probability: float, printed: float) -> None:
    assert normal_quantile(probability) == pytest.approx(printed, abs=0.0005)
    assert normal_quantile(1.0 - probability) == pytest.approx(-printed, abs=0.0005)
    assert normal_above(normal_quantile(probability)) == pytest.approx(1.0 - probability, rel=1e-12)


@pytest.mark.parametrize(("degrees", "at_95", "at_99"), CHI_SQUARE)
def test_chi_square(degrees: int, at_95: float, at_99: float) -> None:
    assert chi_square_quantile(0.95, degrees) == pytest.approx(at_95, abs=0.0005)
    assert chi_square_quantile(0.99, degrees) == pytest.approx(at_99, abs=0.0005)
    assert chi_square_above(chi_square_quantile(0.95, degrees), degrees) == pytest.approx(0.05, rel=1e-11)


@pytest.mark.parametrize(("degrees", "at_95", "at_95_45", "at_99"), STUDENT)
def test_student(degrees: float, at_95: float, at_95_45: float, at_99: float) -> None:
    assert t_quantile(0.975, degrees) == pytest.approx(at_95, abs=0.005)
    assert t_quantile(0.5 * (1.0 + ABOUT_95), degrees) == pytest.approx(at_95_45, abs=0.005)
    assert t_quantile(0.995, degrees) == pytest.approx(at_99, abs=0.005)


def test_k_of_two_is_exact_for_a_normal_quantity() -> None:
    assert t_quantile(0.5 * (1.0 + ABOUT_95), inf) == pytest.approx(2.0, abs=1e-12)
    assert pytest.approx(0.9545, abs=0.00005) == ABOUT_95


def test_closed_forms() -> None:
    # Derived: chi-square of two degrees is exponential; t of one degree is Cauchy, of two x / sqrt(2 + x^2).
    for value in (0.01, 0.7, 2.0, 5.0, 40.0):
        assert chi_square_above(value, 2) == pytest.approx(exp(-0.5 * value), rel=1e-12)
        assert t_above(value, 2.0) == pytest.approx(0.5 - 0.5 * value / (2.0 + value * value) ** 0.5, rel=1e-9)
        assert chi_square_above(value * value, 1) == pytest.approx(2.0 * normal_above(value), rel=1e-11)
    assert t_above(1.0, 1.0) == pytest.approx(0.25, rel=1e-12)
    assert t_above(-1.0, 1.0) == pytest.approx(0.75, rel=1e-12)


@pytest.mark.parametrize("degrees", [4.0, 5.0, 8.0, 16.7, 100.0, 999.0])
@pytest.mark.parametrize("probability", [0.6, 0.975, 0.977_249_868, 0.999])
def test_quantiles_of_t_are_where_the_tail_says(degrees: float, probability: float) -> None:
    value = t_quantile(probability, degrees)
    assert t_above(value, degrees) == pytest.approx(1.0 - probability, rel=1e-9)
    assert t_quantile(1.0 - probability, degrees) == pytest.approx(-value, rel=1e-9)


@pytest.mark.parametrize("probability", [0.0, 1.0, -0.1, 2.0, float("nan")])
def test_what_is_no_probability_is_refused(probability: float) -> None:
    with pytest.raises(ValueError, match="between 0 and 1"):
        normal_quantile(probability)
    with pytest.raises(ValueError, match="between 0 and 1"):
        chi_square_quantile(probability, 3)
    with pytest.raises(ValueError, match="between 0 and 1"):
        t_quantile(probability, 3)
