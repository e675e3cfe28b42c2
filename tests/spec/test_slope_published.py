"""The straight line through weights against certified and derived figures. The source stands beside each check."""

from math import sqrt

import pytest

from crumbmeter.estimation.slope import line_through, slope_standard

# NIST Statistical Reference Datasets, linear regression, "Norris" (36 observations, lower level of difficulty): data
# and certified values, read in several independent stored copies.
NORRIS = (
    (0.1, 0.2), (338.8, 337.4), (118.1, 118.2), (888.0, 884.6), (9.2, 10.1), (228.1, 226.5), (668.5, 666.3),
    (998.5, 996.3), (449.1, 448.6), (778.9, 777.0), (559.2, 558.2), (0.3, 0.4), (0.1, 0.6), (778.1, 775.5),
    (668.8, 666.9), (339.3, 338.0), (448.9, 447.5), (10.8, 11.6), (557.7, 556.0), (228.3, 228.1), (998.0, 995.8),
    (888.8, 887.6), (119.6, 120.2), (0.3, 0.3), (0.6, 0.3), (557.6, 556.8), (339.3, 339.1), (888.0, 887.2),
    (998.5, 999.0), (778.9, 779.0), (10.2, 11.1), (117.6, 118.3), (228.9, 229.2), (668.4, 669.1), (449.2, 448.9),
    (0.2, 0.5),
)  # fmt: skip
"""(y, x)"""


def test_norris() -> None:
    line = line_through([x for _, x in NORRIS], [y for y, _ in NORRIS])
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-12)
    assert line.slope_standard == pytest.approx(0.429796848199937e-03, rel=1e-12)
    assert line.intercept == pytest.approx(-0.262323073774029, rel=1e-12)
    assert line.intercept_standard == pytest.approx(0.232818234301152, rel=1e-12)
    assert line.residual == pytest.approx(0.884796396144373, rel=1e-12)


@pytest.mark.parametrize(("count", "share"), [(5, 0.1), (11, 0.0090909), (31, 0.00040323)])
def test_variance_of_a_slope_is_twelve_over_n_n2_minus_1(count: int, share: float) -> None:
    # Identity: var(slope) / var(reading) = 12 / [dt^2 N (N^2 - 1)] (computation.md, section 1; derived). Held against
    # the weights that the fit itself gives to each reading.
    weights = [
        line_through(range(count), [1.0 if place == one else 0.0 for place in range(count)]).slope
        for one in range(count)
    ]
    assert sum(weight * weight for weight in weights) == pytest.approx(share, rel=1e-4)
    assert slope_standard(1.0, count, 1.0) == pytest.approx(sqrt(sum(weight * weight for weight in weights)), rel=1e-12)


@pytest.mark.parametrize(("window_s", "kg_h"), [(10.0, 2.494), (30.0, 0.4800), (60.0, 0.1697), (120.0, 0.0600)])
def test_flow_from_a_window_of_weights(window_s: float, kg_h: float) -> None:
    # Readings of 0.02 kg at 10 Hz (computation.md, section 1; derived).
    assert 3600.0 * slope_standard(0.02, round(window_s * 10.0), 0.1) == pytest.approx(kg_h, rel=2e-3)
