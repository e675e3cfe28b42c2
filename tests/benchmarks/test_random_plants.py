"""Drawn plants come again, differ, and each has a site file that is taken and does not hold the truth."""

from pathlib import Path

import pytest

from crumbmeter import site as sites
from crumbmeter_sim.plantfile import load_plant
from tests.benchmarks import random_plants
from tests.benchmarks.drawn_plants import BASES, draw
from tests.benchmarks.test_page import dose_run


def test_draws_differ_and_come_again() -> None:
    first, again, other = draw(1), draw(1), draw(3)
    assert first == again
    assert first.base == other.base == BASES[0] != draw(2).base
    same = [key for key in first.truth if first.truth[key] == other.truth[key] != 0.0]
    assert all(key.endswith("filter_s") for key in same)  # of a few usual values


@pytest.mark.parametrize("number", [1, 2, 7, 12])
def test_a_drawn_site_file_is_taken_and_is_not_told_the_truth(number: int, tmp_path: Path) -> None:
    drawn = draw(number)
    _, site, changes = random_plants.placed(drawn, "refill", tmp_path)
    params = sites.load(site).params
    truth = load_plant(drawn.plant, changes)
    assert params.weighing.feed_factor_kg_rev == pytest.approx(truth.auger.feed_factor_kg_rev, rel=0.026)
    assert params.weighing.feed_factor_kg_rev != truth.auger.feed_factor_kg_rev
    assert params.line.travel_s == pytest.approx(truth.line.travel_s, abs=0.36)
    (aggregate,) = [stream for stream in params.streams if stream.stream_id == "aggregate"]
    assert aggregate.drum_residence_s == pytest.approx(truth.drum.inlet_to_injection_s, rel=0.022)
    assert truth.hopper.low_kg < truth.hopper.start_kg < truth.hopper.high_kg


def test_what_a_scenario_changes_is_brought_to_the_plant(tmp_path: Path) -> None:
    drawn = draw(4)
    _, _, usual = random_plants.placed(drawn, "start_up", tmp_path)
    _, _, changes = random_plants.placed(drawn, "bag_change", tmp_path)
    assert usual["hopper.start_kg"] > changes["hopper.start_kg"] > drawn.truth["hopper.low_kg"]
    assert changes["supply.start_kg"] < changes["supply.capacity_kg"] < 335.0
    assert "supply.start_kg" not in usual


def test_a_row_far_from_the_best_makes_the_section_miss() -> None:
    good, bad = dose_run(), dose_run("rate_change", crumbmeter=0.81)
    assert random_plants.judge({"runs": [good]}).met
    verdict = random_plants.judge({"runs": [good, bad]})
    assert not verdict.met
    assert verdict.reached == "1 of 2 rows met, on 1 drawn plants"
    said = random_plants.words({"runs": [good, bad]})
    assert "- not met: plant demo_drum, rate_change: +0.51 points" in said


def test_the_core_on_a_plant_that_nobody_has_seen() -> None:
    played = random_plants.play(random_plants.Case("start_up", 2, 1))
    assert played["outputs_outside_limits"] == 0
    assert abs(played["rubber_gap_kg"]) < 1e-6
    (row,) = random_plants.rows_of({"runs": [played]})
    assert random_plants.met(row)
