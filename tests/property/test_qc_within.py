"""Per cent within limits, whatever the values are."""

from math import isfinite

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from crumbmeter.qc.within import (
    FAA_S_WHOLE,
    Basis,
    greatest_index,
    index_for,
    percent_within,
    table_percent,
    within_limits,
)

indices = st.floats(min_value=-6.0, max_value=6.0)
numbers = st.integers(min_value=3, max_value=2000)
values = st.lists(st.floats(min_value=-1e6, max_value=1e6), min_size=3, max_size=30)


@given(q=indices, n=numbers)
def test_per_cent_is_a_share_and_its_other_side_the_rest(q: float, n: int) -> None:
    percent = percent_within(q, n)
    assert 0.0 <= percent <= 100.0
    assert percent_within(-q, n) == pytest.approx(100.0 - percent, abs=1e-9)


@given(q=indices, more=st.floats(min_value=0.0, max_value=3.0), n=numbers)
def test_more_room_is_never_a_smaller_share(q: float, more: float, n: int) -> None:
    assert percent_within(q + more, n) >= percent_within(q, n) - 1e-9


@given(percent=st.floats(min_value=0.0, max_value=100.0), n=numbers)
def test_index_comes_back(percent: float, n: int) -> None:
    q = index_for(percent, n)
    assert abs(q) <= greatest_index(n)
    assert percent_within(q, n) == pytest.approx(percent, abs=1e-6)


@given(q=st.floats(min_value=-4.0, max_value=4.0), n=st.integers(min_value=3, max_value=10))
def test_table_is_the_next_whole_per_cent_upward(q: float, n: int) -> None:
    exact, printed = percent_within(q, n), table_percent(q, n, FAA_S_WHOLE)
    assert printed == int(printed)
    assert -0.5 < printed - exact < 1.5


@given(values=values, lower=st.floats(-1e6, 1e6), width=st.floats(min_value=1.0, max_value=1e6))
def test_moving_values_and_limits_together_changes_nothing(values: list[float], lower: float, width: float) -> None:
    assume(max(values) - min(values) > 1.0)
    here = within_limits(values, lower, lower + width, basis=Basis.RANDOM_SAMPLES)
    there = within_limits([-value for value in values], -lower - width, -lower, basis=Basis.RANDOM_SAMPLES)
    assert isfinite(here.pwl_percent)
    assert 0.0 <= here.pwl_percent <= 100.0
    assert there.pwl_percent == pytest.approx(here.pwl_percent, abs=1e-6)
    one_side = within_limits(values, lower, None, basis=Basis.RANDOM_SAMPLES)
    assert one_side.pwl_percent >= here.pwl_percent
