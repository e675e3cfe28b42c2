"""The law of propagation of uncertainty against the examples of JCGM 100:2008 (GUM), each with its source.

Results marked "read" were seen in stored copies that quote the guide (computation.md, section 6); raw data marked "from
memory" lands exactly on them when it is recomputed.
"""

from math import cos, inf, sin, sqrt

import pytest

from crumbmeter.estimation.budget import Cause, dose_budget
from crumbmeter.estimation.gum import (
    Component,
    Provable,
    budget_of,
    combined,
    correlation,
    coverage_factor,
    digits_for,
    effective_degrees,
    of_limits,
    of_readings,
)
from crumbmeter.estimation.quantiles import t_quantile
from crumbmeter.process.dose import Mix
from crumbmeter.process.params import DoseBasis

TEMPERATURES = (96.90, 98.18, 98.25, 98.61, 99.03, 99.49, 99.56, 99.74, 99.89, 100.07, 100.33, 100.42, 100.68, 100.95,
                101.11, 101.20, 101.57, 101.84, 102.36, 102.72)  # fmt: skip
"""[degC] GUM Table 1, from memory."""


def test_twenty_temperatures() -> None:
    # GUM 4.4.3: mean 100.145, standard deviation 1.489, standard uncertainty of the mean 0.333 degC. Read.
    mean, deviation, uncertainty = of_readings(TEMPERATURES)
    assert (round(mean, 3), round(deviation, 3), round(uncertainty, 3)) == (100.145, 1.489, 0.333)


def test_limits_alone() -> None:
    # GUM 4.4.5: limits 96 and 104 degC, so 4 / sqrt(3) = 2.3 degC. From memory.
    assert round(of_limits(4.0), 1) == 2.3


GAUGE_NM = 50.000623e6
"""[nm] Length of the standard in GUM H.1."""


def end_gauge() -> tuple[Component, ...]:
    """GUM H.1, raw inputs; with the rounded ones of its table the variance comes to 1005.6 nm^2."""
    return (
        Component("standard", 25.0, 18.0),
        Component("repeated readings", 13.0 / sqrt(5.0), 24.0),
        Component("comparator, random", 10.0 / t_quantile(0.975, 5.0), 5.0),
        Component("comparator, systematic", 20.0 / 3.0, 8.0),
        Component("difference of expansion", GAUGE_NM * 0.1 * 1e-6 / sqrt(3.0), 50.0),
        Component("difference of temperature", GAUGE_NM * 11.5e-6 * 0.05 / sqrt(3.0), 2.0),
    )


def test_end_gauge() -> None:
    # GUM H.1: u = 32 nm, u^2 = 1002 nm^2, 16.7 effective degrees of freedom, t99(16) = 2.92, U99 = 93 nm. Read. The
    # guide multiplies rounded figures (2.92 x 32 = 93); unrounded it is 92.5.
    # Its degrees of freedom put the four parts of the comparison together first; the formula is the same either way.
    components = end_gauge()
    standard = combined(components)
    degrees = effective_degrees(components, standard)
    assert round(standard) == 32
    assert standard**2 == pytest.approx(1002.24, abs=0.005)
    assert degrees == pytest.approx(16.7, abs=0.06)
    assert coverage_factor(degrees, 0.99) == pytest.approx(2.92, abs=0.005)
    assert round(round(coverage_factor(degrees, 0.99), 2) * round(standard)) == 93
    assert budget_of(50_000_838.0, components, probability=0.99).expanded == pytest.approx(92.5, abs=0.05)


def test_welch_satterthwaite() -> None:
    # GUM G.4.1, example: relative 0.25, 0.57 and 0.82 per cent from 10, 5 and 15 observations: 1.03 per cent, 19.0
    # degrees of freedom, t95 = 2.09, U = 2.2 per cent. Read. 19.0 comes of the rounded 1.03; unrounded it is 18.9987,
    # which truncates to 18.
    components = (Component("a", 0.25, 9.0), Component("b", 0.57, 4.0), Component("c", 0.82, 14.0))
    standard = combined(components)
    assert round(standard, 2) == 1.03
    assert effective_degrees(components, 1.03) == pytest.approx(19.0, abs=0.05)
    assert effective_degrees(components, standard) == pytest.approx(18.9987, abs=5e-5)
    assert coverage_factor(effective_degrees(components, 1.03), 0.95) == pytest.approx(2.09, abs=0.005)
    assert coverage_factor(effective_degrees(components, standard), 0.95) == pytest.approx(2.10, abs=0.005)
    assert round(2.09 * 1.03, 1) == 2.2


VOLTS = (5.007, 4.994, 5.005, 4.990, 4.999)
MILLIAMPS = (19.663, 19.639, 19.640, 19.685, 19.678)
RADIANS = (1.0456, 1.0438, 1.0468, 1.0428, 1.0433)
"""GUM Table H.2, from memory."""


