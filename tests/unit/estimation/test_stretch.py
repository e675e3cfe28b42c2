"""A line through the blocks of a weight at rest: its slope and uncertainty, steps, and what counts as steady."""

from math import sqrt
from random import Random

import pytest

from crumbmeter.estimation.stretch import BLOCK_S, MOST_BLOCKS, Stretch, begun, line_of, taken


def read(
    slope_kg_s: float, seconds: float, noise_kg: float = 0.0, seed: int = 1, step: tuple[float, float] = (1e9, 0.0)
) -> Stretch:
    """Read a weight twice a second."""
    chance = Random(seed)
    stretch = begun(100.0, 500.0)
    for number in range(1, round(seconds * 2)):
        at_s = number * 0.5
        jump_kg = step[1] if at_s >= step[0] else 0.0
        stretch = taken(stretch, 100.0 + at_s, 500.0 + slope_kg_s * at_s + jump_kg + chance.gauss(0.0, noise_kg))
    return stretch


def test_the_slope_of_a_straight_line_is_exact() -> None:
    line = line_of(read(-0.03, 120.5).means)
    assert line is not None
    assert line.slope_kg_s == pytest.approx(-0.03, rel=1e-9)
    assert line.lasted_s == 120.0
    assert line.steady


def test_the_stated_uncertainty_of_the_slope_is_that_of_its_error() -> None:
    # 200 stretches of 2 min with 0.3 kg of noise, ten readings a block: sigma^2 = 12 s^2 / (h^2 n (n^2 - 1)), derived.
    slopes, stated = [], []
    for seed in range(200):
        line = line_of(read(-0.01, 120.5, noise_kg=0.3, seed=seed).means)
        assert line is not None
        slopes.append((line.slope_kg_s + 0.01) / line.uncertainty_kg_s)
        stated.append(line.uncertainty_kg_s)
    number, block_kg = 24, 0.3 / sqrt(10.0)
    derived = sqrt(12.0 * block_kg**2 / (BLOCK_S**2 * number * (number**2 - 1)))
    assert sum(stated) / len(stated) == pytest.approx(derived, rel=0.05)
    assert 0.85 < sqrt(sum(z * z for z in slopes) / len(slopes)) < 1.2


def test_a_few_blocks_say_nothing() -> None:
    assert line_of(read(-0.03, 29.0).means) is None


def test_a_bag_begins_anew() -> None:
    stretch = read(0.0, 120.0, step=(60.0, 907.0))
    assert stretch.since_s >= 160.0
    assert all(mean > 1400.0 for mean in stretch.means)


def test_a_sample_taken_from_the_supply_is_not_steady() -> None:
    line = line_of(read(0.0, 240.5, step=(100.0, -2.5)).means)
    assert line is not None
    assert line.slope_kg_s < -0.01
    assert not line.steady


def test_a_silence_begins_anew() -> None:
    stretch = taken(read(0.0, 60.0), 200.0, 500.0)
    assert stretch == begun(200.0, 500.0)


def test_the_oldest_blocks_are_dropped() -> None:
    stretch = read(-0.01, MOST_BLOCKS * BLOCK_S + 200.0)
    assert len(stretch.means) == MOST_BLOCKS
    line = line_of(stretch.means)
    assert line is not None
    assert line.slope_kg_s == pytest.approx(-0.01)
