"""Per cent within limits, against published tables and examples (check-values.md, section 4; computation.md, 8)."""

from math import asin, pi, sqrt

import pytest

from crumbmeter.qc.within import (
    FAA_S_TENTHS,
    FAA_S_WHOLE,
    Basis,
    greatest_index,
    index_for,
    mean_and_s,
    percent_within,
    table_percent,
    within_limits,
)

MIL_STD_414_B5 = {
    4: {1.50: 0.0, 1.60: 0.0},
    5: {1.50: 3.799, 1.60: 2.026, 1.70: 0.659, 1.75: 0.192, 1.79: 0.000},
    7: {1.50: 5.282, 1.60: 3.827, 1.70: 2.618, 1.80: 1.655, 1.90: 0.930},
    10: {1.50: 5.875, 1.60: 4.537, 1.70: 3.412, 1.80: 2.487, 1.90: 1.746},
}
"""[%] Outside one limit, by n and quality index: MIL-STD-414 / ANSI Z1.9, table B-5, standard deviation method."""

FHWA_1B = {
    73: (0.76, 0.69, 0.66, 0.65, 0.64, 0.63, 0.63, 0.63),
    70: (0.68, 0.60, 0.57, 0.56, 0.55, 0.55, 0.54, 0.54),
    65: (0.52, 0.45, 0.43, 0.41, 0.41, 0.40, 0.40, 0.40),
    60: (0.36, 0.30, 0.28, 0.27, 0.27, 0.27, 0.26, 0.26),
    57: (0.25, 0.21, 0.20, 0.19, 0.19, 0.19, 0.18, 0.18),
}
"""Quality index for a per cent within, n = 3 to 10: FHWA Technical Advisory T 5080.12, table 1B. (Its row 67 prints .47
for n = 5 where the exact value is .4836: a misprint of the source, left out.)"""

REGRESSION = {
    0.25: (56.947, 58.333, 58.868, 59.301, 59.534),
    0.50: (64.255, 66.667, 67.560, 68.263, 68.633),
    0.75: (72.503, 75.000, 75.887, 76.563, 76.903),
    1.00: (83.333, 83.333, 83.636, 83.899, 84.027),
    1.25: (100.0, 91.667, 90.538, 90.017, 89.795),
    1.50: (100.0, 100.0, 96.201, 94.718, 94.125),
}
"""[%] Within, for n = 3, 4, 5, 7, 10. DERIVED (check-values.md, section 4): a guard, not a publication."""
REGRESSION_INDEX = {
    3: (1.0982, 0.9342, 0.6787), 4: (1.2000, 0.9000, 0.6000), 5: (1.2290, 0.8799, 0.5719),
    7: (1.2492, 0.8625, 0.5504), 10: (1.2602, 0.8533, 0.5394),
}  # fmt: skip
"""Quality index for 90, 80 and 70 %. DERIVED, as above."""


@pytest.mark.parametrize(
    ("n", "q", "outside"), [(n, q, p) for n, row in MIL_STD_414_B5.items() for q, p in row.items()]
)
def test_mil_std_414_table_b5(n: int, q: float, outside: float) -> None:
    assert 100.0 - percent_within(q, n) == pytest.approx(outside, abs=0.0005)


def test_mil_std_414_sheet_prints_five_decimals_for_seven_values() -> None:
    assert 100.0 - percent_within(1.50, 7) == pytest.approx(5.28249, abs=5e-6)


@pytest.mark.parametrize(("percent", "n", "q"), [(p, n, q) for p, row in FHWA_1B.items() for n, q in enumerate(row, 3)])
def test_fhwa_t_5080_12_table_1b(percent: int, n: int, q: float) -> None:
    assert index_for(percent, n) == pytest.approx(q, abs=0.0051)


def test_faa_mat_density_example_in_all_three_ways() -> None:
    """FAA AC 150/5370-10 Section 110 workshop example, P-401 mat density: 96, 97, 99, 100 with L = 96.3 give 82."""
    cores = (96.0, 97.0, 99.0, 100.0)
    printed = within_limits(cores, 96.3, None, basis=Basis.RANDOM_SAMPLES, table=FAA_S_TENTHS)
    assert (printed.mean, printed.s) == (98.0, 1.8)
    assert printed.q_lower == pytest.approx(0.9444, abs=5e-5)
    assert printed.pwl_percent == 82.0
    assert "FAA AC 150/5370-10" in printed.mode
    exact = within_limits(cores, 96.3, None, basis=Basis.RANDOM_SAMPLES)
    assert exact.s == pytest.approx(1.825742, abs=1e-6)
    assert exact.q_lower == pytest.approx(0.931128, abs=1e-6)
    assert exact.pwl_percent == pytest.approx(81.04, abs=0.005)
    assert exact.mode == "exact"
    assert percent_within((98.0 - 96.3) / 1.8, 4) == pytest.approx(81.48, abs=0.005)


