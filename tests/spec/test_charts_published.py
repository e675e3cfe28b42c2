"""Control charts against the NIST/SEMATECH e-Handbook, section 6.3.2, and published run lengths (computation.md, 7)."""

from collections.abc import Callable
from random import Random
from statistics import fmean

import pytest

from crumbmeter.qc.charts import EWMA_WEIGHT, EWMA_WIDTH, Rule, cusum, ewma, individuals

FLOW_RATE = (49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1)
"""6.3.2.2, individuals."""
EWMA_DATA = (
    52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6,
    52.1,
)  # fmt: skip
"""6.3.2.4."""
EWMA_PRINTED = (
    50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05, 49.38, 49.92,
    50.73, 51.23, 51.94, 51.99,
)  # fmt: skip
CUSUM_DATA = (
    324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600, 324.625, 325.150, 328.325,
    327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350,
)  # fmt: skip
"""6.3.2.3, means of 20 groups."""
CUSUM_HIGH_PRINTED = (*[0.00] * 4, 0.03, *[0.00] * 7, 3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.00, 19.04)
CUSUM_LOW_PRINTED = (0.00, 0.01, 0.00, 0.33, 0.00, 0.00, 0.56, 0.72, 0.17, 0.25, 0.31, *[0.00] * 9)


def test_individuals_of_6_3_2_2() -> None:
    chart = individuals(FLOW_RATE)
    assert chart.centre == pytest.approx(50.81, abs=1e-9)
    assert chart.mean_range == pytest.approx(1.8778, abs=5e-5)
    assert (chart.upper, chart.lower) == pytest.approx((55.8041, 45.8159), abs=5e-5)
    assert chart.out == ()


def test_ewma_of_6_3_2_4() -> None:
    """The handbook rounds sqrt(weight / (2 - weight)) to 0.4201, so its lower limit ends with 5 and not 6."""
    chart = ewma(EWMA_DATA, 50.0, 2.0539, weight=0.3, width=3.0, asymptotic=True)
    assert chart.averages == pytest.approx(EWMA_PRINTED, abs=0.0051)
    assert (chart.upper[0], chart.lower[0]) == pytest.approx((52.5884, 47.4115), abs=1.01e-4)
    assert chart.out == ()


def test_cusum_of_6_3_2_3() -> None:
    chart = cusum(CUSUM_DATA, 325.0, 0.3175, 4.1959)
    assert chart.high == pytest.approx(CUSUM_HIGH_PRINTED, abs=0.0051)
    assert chart.low == pytest.approx(CUSUM_LOW_PRINTED, abs=0.0051)
    assert next(one.place + 1 for one in chart.out if one.rule is Rule.CUSUM_HIGH) == 14


def mean_run(shift: float, runs: int, longest: int, signals_at: Callable[[list[float]], int | None]) -> float:
    """Return how many values it takes to the first signal, on average, with the mean shifted [standard deviations]."""
    draw = Random(20_240_611)
    lengths = []
    for _ in range(runs):
        place = signals_at([draw.gauss(shift, 1.0) for _ in range(longest)])
        assert place is not None
        lengths.append(place + 1)
    return fmean(lengths)


def ewma_signal(values: list[float]) -> int | None:
    out = ewma(values, 0.0, 1.0, weight=EWMA_WEIGHT, width=EWMA_WIDTH, asymptotic=True).out
    return out[0].place if out else None


def cusum_signal(limit: float) -> Callable[[list[float]], int | None]:
    def signals_at(values: list[float]) -> int | None:
        out = cusum(values, 0.0, 0.5, limit).out
        return out[0].place if out else None

    return signals_at


@pytest.mark.parametrize(("shift", "published"), [(0.75, 18.2), (1.0, 10.5), (1.5, 5.5), (2.0, 3.7)])
def test_run_length_of_the_ewma(shift: float, published: float) -> None:
    """Lucas and Saccucci 1990 (FROM MEMORY, recomputed in computation.md): weight 0.2, width 2.962; within 3 %."""
    assert mean_run(shift, 2000, 150, ewma_signal) == pytest.approx(published, rel=0.03)


@pytest.mark.parametrize(("limit", "published"), [(4.0, 8.38), (5.0, 10.4)])
def test_run_length_of_the_cusum_after_a_shift_of_one(limit: float, published: float) -> None:
    """Montgomery (FROM MEMORY, recomputed by a Markov chain in computation.md): k = 0.5; within 3 %."""
    assert mean_run(1.0, 2000, 90, cusum_signal(limit)) == pytest.approx(published, rel=0.03)


def test_run_length_of_the_cusum_in_control() -> None:
    """The same: 168 values to a false alarm with h = 4; 500 runs tell it within 10 % or so."""
    assert mean_run(0.0, 500, 1700, cusum_signal(4.0)) == pytest.approx(168.0, rel=0.10)
