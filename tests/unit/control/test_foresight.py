"""What was foreseen is held against what came: a look-ahead later, over a minute, and not across a gap."""

from dataclasses import replace

import pytest

from crumbmeter.control.foresight import TOLD_AFTER_S, Foresight, look_back
from crumbmeter.control.plant import Demand, look_ahead_s
from crumbmeter.model.quality import Quality
from crumbmeter.process.dose import Mix
from tests.closed_loop import loop_for
from tests.cores import make_params

PARAMS = make_params()
SCANS = round(look_ahead_s(PARAMS) / PARAMS.scan_period_s)
DT_S = PARAMS.scan_period_s


def demand(ahead_kg_s: float, now_kg_s: float) -> Demand:
    return Demand(Mix(0.0, 0.0, 0.0, 0.0), now_kg_s * DT_S, ahead_kg_s, 0.0, (), (), Quality.GOOD)


def run(rates_kg_s: list[tuple[float, float]], before: Foresight | None = None) -> Foresight:
    state = before or Foresight()
    for ahead_kg_s, now_kg_s in rates_kg_s:
        state = look_back(state, demand(ahead_kg_s, now_kg_s), PARAMS, DT_S)
    return state


def test_a_prediction_is_judged_one_look_ahead_later() -> None:
    ramp = [(1.0 + 0.001 * (scan + SCANS), 1.0 + 0.001 * scan) for scan in range(500)]
    assert run(ramp).error == pytest.approx(0.0, abs=1e-9)
    # The same ramp foreseen to stand still is wrong by what it rises in a look-ahead.
    held = [(1.0 + 0.001 * scan, 1.0 + 0.001 * scan) for scan in range(500)]
    assert run(held).error == pytest.approx(0.001 * SCANS / run(held).wanted_kg_s, rel=1e-6)


def test_nothing_is_told_before_there_is_enough_mix() -> None:
    few = round(TOLD_AFTER_S / DT_S)
    assert run([(1.1, 1.0)] * (few - 2 + SCANS)).error is None
    assert run([(1.1, 1.0)] * (few + 2 + SCANS)).error == pytest.approx(0.1)


def test_mix_that_wants_no_rubber_judges_nothing() -> None:
    well = run([(1.1, 1.0)] * 400)
    after = run([(0.0, 0.0)] * 400, well)
    assert after.error == well.error


def test_a_late_scan_breaks_the_row() -> None:
    well = run([(1.1, 1.0)] * 400)
    late = look_back(well, demand(9.0, 1.0), PARAMS, 3.0 * DT_S)
    assert late == replace(well, waiting_kg_s=())
    assert run([(1.1, 1.0)] * SCANS, late).error == well.error


def test_recycle_with_a_shorter_way_than_the_rubber_costs_what_it_is_worth() -> None:
    """The small plant's recycle reaches the injection point before the rubber does; the other plant sees all of it."""
    errors = {}
    for plant in ("small_drum", "demo_drum"):
        loop = loop_for("refill", plant, plant=plant, seed=3)
        while loop.rig.now_s < 200.0:
            loop.scan()
        assert loop.view is not None
        errors[plant] = loop.view.look_ahead_error
    assert errors["demo_drum"] is not None
    assert errors["small_drum"] is not None
    assert 0.0 < errors["demo_drum"] < errors["small_drum"] < 0.1
