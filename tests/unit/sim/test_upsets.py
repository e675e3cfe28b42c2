"""Material that goes wrong: nothing of it is lost to the oracle, and each upset does what its verb says."""

from typing import Any

import pytest

from crumbmeter_sim import drum as d
from crumbmeter_sim.actions import act
from crumbmeter_sim.oracle import LARGEST_GAP_KG, gaps_kg
from crumbmeter_sim.rig import Rig
from crumbmeter_sim.verbs import check_step, opposite_of
from tests.unit.sim.making import PLANTS, rig

START = {"t_s": 5.0, "do": "plant_start", "mix_short_ton_h": 240.0}


def played(*entries: dict[str, Any], seconds: float = 400.0) -> Rig:
    """Play a time line by its own words; nothing may be lost."""
    line = []
    for entry in (START, *entries):
        step, problems = check_step(entry, "here")
        assert step is not None, problems
        line += [step, *([] if (after := opposite_of(step)) is None else [after])]
    running = rig()
    while line:
        step = min(line, key=lambda one: one.t_s)
        line.remove(step)
        running.advance_to(step.t_s)
        line += act(running, step)
    running.advance_to(seconds)
    assert max(map(abs, gaps_kg(running.plant).values())) < LARGEST_GAP_KG
    return running


def test_a_belt_whose_gate_is_shut_runs_empty_and_the_other_goes_on() -> None:
    plant = played({"t_s": 100.0, "do": "gate_shut", "belt": "recycle"}).plant
    assert plant.drum.before[d.RECYCLE] == pytest.approx([0.0] * len(plant.drum.before[d.RECYCLE]), abs=1e-3)
    assert sum(plant.drum.before[d.VIRGIN]) > 500.0


def test_a_gate_that_was_shut_opens_by_itself() -> None:
    plant = played({"t_s": 100.0, "do": "gate_shut", "belt": "recycle", "for_s": 60.0}).plant
    assert sum(plant.drum.before[d.RECYCLE]) > 50.0


def test_binder_that_is_held_back_comes_no_more_and_is_foreseen_to_stay_away() -> None:
    plant = played({"t_s": 200.0, "do": "binder_held"}).plant
    assert plant.binder.flow_kg_s == 0.0
    assert plant.binder.ahead(5.0) == 0.0
    back = played({"t_s": 200.0, "do": "binder_held", "for_s": 60.0}).plant
    assert back.binder.flow_kg_s > 1.0


def test_fines_leave_the_mix_and_come_back_only_as_far_as_they_were_kept() -> None:
    kept = played({"t_s": 200.0, "do": "fines", "percent": 3.0}).plant
    assert kept.fines.kept_kg == pytest.approx(0.03 * 46.0 * 200.0, rel=0.15)  # 46 kg/s of virgin material
    back = played(
        {"t_s": 200.0, "do": "fines", "percent": 3.0, "for_s": 50.0}, {"t_s": 260.0, "do": "fines", "percent": -20.0}
    ).plant
    assert back.fines.kept_kg == pytest.approx(0.0, abs=1e-9)


def test_a_standing_drum_is_dumped_by_its_share() -> None:
    full = played({"t_s": 300.0, "do": "drum_stop"}).plant
    half = played({"t_s": 300.0, "do": "drum_stop"}, {"t_s": 340.0, "do": "dump_drum", "percent": 50.0}).plant
    assert sum(half.drum.before[d.VIRGIN]) == pytest.approx(0.5 * sum(full.drum.before[d.VIRGIN]), rel=1e-6)
    assert half.dumped.dry_kg == pytest.approx(
        sum(map(sum, half.drum.before[1:4])) + sum(map(sum, half.drum.after[:4]))
    )


def test_a_turning_drum_is_not_dumped() -> None:
    with pytest.raises(ValueError, match="stop it first"):
        played({"t_s": 300.0, "do": "dump_drum", "percent": 50.0})


def test_a_belt_that_is_not_there_is_named() -> None:
    with pytest.raises(KeyError, match="no belt named 'shingles'"):
        played({"t_s": 100.0, "do": "gate_shut", "belt": "shingles"})


def test_the_plants_are_there() -> None:
    assert {path.stem for path in PLANTS.glob("*_drum.toml")} == {"demo_drum", "second_drum", "small_drum"}
