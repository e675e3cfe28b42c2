from itertools import pairwise

import pytest

from crumbmeter.qc.charts import ChartError, Rule, autocorrelation, cusum, ewma, individuals, thinned

STEADY = (10.0, 11.0, 10.0, 11.0, 10.0, 11.0)


def test_values_are_judged_by_the_limits_of_others() -> None:
    """Mean 10.5, mean range 1: limits at 10.5 +- 2.66, the range's at 3.267."""
    chart = individuals(STEADY, judged=(10.0, 13.1, 13.2, 9.0))
    assert (chart.upper, chart.lower) == pytest.approx((13.1596, 7.8404), abs=5e-5)
    assert chart.upper_range == 3.267
    assert [(one.place, one.rule) for one in chart.out] == [(2, Rule.BEYOND_LIMIT), (3, Rule.RANGE)]
    assert [one.value for one in chart.out] == pytest.approx([13.2, 4.2])
    assert chart.sigma == pytest.approx(1.0 / 1.128)


def test_a_value_on_its_limit_is_in_control() -> None:
    flat = individuals((5.0, 5.0, 5.0))
    assert (flat.upper, flat.lower, flat.out) == (5.0, 5.0, ())
    assert cusum((1.0,), 0.0, 0.0, 1.0).out == ()
    assert ewma((1.0,), 0.0, 1.0, weight=1.0, width=1.0, asymptotic=True).out == ()


def test_exact_limits_begin_narrow_and_reach_the_asymptotic_ones() -> None:
    """At the first point they are width sigma weight; after many points those of a long run."""
    chart = ewma([0.0] * 60, 0.0, 2.0, weight=0.2, width=3.0)
    long_run = ewma([0.0], 0.0, 2.0, weight=0.2, width=3.0, asymptotic=True)
    assert chart.upper[0] == pytest.approx(3.0 * 2.0 * 0.2)
    assert all(after > before for before, after in pairwise(chart.upper[:20]))
    assert chart.upper[-1] == pytest.approx(long_run.upper[0])
    assert chart.lower[-1] == -chart.upper[-1]


def test_early_shift_is_seen_by_exact_limits_and_not_by_asymptotic_ones() -> None:
    values = (3.2, 0.0, 0.0)
    exact = ewma(values, 0.0, 1.0, weight=0.2, width=3.0)
    assert [(one.place, one.rule) for one in exact.out] == [(0, Rule.EWMA)]
    assert ewma(values, 0.0, 1.0, weight=0.2, width=3.0, asymptotic=True).out == ()


def test_cusum_tells_which_way() -> None:
    chart = cusum((0.0, -3.0, -3.0, 0.0, 9.0), 0.0, 0.5, 4.0)
    assert chart.low == (0.0, 2.5, 5.0, 4.5, 0.0)
    assert chart.high == (0.0, 0.0, 0.0, 0.0, 8.5)
    assert [(one.place, one.rule) for one in chart.out] == [
        (2, Rule.CUSUM_LOW), (3, Rule.CUSUM_LOW), (4, Rule.CUSUM_HIGH),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("every_s", "time_constant_s", "kept"),
    [(60.0, 20.0, 1), (60.0, 20.1, 2), (60.0, 60.0, 3), (60.0, 0.0, 1), (10.0, 100.0, 30)],
)
def test_thinned_values_are_three_time_constants_apart(every_s: float, time_constant_s: float, kept: int) -> None:
    values = tuple(range(90))
    assert thinned(values, every_s, time_constant_s) == values[::kept]


def test_autocorrelation_of_neighbours() -> None:
    """Of 1, 2, 3: the mean is 2, the sum of products of neighbours 0, so 0; of an alternating row near -1."""
    assert autocorrelation((1.0, 2.0, 3.0)) == 0.0
    assert autocorrelation([1.0, -1.0] * 50) == pytest.approx(-0.99)
    assert autocorrelation((1.0, 2.0)) is None
    assert autocorrelation((3.0, 3.0, 3.0)) is None


def test_what_makes_no_chart_is_refused() -> None:
    with pytest.raises(ChartError, match="1 values have no moving range"):
        individuals((1.0,))
    with pytest.raises(ChartError, match=r"weight 0\.0 of an EWMA"):
        ewma((1.0,), 0.0, 1.0, weight=0.0)
    with pytest.raises(ChartError, match=r"standard deviation -1\.0 is negative"):
        ewma((1.0,), 0.0, -1.0)
    with pytest.raises(ChartError, match="are not below 0"):
        cusum((1.0,), 0.0, -0.5, 4.0)
    with pytest.raises(ChartError, match="do not follow each other"):
        thinned((1.0,), 0.0, 1.0)
