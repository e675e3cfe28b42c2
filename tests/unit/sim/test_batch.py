"""The batch plant of the simulator: nothing is lost, the tower keeps its times, and every mishap happens as told."""

import json
from pathlib import Path

import pytest

from crumbmeter_sim.batch_file import load_batch_plant
from crumbmeter_sim.batch_rig import BatchRig
from crumbmeter_sim.batch_tower import Phase
from crumbmeter_sim.loader import FileRefusedError
from crumbmeter_sim.oracle import LARGEST_GAP_KG, play_open_loop
from crumbmeter_sim.rig import Rig
from crumbmeter_sim.rigs import open_plant, open_rig
from tests.unit.sim.making import PLANTS, SCENARIOS

BATCH = PLANTS / "demo_batch.toml"
ALL = sorted((SCENARIOS / "batch").glob("*.toml"))


def batch_rig(**overrides: float) -> BatchRig:
    return BatchRig.from_plant(BATCH, overrides={key.replace("__", "."): value for key, value in overrides.items()})


def until(rig: BatchRig, phase: Phase, seconds: float = 200.0) -> None:
    end_s = rig.now_s + seconds
    while rig.plant.tower.phase is not phase:
        assert rig.now_s < end_s, rig.plant.tower.phase
        rig.advance(0.1)


def open_window(rig: BatchRig) -> bool:
    return rig.plant.tower.wanted


def serve(rig: BatchRig) -> None:
    """Say "delivered" once the next window has been open for ten seconds, as a controller would."""
    tower = rig.plant.tower
    until(rig, Phase.DRY)
    rig.advance(10.0)
    tower.delivered = True
    rig.advance(1.0)
    tower.delivered = False


@pytest.mark.parametrize("path", ALL, ids=lambda path: path.stem)
def test_no_mass_is_lost(path: Path) -> None:
    played = open_rig(path)
    assert isinstance(played, BatchRig)
    gaps = play_open_loop(played, 10.0)
    assert set(gaps) == {"rubber", "mix"}
    assert max(map(abs, gaps.values())) < LARGEST_GAP_KG, gaps
    assert played.plant.feeder.fed_kg > 20.0


def bits(call_s: float) -> str:
    played = BatchRig.from_scenario(SCENARIOS / "batch" / "aborted_batches.toml", seed=5)
    while not played.finished:
        played.leave_running(12.0)
        played.advance(call_s)
    return json.dumps([played.score(), played.table()])


def test_the_same_seed_gives_the_same_bits_however_time_is_cut() -> None:
    assert bits(1.0) == bits(4.0)


def test_each_plant_file_gets_its_own_rig() -> None:
    assert isinstance(open_plant(BATCH), BatchRig)
    assert isinstance(open_plant(PLANTS / "demo_drum.toml"), Rig)


def test_the_tower_keeps_its_times() -> None:
    rig = batch_rig()
    tower, truth = rig.plant.tower, rig.plant.truth.tower
    rig.do("batches_start")
    until(rig, Phase.DROP)
    assert rig.now_s == pytest.approx(truth.aggregate.fill_s + truth.settle_s, abs=1.0)
    assert tower.counter == 1
    dropped_s = rig.now_s
    while not tower.wanted:
        rig.advance(0.1)
    assert rig.now_s - dropped_s == pytest.approx(truth.window_after_s, abs=0.3)
    rig.advance(truth.dry_mix_s + 1.0)
    assert str(tower.phase) == "dry mix"  # held: nobody has delivered
    tower.delivered = True
    rig.advance(0.3)
    assert str(tower.phase) == "wet mix"
    assert rig.banks["batch_io"].value("rubber_wanted") == 0.0
    until(rig, Phase.EMPTY)
    (batch, *_) = tower.batches
    assert batch.parts.mix_kg == pytest.approx(3000.0, rel=0.02)
    assert batch.said.mix_kg == pytest.approx(batch.parts.mix_kg, rel=0.01)
    assert batch.outcome == "complete"
    assert batch.delivered


