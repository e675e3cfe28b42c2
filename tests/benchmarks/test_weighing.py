"""The weighing section on short runs: its own parts against the truth, and the bounds that it promises."""

from math import sqrt
from random import Random

import pytest

from crumbmeter.control.sequence import RunState
from tests.benchmarks.weigh_slopes import Slope, SlopeFlow
from tests.benchmarks.weigh_sums import FedSum
from tests.benchmarks.weigh_trials import ColdStart, Leak, spring_leak, start_cold
from tests.closed_loop import loop_for


def test_the_slopes_standard_deviation_is_that_of_the_check_values() -> None:
    # computation.md, section 1, last row of its check values: 0.02 kg at 10 Hz over 30 s gives 0.4800 kg/h [derived].
    noise_kg, dt_s, number = 0.02, 0.1, 300
    derived_kg_h = 3600.0 * sqrt(12.0 * noise_kg**2 / (dt_s**2 * number * (number**2 - 1)))
    assert derived_kg_h == pytest.approx(0.4800, abs=0.0005)
    stated, errors = [], []
    for seed in range(150):
        chance, slope = Random(seed), Slope(29.95)
        for at in range(number + 40):
            slope.take(at * dt_s, 200.0 - 0.25 * at * dt_s + chance.gauss(0.0, noise_kg))
        line = slope.line()
        assert line is not None
        stated.append(3600.0 * line[1])
        errors.append(3600.0 * (line[0] + 0.25))
    assert sum(stated) / len(stated) == pytest.approx(derived_kg_h, rel=0.03)
    assert sqrt(sum(e * e for e in errors) / len(errors)) == pytest.approx(derived_kg_h, rel=0.15)


def test_a_slope_that_rejects_leaves_a_bump_out_and_one_that_does_not_takes_it() -> None:
    rates = {}
    for rejecting in (False, True):
        flow, worst = SlopeFlow(30.0, 0.06, rejecting=rejecting), 0.0
        for at in range(600):
            bump_kg = 3.0 if 300 <= at < 310 else 0.0
            rate = flow.step(200.0 - 0.3 * at * 0.2 + bump_kg, 0.2, filling=False)
            worst = max(worst, abs(rate - 0.3) if at > 200 else 0.0)
        rates[rejecting] = worst
    assert rates[True] < 0.001
    assert rates[False] > 0.03


def test_a_sum_is_known_by_its_ends_while_weighed_and_adds_up_while_it_fills() -> None:
    total = FedSum()
    for _ in range(400):
        total = total.added(0.002, 0.02**2, filling=False)
    assert total.uncertainty_kg == pytest.approx(sqrt(2.0) * 0.02)
    for _ in range(225):
        total = total.added(0.002, 0.06**2, filling=True)
    assert total.uncertainty_kg == pytest.approx(sqrt(2.0 * 0.02**2 + (225 * 0.002) ** 2))
    assert FedSum().added(0.002, 0.02**2, filling=False).uncertainty_kg == pytest.approx(0.002)


def test_the_stated_uncertainty_of_the_flow_is_right_in_closed_loop() -> None:
    # A statement twice too large or twice too small does not pass: the root mean square would be 0.4 or 1.6.
    squares, within = [], 0
    loop = loop_for("refill", seed=1)
    while loop.rig.now_s < 500.0:
        loop.scan()
        assert loop.last is not None
        auger = loop.rig.plant.feeder.auger
        flow = loop.last.shown.flow
        feeding = loop.state.sequence.state is RunState.FEEDING and loop.rig.now_s > 120.0
        if feeding and loop.scans % 25 == 0:
            true = auger.factor_kg_rev(loop.rig.plant.feeder.hopper.mass_kg) * auger.speed_rev_s
            squares.append(((flow.rate_kg_s - true) / flow.uncertainty_kg_s) ** 2)
            within += squares[-1] <= 4.0
    assert 0.55 < sqrt(sum(squares) / len(squares)) < 1.45
    assert within / len(squares) >= 0.9


@pytest.mark.parametrize(("wrong_percent", "content_kg"), [(15.0, 100.0), (-15.0, 240.0)])
def test_a_cold_start_is_within_5_percent_after_two_minutes_and_says_learning_meanwhile(
    wrong_percent: float, content_kg: float
) -> None:
    told = start_cold(ColdStart(wrong_percent, 250.0, content_kg, 1, lasts_s=260.0))
    assert told["last_beyond_after_s"] <= 120.0
    assert told["learned_after_s"] is not None
    assert 10.0 < told["learned_after_s"] < 120.0
    assert told["said_learning_scans"] > 50


def test_a_leak_is_found_within_two_cycles_and_the_dose_put_right() -> None:
    told = spring_leak(Leak(5.0, "weighed", 3, at_s=400.0, lasts_s=1250.0))
    assert told["found_by"] == "supply weight"
    assert told["fills_before_found"] <= 2
    assert told["corrected"]
    assert abs(told["dose_over_percent"]) < 2.0
