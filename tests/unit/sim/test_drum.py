"""The drum: nothing lost, nothing moved while it stands, travel and spread as its file says."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from crumbmeter_sim import drum as d
from crumbmeter_sim.drum import Drum, advance
from tests.unit.sim.making import demo

STEP_S = 0.2


def turning(**overrides: float) -> Drum:
    drum = Drum(demo(**overrides).drum, STEP_S, 60.0)
    drum.speed_share = 1.0
    return drum


@given(
    row=st.lists(st.floats(0.0, 500.0), min_size=2, max_size=40),
    forward=st.floats(0.0, 0.7),
    back=st.floats(0.0, 0.25),
)
def test_a_step_of_a_row_loses_nothing(row: list[float], forward: float, back: float) -> None:
    moved, left = advance(row, forward, back)
    assert math.fsum(moved) + left == pytest.approx(math.fsum(row), rel=1e-12, abs=1e-12)
    assert all(kg >= -1e-12 for kg in moved)


def test_a_drum_that_stands_moves_nothing() -> None:
    drum = turning()
    drum.take_inlet(100.0, 4.0, 100.0)
    drum.inject([50.0, 10.0, 1.0, 3.0, 0.3, 0.3, 0.3, 64.0])
    drum.speed_share = 0.0
    before, after = [list(row) for row in drum.before], [list(row) for row in drum.after]
    for _ in range(1000):
        assert drum.step_before() == [0.0] * 6
        assert drum.step_after() == [0.0] * 8
    assert (drum.before, drum.after) == (before, after)


def arrival(drum: Drum, seconds: float) -> tuple[float, float, float]:
    """Return (share that arrived, mean time, standard deviation) of what passes the injection point."""
    times, masses = [], []
    for i in range(round(seconds / STEP_S)):
        passed = drum.step_before()
        times.append(i * STEP_S)
        masses.append(passed[d.VIRGIN] + passed[d.RECYCLE])
    total = math.fsum(masses)
    mean = math.fsum(t * m for t, m in zip(times, masses, strict=True)) / total
    spread = math.sqrt(math.fsum((t - mean) ** 2 * m for t, m in zip(times, masses, strict=True)) / total)
    return total, mean, spread


def test_travel_from_inlet_and_from_collar_is_the_files() -> None:
    drum = turning(drum__load_effect=0.0)
    drum.take_inlet(1.0, 0.0, 0.0)
    total, mean, spread = arrival(drum, 400.0)
    assert total == pytest.approx(1.0, abs=1e-9)
    assert mean == pytest.approx(46.0, rel=0.05)
    assert spread == pytest.approx(46.0 * math.sqrt((1 + 2 * 0.15) / 30), rel=0.1)
    drum = turning(drum__load_effect=0.0)
    drum.take_collar(1.0, 0.0, 0.0, 0.0)
    assert arrival(drum, 400.0)[1] == pytest.approx(18.4, rel=0.08)


def test_travel_is_counted_in_revolutions() -> None:
    drum = turning(drum__load_effect=0.0)
    drum.speed_share = 0.5
    drum.take_inlet(1.0, 0.0, 0.0)
    assert arrival(drum, 800.0)[1] == pytest.approx(92.0, rel=0.05)


def test_a_fuller_drum_moves_faster() -> None:
    drum = turning()
    empty, _ = drum.forward_before()
    drum.before[d.VIRGIN][5] = 46.0 * 60.0
    full, _ = drum.forward_before()
    assert full / empty == pytest.approx(1.0 / (1.0 - 0.12), rel=1e-6)


def test_water_leaves_before_the_injection_point() -> None:
    drum = turning()
    drum.take_inlet(100.0, 5.0, 0.0)
    passed = [drum.step_before()[d.WATER] for _ in range(2000)]
    assert passed == [0.0] * 2000
    assert drum.evaporated_kg == pytest.approx(5.0, rel=1e-9)


def test_ahead_is_what_really_comes_if_nothing_changes() -> None:
    drum = turning(drum__load_effect=0.0)
    for _ in range(1500):
        drum.take_inlet(10.0, 0.4, 10.0)
        drum.step_before()
    for _ in range(200):
        drum.step_before()
    said = drum.ahead(6.0, [0.0] * 6)[d.VIRGIN]
    came = [drum.step_before()[d.VIRGIN] / STEP_S for _ in range(30)]
    assert said == pytest.approx(came[-1], rel=1e-9)
    assert came[0] > 1.05 * came[-1]  # and it was not simply the present flow