def test_a_delivered_that_was_never_open_is_not_taken() -> None:
    rig = batch_rig()
    rig.plant.tower.delivered = True
    rig.do("batches_start")
    until(rig, Phase.DRY)
    rig.advance(20.0)
    assert rig.plant.tower.phase is Phase.DRY


@pytest.mark.parametrize(("then", "outcome"), [("abort", "aborted"), ("go_on", "complete")])
def test_what_the_plant_does_when_no_rubber_comes_is_its_own_choice(then: str, outcome: str) -> None:
    rig = BatchRig.from_plant(BATCH, overrides={"tower.then": then, "tower.longest_dry_mix_s": 20.0})
    rig.do("batches_start", count=1)
    rig.advance(100.0)
    (batch,) = rig.plant.tower.batches
    assert (batch.outcome, batch.delivered) == (outcome, False)
    assert batch.left_s is not None
    assert rig.plant.tower.announced == (0.0, 0.0, 0.0)


def test_the_counter_rolls_over_and_leaps() -> None:
    rig = batch_rig(tower__counter_start=65535)
    rig.do("batches_start")
    until(rig, Phase.DROP)
    assert rig.banks["batch_io"].value("batch_counter") == 0.0
    rig.do("batch_counter_jump", by=3)
    serve(rig)
    until(rig, Phase.DROP)
    assert rig.plant.tower.counter == 3


def test_a_short_batch_is_weighed_and_taken_short() -> None:
    rig = batch_rig()
    rig.do("batch_short", percent=60.0)
    rig.do("batches_start", count=1)
    serve(rig)
    until(rig, Phase.EMPTY)
    assert rig.plant.tower.batches[0].parts.mix_kg == pytest.approx(0.6 * 3000.0, rel=0.02)


def test_a_double_batch_lies_on_the_one_below() -> None:
    rig = batch_rig()
    rig.do("batches_start", count=2)
    rig.do("batch_double")
    serve(rig)
    until(rig, Phase.DROP)
    assert len(rig.plant.tower.content) == 2
    serve(rig)
    until(rig, Phase.EMPTY)
    assert [batch.joined for batch in rig.plant.tower.batches] == [False, True]
    assert all(batch.left_s == rig.plant.tower.batches[0].left_s for batch in rig.plant.tower.batches)
    assert max(map(abs, rig.gaps_kg().values())) < LARGEST_GAP_KG


def test_a_window_that_opens_again_is_for_the_same_batch() -> None:
    rig = batch_rig()
    rig.do("batch_asks_again", seconds=5.0)
    rig.do("batches_start", count=1)
    serve(rig)
    until(rig, Phase.WET)
    rig.advance(4.0)
    assert rig.banks["batch_io"].value("rubber_wanted") == 1.0
    rig.advance(6.0)
    assert rig.banks["batch_io"].value("rubber_wanted") == 0.0
    assert rig.plant.tower.counter == 1


def test_the_vessel_gives_only_with_air_and_its_valve_open() -> None:
    rig = batch_rig()
    vessel, feeder = rig.plant.vessel, rig.plant.feeder
    feeder.run = feeder.airlock_run = True
    feeder.speed_setpoint_rev_s = 0.5
    rig.advance(30.0)
    feeder.speed_setpoint_rev_s = 0.0
    rig.advance(10.0)
    held = vessel.mass_kg
    assert held == pytest.approx(feeder.fed_kg)
    assert vessel.shown_kg == pytest.approx(held, abs=0.4)
    vessel.release = True
    rig.advance(5.0)
    assert vessel.mass_kg == held  # no air
    rig.plant.line.blower_run = True
    rig.advance(30.0)
    assert vessel.mass_kg == 0.0
    assert rig.plant.released_outside_kg == pytest.approx(held)
    assert rig.plant.tower.floor_rubber_kg == pytest.approx(held)


