"""Delays double, stay bounded, and differ by their jitter alone."""

from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from crumbmeter.runtime.backoff import Backoff


def test_doubles_up_to_the_longest() -> None:
    backoff = Backoff(shortest_s=0.5, longest_s=8.0, rng=lambda: 1.0)
    assert [backoff.delay_s(n) for n in range(8)] == [0.0, 0.5, 1.0, 2.0, 4.0, 8.0, 8.0, 8.0]


@given(st.integers(1, 10**9), st.integers())
def test_always_between_half_and_whole(failures: int, seed: int) -> None:
    backoff = Backoff(shortest_s=0.5, longest_s=30.0, rng=Random(seed).random)
    whole_s = min(30.0, 0.5 * 2.0 ** min(failures - 1, 60))
    assert whole_s / 2 <= backoff.delay_s(failures) <= whole_s


@pytest.mark.parametrize(("shortest_s", "longest_s"), [(0.0, 1.0), (2.0, 1.0), (-1.0, 1.0)])
def test_impossible_bounds_are_refused(shortest_s: float, longest_s: float) -> None:
    with pytest.raises(ValueError, match="back-off"):
        Backoff(shortest_s=shortest_s, longest_s=longest_s, rng=lambda: 0.0)