def test_correlated_readings() -> None:
    # GUM H.2: resistance 127.732, reactance 219.847, impedance 254.260 ohm, with 0.071, 0.295 and 0.236 ohm, and the
    # correlations -0.36, 0.86 and -0.65. Values and correlations read.
    (v, _, u_v), (i, _, u_i), (p, _, u_p) = of_readings(VOLTS), of_readings(MILLIAMPS), of_readings(RADIANS)
    pairs = {("V", "I"): correlation(VOLTS, MILLIAMPS), ("V", "p"): correlation(VOLTS, RADIANS),
             ("I", "p"): correlation(MILLIAMPS, RADIANS)}  # fmt: skip
    assert [round(r, 2) for r in pairs.values()] == [-0.36, 0.86, -0.65]
    z = 1000.0 * v / i
    expected = {
        "R": (z * cos(p), (z * cos(p) / v, -z * cos(p) / i, -z * sin(p)), 127.732, 0.071),
        "X": (z * sin(p), (z * sin(p) / v, -z * sin(p) / i, z * cos(p)), 219.847, 0.295),
        "Z": (z, (z / v, -z / i, 0.0), 254.260, 0.236),
    }
    for value, (by_v, by_i, by_p), printed, uncertainty in expected.values():
        components = (Component("V", by_v * u_v), Component("I", by_i * u_i), Component("p", by_p * u_p))
        budget = budget_of(value, components, pairs)
        assert budget.value == pytest.approx(printed, abs=6e-4)
        assert budget.standard == pytest.approx(uncertainty, abs=6e-4)


def test_printed_components_of_a_weight() -> None:
    # EA-4/02, supplement 2 (10 kg weight): contributions 22.5, 8.66, 14.4, 5.77 and 5.77 mg make 29.2 mg, U = 58 mg.
    # The result was read; the contributions are from memory.
    components = tuple(Component(str(part), part) for part in (22.5, 8.66, 14.4, 5.77, 5.77))
    assert combined(components) == pytest.approx(29.24, abs=0.005)
    assert round(2.0 * 29.2) == 58


def test_the_worked_dose() -> None:
    # computation.md, section 6 (derived, checked there with another library): rubber 1200 +- 3, wet aggregate
    # 200 000 +- 1000 with water 0.040 +- 0.004 of dry mass, binder 11 000 +- 55; degrees of freedom 29, 12, 9 and 20.
    # d = 0.586775 %, u = 0.003777 %, 28.1 degrees of freedom, U95 = 0.0077 %. Forgetting the water is -3.6 % of it.
    wet, water = 200_000.0, 0.040
    causes = (
        Cause("rubber", 3.0, degrees=29.0),
        Cause("scale", 0.0, Mix(dry_aggregate=1000.0 / (1.0 + water)), 12.0),
        Cause("water", 0.0, Mix(dry_aggregate=-wet * 0.004 / (1.0 + water) ** 2), 9.0),
        Cause("binder", 0.0, Mix(virgin_binder=55.0), 20.0),
    )
    mix = Mix(dry_aggregate=wet / (1.0 + water), virgin_binder=11_000.0)
    budget = dose_budget(DoseBasis.TOTAL_MIX, 1200.0, mix, causes)
    assert budget is not None
    assert 100.0 * budget.value == pytest.approx(0.586775, abs=5e-7)
    assert 100.0 * budget.standard == pytest.approx(0.003777, abs=5e-7)
    assert budget.degrees == pytest.approx(28.1, abs=0.05)
    at_95 = budget_of(budget.value, budget.components, probability=0.95)
    assert 100.0 * at_95.expanded == pytest.approx(0.0077, abs=5e-5)
    assert [one.name for one in budget.components] == ["scale", "water", "rubber", "binder"]
    unwatered = dose_budget(DoseBasis.TOTAL_MIX, 1200.0, Mix(dry_aggregate=wet, virgin_binder=11_000.0), causes)
    assert unwatered is not None
    assert unwatered.value / budget.value - 1.0 == pytest.approx(-0.036, abs=5e-4)


def test_digits_of_a_result() -> None:
    # GUM 7.2.6: two significant digits of the uncertainty, the value to the same place. 7.2.2: 100.021 47 g with
    # 0.000 70 g, and 100.021 47 +- 0.000 79 g. From memory.
    assert f"{100.021_47:.{digits_for(0.000_70)}f}" == "100.02147"
    assert f"{0.000_79:.{digits_for(0.000_79)}f}" == "0.00079"
    assert [digits_for(size) for size in (0.21, 0.0996, 0.95, 1.2, 9.96, 12.0, 480.0)] == [2, 2, 2, 1, 0, 0, 0]
    assert digits_for(0.0) == digits_for(inf) == 2


def test_guarded_acceptance() -> None:
    # JCGM 106:2012, clause 8, from memory: with a guard band of U the acceptance limit is T - U.
    assert Provable(0.05, 0.02).acceptance == pytest.approx(0.03)
    assert Provable(0.05, 0.02).possible
    assert Provable(0.05, 0.0125).capability == pytest.approx(4.0)
    assert not Provable(0.05, 0.05).possible
    assert Provable(0.05, 0.0).capability == inf