def test_the_feeders_watchdog_shuts_the_vessel() -> None:
    rig = batch_rig()
    rig.plant.vessel.mass_kg = 10.0
    rig.plant.line.blower_run = True
    rig.advance(6.0)
    rig.plant.feeder.beat(1.0)
    rig.plant.vessel.release = True
    rig.advance(1.0)
    assert rig.plant.vessel.opening == 1.0
    rig.advance(6.0)  # no further heartbeat
    assert rig.plant.feeder.tripped
    assert rig.plant.vessel.opening == 0.0


def test_a_fill_waits_for_its_order() -> None:
    rig = batch_rig(hopper__start_kg=60.0)
    rig.advance(10.0)
    assert rig.plant.feeder.hopper.refills == 0
    rig.banks["feeder"].write("coil", 3, (1,))
    rig.advance(60.0)
    assert rig.plant.feeder.hopper.refills == 1
    assert rig.plant.feeder.hopper.mass_kg == pytest.approx(250.0, abs=6.0)
    rig.banks["feeder"].write("coil", 3, (0,))
    rig.plant.feeder.hopper.mass_kg = 60.0
    rig.advance(5.0)
    assert not rig.plant.feeder.hopper.refilling


def test_something_can_wait_for_rubber_in_the_pugmill() -> None:
    rig = batch_rig()
    rig.plant.vessel.mass_kg = 15.0
    rig.plant.line.blower_run = True
    rig.do("batches_start", count=1)
    rig.do("when_rubber", kg=4.0, then="emergency_stop", lasts_s=5.0)
    until(rig, Phase.DRY)
    rig.advance(1.0)
    rig.plant.vessel.release = True
    io = rig.banks["batch_io"]
    while io.value("emergency_stop_ok") == 1.0:
        assert rig.now_s < 60.0
        rig.advance(0.1)
    assert rig.plant.tower.content[-1].parts.rubber_kg == pytest.approx(4.0, abs=0.5)
    rig.advance(6.0)
    assert io.value("emergency_stop_ok") == 1.0
    assert io.value("mixer_running") == 0.0


def refusal(path: Path) -> str:
    with pytest.raises(FileRefusedError) as refused:
        open_rig(path)
    return str(refused.value)


def test_verbs_of_the_other_plant_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "wrong.toml"
    text = 'title = "t"\nplant = "{plant}"\nseed = 1\nduration_s = 9.0\n[[at]]\nt_s = 1.0\ndo = "{do}"\n'
    path.write_text(text.format(plant=BATCH, do="gates_stop"))
    assert "gates_stop at t_s = 1.0: this kind of plant cannot do that" in refusal(path)
    path.write_text(text.format(plant=PLANTS / "demo_drum.toml", do="batch_abort"))
    assert "batch_abort at t_s = 1.0: this kind of plant cannot do that" in refusal(path)


def test_a_contradiction_in_the_file_is_refused() -> None:
    with pytest.raises(FileRefusedError) as refused:
        load_batch_plant(BATCH, {"tower.counter_start": 70000, "tower.longest_dry_mix_s": 2.0, "batch.mix": "none"})
    for words in ("counter_start", "longest_dry_mix_s", "no such mix"):
        assert words in str(refused.value)


def test_a_window_that_an_abort_closes_as_it_opens_is_one_that_was_seen() -> None:
    """What is let out before anybody can react counts to the reaction, also where no whole step had the window open."""
    rig = batch_rig()
    plant = rig.plant
    rig.leave_running(30.0)
    plant.vessel.release = False
    rig.do("batches_start")
    while not open_window(rig):
        rig.advance(0.1)
    plant.vessel.release = True
    rig.do("batch_abort")
    rig.advance(0.8)
    assert not open_window(rig)
    assert plant.reaction_kg > 0.1
    assert plant.released_outside_kg == 0.0
    rig.advance(2.0)
    assert plant.released_outside_kg > 0.1