def test_faa_standard_deviation_example() -> None:
    """The same source: 2, 4, 6, 8 have the mean 5 and Sn 2.58."""
    assert mean_and_s((2.0, 4.0, 6.0, 8.0)) == pytest.approx((5.0, 2.5820), abs=5e-5)


def test_faa_air_voids_example_of_section_110() -> None:
    """Item C-110 (the text FROM MEMORY, the values reproduce): 97 + 93 - 100 = 90; exact it is a full per cent less."""
    voids = (5.00, 3.74, 2.30, 3.25)
    printed = within_limits(voids, 2.0, 5.0, basis=Basis.RANDOM_SAMPLES, table=FAA_S_WHOLE)
    assert printed.q_lower == pytest.approx(1.3992, abs=5e-5)
    assert printed.q_upper == pytest.approx(1.2702, abs=5e-5)
    assert (printed.p_lower_percent, printed.p_upper_percent, printed.pwl_percent) == (97.0, 93.0, 90.0)
    exact = within_limits(voids, 2.0, 5.0, basis=Basis.RANDOM_SAMPLES)
    assert exact.pwl_percent == pytest.approx(88.98, abs=0.005)


def test_faa_air_voids_example_of_the_workshop() -> None:
    """The workshop's other example: n = 4, Q_L = 0.7955 is 77 in the table, 76.52 exact (computation.md, section 8)."""
    assert table_percent(0.7955, 4, FAA_S_WHOLE) == 77.0
    assert percent_within(0.7955, 4) == pytest.approx(76.52, abs=0.005)


@pytest.mark.parametrize("q", [-1.1, -0.5, 0.0, 0.1, 0.6, 1.0, 1.15])
def test_closed_forms(q: float) -> None:
    """n = 3: 50 + (100 / pi) asin(Q sqrt(3) / 2); n = 4: 50 + 100 Q / 3 (check-values.md, section 4)."""
    assert percent_within(q, 3) == pytest.approx(50.0 + 100.0 / pi * asin(q * sqrt(3.0) / 2.0), abs=1e-9)
    assert percent_within(q, 4) == pytest.approx(50.0 + 100.0 * q / 3.0, abs=1e-9)


@pytest.mark.parametrize(("n", "q"), [(3, 1.1547), (4, 1.5), (5, 1.7889), (6, 2.0412), (7, 2.2678), (10, 2.846)])
def test_all_is_within_from_the_greatest_index_on(n: int, q: float) -> None:
    assert greatest_index(n) == pytest.approx(q, abs=5e-5)
    assert percent_within(greatest_index(n), n) == pytest.approx(100.0, abs=1e-6)
    assert percent_within(greatest_index(n) + 0.1, n) == 100.0


def test_two_sided_example() -> None:
    """0.48, 0.52, 0.50, 0.55, 0.47 % within 0.45 to 0.55: DERIVED (check-values.md, section 4)."""
    found = within_limits((0.48, 0.52, 0.50, 0.55, 0.47), 0.45, 0.55, basis=Basis.RANDOM_SAMPLES)
    assert (found.mean, found.s) == pytest.approx((0.504, 0.0320936), abs=5e-8)
    assert (found.q_upper, found.q_lower) == pytest.approx((1.43331, 1.68258), abs=5e-6)
    assert found.p_upper_percent == pytest.approx(94.8430, abs=5e-5)
    assert found.p_lower_percent == pytest.approx(99.1386, abs=5e-5)
    assert found.pwl_percent == pytest.approx(93.9816, abs=5e-5)


@pytest.mark.parametrize(
    ("q", "n", "percent"),
    [(q, n, p) for q, row in REGRESSION.items() for n, p in zip((3, 4, 5, 7, 10), row, strict=True)],
)
def test_regression_rows(q: float, n: int, percent: float) -> None:
    assert percent_within(q, n) == pytest.approx(percent, abs=0.0005)


@pytest.mark.parametrize("n", REGRESSION_INDEX)
def test_regression_rows_of_the_index(n: int) -> None:
    found = [index_for(percent, n) for percent in (90.0, 80.0, 70.0)]
    assert found == pytest.approx(REGRESSION_INDEX[n], abs=5e-5)
