"""A belt keyed by distance: travel, standstill, and what the scale makes of it."""

from random import Random

import pytest

from crumbmeter_sim.belt import Belt
from tests.unit.sim.making import STILL, demo

STEP_S = 0.1


def make(**overrides: float) -> Belt:
    truth = demo(**{key.replace(".", "__"): value for key, value in STILL.items()}, **overrides)
    belt = Belt(truth.belt[0], STEP_S, Random(1))
    belt.running = True
    belt.target_dry_kg_s = 50.0
    return belt


def run(belt: Belt, seconds: float) -> list[float]:
    return [belt.step()[0] for _ in range(round(seconds / STEP_S))]


def test_material_arrives_after_its_travel() -> None:
    belt = make(belt__0__run_up_s=0.1, belt__0__gate_lag_s=0.1)
    fallen = run(belt, 30.0)
    first_s = next(i for i, kg in enumerate(fallen) if kg > 0.0) * STEP_S
    assert first_s == pytest.approx((12.0 + 24.3) / 1.62, abs=0.3)


def test_a_belt_that_stands_holds_its_material() -> None:
    belt = make()
    run(belt, 120.0)
    belt.running = False
    run(belt, 5.0)
    held = belt.held_dry_kg
    assert held == pytest.approx(50.0 * (12.0 + 24.3) / 1.62, rel=0.03)
    assert run(belt, 600.0) == [0.0] * 6000
    assert belt.held_dry_kg == held
    belt.running = True
    assert sum(run(belt, 2.0)) > 0.0  # it goes on where it lay


def test_the_scale_shows_wet_flow_with_its_gain_error() -> None:
    belt = make(belt__0__scale__gain_error_percent=1.0)
    run(belt, 120.0)
    assert belt.shown_wet_kg_s == pytest.approx(50.0 * 1.04 * 1.01, rel=1e-3)


def test_what_the_scale_says_travels_with_the_material() -> None:
    belt = make(belt__0__scale__gain_error_percent=2.0)
    run(belt, 120.0)
    dry = said = 0.0
    for _ in range(600):
        fallen = belt.step()
        dry += fallen[0]
        said += fallen[2]
    assert said / dry == pytest.approx(1.02, rel=1e-3)


def test_moisture_that_is_not_entered_counts_as_material() -> None:
    belt = make()
    belt.moisture = 0.06
    run(belt, 120.0)
    dry = said = 0.0
    for _ in range(600):
        fallen = belt.step()
        dry += fallen[0]
        said += fallen[2]
    assert said / dry == pytest.approx(1.06 / 1.04 * 1.0015, rel=1e-3)


def test_a_frozen_scale_stands_still_and_goes_on_being_believed() -> None:
    belt = make()
    run(belt, 120.0)
    belt.frozen = True
    shown = belt.shown_wet_kg_s
    belt.target_dry_kg_s = 20.0
    run(belt, 120.0)
    assert belt.shown_wet_kg_s == shown
    belt.frozen = False
    run(belt, 30.0)
    assert belt.shown_wet_kg_s == pytest.approx(20.0 * 1.04 * 1.0015, rel=1e-2)


def test_a_drifting_zero_shows_on_an_empty_belt_and_counts_only_above_the_cut_off() -> None:
    belt = make()
    belt.target_dry_kg_s = 0.0
    belt.zero_kg_m = 0.5
    run(belt, 60.0)
    assert belt.shown_wet_kg_s == pytest.approx(0.5 * 1.62, rel=1e-3)
    assert belt.shown_total_kg == 0.0
    belt.zero_kg_m = 2.0
    run(belt, 60.0)
    said = sum(belt.step()[2] for _ in range(600))
    assert said == pytest.approx(2.0 * 1.62 / 1.04 * 60.0, rel=0.02)
    assert belt.held_dry_kg == 0.0
