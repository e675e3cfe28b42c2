"""Every scenario, played with the auger at one speed: nothing is lost, and the same seed gives the same bits."""

import json
from pathlib import Path

import pytest

from crumbmeter_sim.oracle import LARGEST_GAP_KG, play_open_loop
from crumbmeter_sim.rig import Rig
from tests.unit.sim.making import PLANTS, SCENARIOS, rig

ALL = sorted(SCENARIOS.glob("*.toml"))


@pytest.mark.parametrize("path", ALL, ids=lambda path: path.stem)
def test_no_mass_is_lost(path: Path) -> None:
    played = Rig.from_scenario(path)
    gaps = play_open_loop(played, 20.0)
    assert max(map(abs, gaps.values())) < LARGEST_GAP_KG, gaps
    assert played.score()["total"]["mix_tonne"] > 10.0
    assert played.plant.feeder.fed_kg > 50.0


def test_no_mass_is_lost_on_another_plant() -> None:
    played = Rig.from_scenario(SCENARIOS / "silo_full.toml", plant=PLANTS / "second_drum.toml")
    assert max(map(abs, play_open_loop(played, 20.0).values())) < LARGEST_GAP_KG


def bits(seed: int, call_s: float) -> tuple[str, list[object]]:
    played = Rig.from_scenario(SCENARIOS / "full_drum_stop.toml", seed=seed)
    feeder = played.plant.feeder
    feeder.run = feeder.airlock_run = played.plant.line.blower_run = True
    feeder.speed_setpoint_rev_s = 0.3
    while not played.finished:
        played.advance(call_s)
    registers = [bank.value(name) for bank in played.banks.values() for name in bank.profile.registers]
    return json.dumps(played.score()), [*registers, played.truth.rows]


def test_the_same_seed_gives_the_same_bits_however_time_is_cut() -> None:
    assert bits(5, 0.2) == bits(5, 4.0)


def test_another_seed_gives_another_run() -> None:
    assert bits(5, 4.0) != bits(6, 4.0)


def test_chance_does_not_depend_on_what_a_controller_does() -> None:
    """The yardsticks and the daemon must meet the same material and the same noise."""
    one, other = rig(), rig()
    for played, rpm in ((one, 10.0), (other, 40.0)):
        played.do("plant_start", mix_short_ton_h=240.0)
        feeder = played.plant.feeder
        feeder.run = feeder.airlock_run = played.plant.line.blower_run = True
        feeder.speed_setpoint_rev_s = rpm / 60.0
        played.advance(300.0)
    assert one.plant.feeder.fed_kg != other.plant.feeder.fed_kg
    for name in ("belt_scale", "recycle_scale", "binder_meter"):
        for register in one.banks[name].profile.registers:
            assert one.banks[name].value(register) == other.banks[name].value(register)


def test_time_that_is_no_whole_step_is_kept() -> None:
    played = rig()
    for _ in range(1000):
        played.advance(0.033)
    assert played.now_s == pytest.approx(33.0, abs=0.1001)
    played.advance_to(33.0)
    played.advance_to(12.0)
    assert played.now_s == pytest.approx(33.0)


def test_a_stop_with_a_full_drum_moves_nothing_until_the_restart() -> None:
    played = rig()
    played.do("plant_start", mix_short_ton_h=240.0)
    played.advance(300.0)
    played.do("drum_stop", for_s=120.0)
    played.advance(10.0)
    out = list(played.plant.out)
    played.advance(105.0)
    assert played.plant.out == out
    assert not played.plant.drum.turning
    played.advance(60.0)
    assert played.plant.out[0] > out[0]


def test_a_power_dip_forgets_the_cabinet_and_leaves_the_plant_alone() -> None:
    played = rig()
    played.do("plant_start", mix_short_ton_h=240.0)
    played.banks["feeder"].write("coil", 0, (1, 1))
    played.banks["blower"].write("coil", 0, (1,))
    played.advance(60.0)
    played.do("power_dip", for_s=8.0)
    played.advance(1.0)
    assert {name for name in played.links if not played.link_up(name)} == {"feeder", "blower"}
    played.advance(10.0)
    assert all(played.link_up(name) for name in played.links)
    assert not played.plant.feeder.run
    assert played.plant.drum.turning


def test_a_plant_wired_so_obeys_a_stop_request() -> None:
    played = rig(nominal__obeys_stop_request=True)
    played.do("plant_start", mix_short_ton_h=240.0)
    io = played.banks["plant_io"]
    played.advance(60.0)
    assert io.value("aggregate_belt_running") == 1.0  # never healthy: not wired yet
    io.write("coil", 0, (1,))
    played.advance(10.0)
    io.write("coil", 0, (0,))
    played.advance(10.0)
    assert io.value("aggregate_belt_running") == 0.0
    assert io.value("drum_turning") == 1.0


def test_an_emergency_stop_stops_everything_that_turns() -> None:
    played = rig()
    played.do("plant_start")
    feeder = played.plant.feeder
    feeder.run = feeder.airlock_run = played.plant.line.blower_run = True
    feeder.speed_setpoint_rev_s = 0.3
    played.advance(60.0)
    played.do("emergency_stop")
    played.advance(20.0)
    assert played.banks["plant_io"].value("emergency_stop_ok") == 0.0
    turning = (played.plant.drum.turning, feeder.airlock_running, played.plant.line.blower_running)
    assert turning == (False, False, False)
    fed = feeder.fed_kg
    played.do("restart")
    played.advance(20.0)
    assert feeder.fed_kg == fed
    assert not played.plant.drum.turning
