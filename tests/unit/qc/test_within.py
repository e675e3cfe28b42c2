import pytest

from crumbmeter.qc.within import (
    FAA_S_TENTHS,
    FAA_S_WHOLE,
    Basis,
    WithinLimitsError,
    index_for,
    mean_and_s,
    percent_within,
    symmetric_beta,
    table_percent,
    within_limits,
)

INF, NAN = float("inf"), float("nan")


@pytest.mark.parametrize(
    ("values", "lower", "upper", "said"),
    [
        ((1.0, 2.0), 0.0, None, "2 values were given"),
        ((1.0, NAN, 2.0), 0.0, None, "value 2 of 3 is nan"),
        ((1.0, 2.0, INF), 0.0, None, "value 3 of 3 is inf"),
        ((1.0, 2.0, 3.0), None, None, "neither a lower nor an upper limit"),
        ((1.0, 2.0, 3.0), NAN, None, "lower limit is nan"),
        ((1.0, 2.0, 3.0), 2.0, 2.0, "is not below the upper limit"),
    ],
)
def test_what_has_no_per_cent_is_refused(
    values: tuple[float, ...], lower: float | None, upper: float | None, said: str
) -> None:
    with pytest.raises(WithinLimitsError, match=said):
        within_limits(values, lower, upper, basis=Basis.RANDOM_SAMPLES)


@pytest.mark.parametrize(
    ("value", "lower", "upper", "percent"),
    [
        (0.1, 0.1, None, 100.0),
        (0.1, 0.2, None, 0.0),
        (0.1, None, 0.1, 100.0),
        (0.3, 0.1, 0.2, 0.0),
        (0.3, 0.1, 0.4, 100.0),
    ],
)
def test_without_scatter_a_side_is_all_or_nothing(
    value: float, lower: float | None, upper: float | None, percent: float
) -> None:
    found = within_limits([value] * 3, lower, upper, basis=Basis.FEEDER)
    assert (found.s, found.q_lower, found.q_upper) == (0.0, None, None)
    assert found.pwl_percent == percent


def test_mean_below_the_limit_is_less_than_half_and_never_below_nothing() -> None:
    low = within_limits((1.0, 2.0, 3.0, 4.0), 3.0, None, basis=Basis.RANDOM_SAMPLES)
    assert 0.0 < low.pwl_percent < 50.0
    assert low.p_upper_percent is None
    far = within_limits((1.0, 2.0, 3.0, 4.0), 2.4, 2.6, basis=Basis.RANDOM_SAMPLES)
    assert far.pwl_percent == pytest.approx(2.0 * percent_within(0.1 / far.s, 4) - 100.0)
    beyond = within_limits((1.0, 2.0, 3.0, 9.0), 10.0, 11.0, basis=Basis.RANDOM_SAMPLES)
    assert beyond.pwl_percent == 0.0


def test_value_carries_its_basis() -> None:
    assert within_limits((1.0, 2.0, 3.0), 0.0, None, basis=Basis.FEEDER).basis is Basis.FEEDER


def test_table_takes_the_next_row_upward_and_its_own_rounding() -> None:
    """With n = 4 the row of 80 % is 0.9000: what rounds to it is in that row, what is above it in the next."""
    assert table_percent(0.9, 4, FAA_S_WHOLE) == 80.0
    assert table_percent(0.90004, 4, FAA_S_WHOLE) == 80.0
    assert table_percent(0.90006, 4, FAA_S_WHOLE) == 81.0
    assert table_percent(-0.9, 4, FAA_S_WHOLE) == 20.0
    assert table_percent(9.0, 4, FAA_S_WHOLE) == 100.0
    assert table_percent(-9.0, 4, FAA_S_WHOLE) == 0.0


@pytest.mark.parametrize("n", range(3, 11))
def test_each_printed_row_gives_its_own_per_cent(n: int) -> None:
    for percent in range(1, 100):
        assert table_percent(round(index_for(percent, n), 4), n, FAA_S_WHOLE) == percent


def test_table_is_refused_where_it_has_no_column_or_no_index() -> None:
    with pytest.raises(WithinLimitsError, match="columns for 3 to 10 values and 11 were given"):
        within_limits([float(value) for value in range(11)], 1.0, None, basis=Basis.RANDOM_SAMPLES, table=FAA_S_WHOLE)
    with pytest.raises(WithinLimitsError, match="rounds to 0"):
        within_limits((1.00, 1.01, 1.02), 0.9, None, basis=Basis.RANDOM_SAMPLES, table=FAA_S_TENTHS)


def test_index_and_per_cent_are_each_others_inverse() -> None:
    for n in (3, 5, 8, 30, 400):
        for percent in (0.5, 20.0, 50.0, 77.7, 99.5):
            assert percent_within(index_for(percent, n), n) == pytest.approx(percent, abs=1e-9)
    assert index_for(0.0, 4) == -1.5
    with pytest.raises(WithinLimitsError, match="outside 0 to 100"):
        index_for(101.0, 4)
    with pytest.raises(WithinLimitsError, match="n is 2"):
        percent_within(1.0, 2)


def test_beta_function_of_simple_shapes() -> None:
    """I_x(1, 1) = x and I_x(2, 2) = x^2 (3 - 2 x)."""
    for x in (0.0, 0.1, 0.25, 0.4999, 0.5):
        assert symmetric_beta(x, 1.0) == pytest.approx(x, abs=1e-14)
        assert symmetric_beta(x, 2.0) == pytest.approx(x * x * (3.0 - 2.0 * x), abs=1e-14)


def test_standard_deviation_keeps_its_digits_far_from_zero() -> None:
    assert mean_and_s((1e9 + 1.0, 1e9 + 2.0, 1e9 + 3.0)) == (1e9 + 2.0, 1.0)
    assert mean_and_s((0.1,)) == (0.1, 0.0)
