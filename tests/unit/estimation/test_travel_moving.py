"""Belts, drums and instruments on a grid: nothing is lost, and every mean is exact."""

import pytest

from crumbmeter.estimation.travel.moving import Entry, at_ends, lagged, later, off_belt, through_drum
from crumbmeter.estimation.travel.record import Readings, RunningSum


def moments(series: list[float], came_at: float) -> tuple[float, float, float]:
    """Return mass, mean and variance of what came out, in cells from the middle of the cell that it came in with."""
    mass = sum(series)
    mean = sum(cell * kg for cell, kg in enumerate(series)) / mass
    return mass, mean - came_at, sum((cell - mean) ** 2 * kg for cell, kg in enumerate(series)) / mass


@pytest.mark.parametrize("stages", [3.0, 12.0, 20.4, 49.7])
@pytest.mark.parametrize("part", [1.0, 0.73, 0.57])
def test_a_drum_keeps_mass_and_mean_for_every_number_of_stages_and_every_entry(stages: float, part: float) -> None:
    pulse = [0.0] * 1500
    pulse[10] = 5.0
    out = through_drum([Entry(part, pulse, 1.0)], [1.0] * 1500, 107.0, stages, 0.0)
    mass, mean, variance = moments(out, 10)
    assert mass == pytest.approx(5.0, rel=1e-6)
    assert mean == pytest.approx(107.0 * part, rel=1e-4)
    # mean^2 / stages; the grid adds cell^2 / 6 a stage, an entry between two stages a quarter of a stage^2 at most.
    assert abs(variance - (107.0 * part) ** 2 / (stages * part)) <= stages / 6.0 + (107.0 / stages) ** 2 / 4.0


def test_a_drum_that_stands_holds_everything_and_goes_on_where_it_was() -> None:
    pulse = [0.0] * 800
    pulse[0] = 1.0
    turned = [1.0] * 60 + [0.0] * 200 + [1.0] * 540
    stopped = through_drum([Entry(1.0, pulse, 1.0)], turned, 100.0, 15.0, 0.0)
    through = through_drum([Entry(1.0, pulse, 1.0)], [1.0] * 800, 100.0, 15.0, 0.0)
    assert stopped[60:260] == [0.0] * 200
    assert stopped[260:] == pytest.approx(through[60:600], abs=1e-12)


def test_a_load_above_the_usual_one_moves_faster() -> None:
    feed = [1.0] * 600
    usual = through_drum([Entry(1.0, feed, 1.0)], [1.0] * 600, 100.0, 20.0, 0.2)
    light = through_drum([Entry(1.0, feed, 2.0)], [1.0] * 600, 100.0, 20.0, 0.2)
    held_usual, held_light = 600.0 - sum(usual), 600.0 - sum(light)
    assert held_usual == pytest.approx(100.0, rel=1e-3)  # at the usual rate the residence is what it is called
    # Half the usual rate: content c obeys c = 100 / (1 + 0.2 (c / 200 - 1)) (derived).
    assert held_light == pytest.approx(100.0 / (1.0 + 0.2 * (held_light / 200.0 - 1.0)), rel=1e-3)
    assert held_light > 109.0


def test_a_belt_is_keyed_by_its_way() -> None:
    mass, moved = [1.0] * 60, [2.0] * 20 + [0.0] * 10 + [1.0] * 30
    out = off_belt(mass, moved, 30.0)
    assert out[:15] == [0.0] * 15
    assert out[15:20] == pytest.approx([1.0] * 5)
    assert out[20:30] == [0.0] * 10
    assert out[30:40] == pytest.approx([0.5] * 10)  # half the speed brings half as much a cell
    assert sum(out) <= 60.0


def test_later_shifts_by_parts_of_a_cell() -> None:
    assert later([0.0, 0.0, 1.0, 1.0, 1.0], 1.25, 1.0) == pytest.approx([0.0, 0.0, 0.0, 0.75, 1.0])


def test_a_lag_follows_a_ramp_by_its_time() -> None:
    out = lagged([0.1 * cell for cell in range(400)], 1.7, 0.1 / 0.1)
    assert out[-1] == pytest.approx(0.1 * 399 - 0.1 * 1.7)
    assert lagged([1.0, 3.0, 2.0], 0.0, 1.0) == [1.0, 3.0, 2.0]


def test_values_at_the_ends_of_cells_lie_between_their_means() -> None:
    assert at_ends([1.0, 3.0, 5.0]) == [2.0, 4.0, 5.0]


def test_a_running_sum_is_cut_without_loss_however_unevenly_it_came() -> None:
    total = RunningSum()
    at_s = 100.0
    for step in range(1000):
        dt_s = 0.1 + 0.15 * (step % 3)
        at_s += dt_s
        total.add(at_s, 2.0 * dt_s)
    cells = total.cells(101.0, 1.0, 200)
    assert cells == pytest.approx([2.0] * 200)


def test_readings_count_by_their_nearness_and_once() -> None:
    seen = Readings()
    for at_s, value in ((1.5, 10.0), (2.0, 20.0), (2.0, 99.0), (2.5, 30.0), (6.0, 60.0)):
        seen.add(at_s, value)
    assert seen.at_ends(0.0, 1.0, 7) == (10.0, 20.0, 30.0, None, None, 60.0, None)
