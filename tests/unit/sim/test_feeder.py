"""The feeder: interlocks, watchdog, refills, moods of the feed factor, bags."""

import pytest

from crumbmeter_sim.rig import Rig
from tests.unit.sim.making import feeding, rig


def play(the_rig: Rig, seconds: float) -> float:
    """Let time pass; return what was fed [kg]."""
    fed = the_rig.plant.feeder.fed_kg
    the_rig.advance(seconds)
    return the_rig.plant.feeder.fed_kg - fed


def refilling(the_rig: Rig) -> bool:
    return the_rig.banks["feeder"].value("refilling") == 1.0


@pytest.mark.parametrize("lacking", ["run", "airlock_run", "remote", "powered"])
def test_the_auger_turns_only_with_all_its_permissions(lacking: str) -> None:
    the_rig = rig()
    feeding(the_rig, 20.0)
    setattr(the_rig.plant.feeder, lacking, False)
    assert play(the_rig, 20.0) == 0.0
    setattr(the_rig.plant.feeder, lacking, True)
    assert play(the_rig, 20.0) > 3.0


def test_a_fault_and_an_emergency_stop_the_auger() -> None:
    for name in ("fault", "emergency"):
        the_rig = rig()
        feeding(the_rig, 20.0)
        setattr(the_rig.plant.feeder, name, True)
        assert play(the_rig, 20.0) == 0.0


def test_a_heartbeat_that_stands_still_stops_the_auger_until_it_moves() -> None:
    the_rig = rig()
    feeding(the_rig, 20.0)
    assert play(the_rig, 30.0) > 5.0  # never seen moving: not watched
    heart = the_rig.banks["feeder"]
    for beat in range(10):
        heart.write("holding", 3, (beat + 1,))
        play(the_rig, 1.0)
    assert the_rig.banks["feeder"].value("fault") == 0.0
    play(the_rig, 5.5)
    assert the_rig.banks["feeder"].value("fault") == 1.0
    play(the_rig, 10.0)
    assert play(the_rig, 20.0) == 0.0
    heart.write("holding", 3, (99,))
    assert play(the_rig, 10.0) > 1.0


def test_a_heartbeat_is_not_watched_in_local() -> None:
    the_rig = rig()
    the_rig.banks["feeder"].write("holding", 3, (7,))
    the_rig.do("feeder_local", rpm=10.0)
    assert play(the_rig, 60.0) > 5.0


def test_refills_begin_and_end_at_their_levels_with_rubber_still_in_flight() -> None:
    the_rig = rig(hopper__start_kg=75.0)
    feeding(the_rig, 21.0)
    hopper = the_rig.plant.feeder.hopper
    while not refilling(the_rig):
        play(the_rig, 0.1)
    assert hopper.mass_kg == pytest.approx(70.0, abs=0.2)
    while refilling(the_rig):
        play(the_rig, 0.1)
    assert hopper.mass_kg == pytest.approx(250.0, abs=1.0)
    at_end = hopper.mass_kg
    play(the_rig, 1.5)
    assert hopper.mass_kg > at_end + 2.0  # the contact opened before the last of it landed


def test_fresh_rubber_feeds_less_and_packed_rubber_more() -> None:
    the_rig = rig(auger__walk_percent=0.0)
    auger = the_rig.plant.feeder.auger
    feeding(the_rig, 21.0)
    play(the_rig, 60.0)
    settled = auger.factor_kg_rev(200.0)
    the_rig.plant.feeder.run = False
    play(the_rig, 1200.0)
    assert auger.factor_kg_rev(200.0) > 1.02 * settled
    feeding(the_rig, 60.0)
    while not refilling(the_rig):
        play(the_rig, 0.5)
    while refilling(the_rig):
        play(the_rig, 0.5)
    assert auger.factor_kg_rev(200.0) < 0.98 * settled
    play(the_rig, 110.0)
    assert auger.factor_kg_rev(200.0) == pytest.approx(settled, rel=0.005)


def test_a_bridge_lets_next_to_nothing_through() -> None:
    the_rig = rig()
    feeding(the_rig, 21.0)
    play(the_rig, 60.0)
    free = play(the_rig, 30.0)
    the_rig.do("bridge")
    assert play(the_rig, 30.0) < 0.06 * free
    the_rig.do("clear")
    assert play(the_rig, 30.0) == pytest.approx(free, rel=0.03)


def test_a_leaking_gate_hides_weight_loss() -> None:
    the_rig = rig()
    feeding(the_rig, 21.0)
    play(the_rig, 60.0)
    the_rig.do("leak_gate", kg_s=0.1)
    play(the_rig, 5.0)
    mass = the_rig.plant.feeder.hopper.mass_kg
    fed = play(the_rig, 60.0)
    assert fed - (mass - the_rig.plant.feeder.hopper.mass_kg) == pytest.approx(6.0, rel=0.02)


def test_an_empty_bag_is_changed_and_its_landing_shakes_the_frame() -> None:
    the_rig = rig(supply__start_bag_kg=10.0, supply__notice_s=20.0, supply__change_s=100.0)
    supply, hopper = the_rig.plant.feeder.supply, the_rig.plant.feeder.hopper
    play(the_rig, 115.0)
    assert supply.bags_changed == 0
    quiet = hopper.shown_kg
    loudest = 0.0
    for _ in range(100):
        play(the_rig, 0.1)
        loudest = max(loudest, abs(hopper.shown_kg - quiet))
    assert supply.bags_changed == 1
    assert loudest > 0.5
    assert hopper.mass_kg == pytest.approx(240.0)


def test_a_hung_up_bag_gives_nothing() -> None:
    the_rig = rig(supply__start_kg=100.0)
    the_rig.do("bag_hung_up")
    play(the_rig, 60.0)
    assert the_rig.plant.feeder.supply.hopper_kg == 100.0
    the_rig.do("clear")
    play(the_rig, 60.0)
    assert the_rig.plant.feeder.supply.hopper_kg == 420.0


def test_on_catch_none_of_it_reaches_the_line() -> None:
    the_rig = rig()
    feeding(the_rig, 21.0)
    the_rig.do("diverter_catch")
    fed = play(the_rig, 60.0)
    assert the_rig.plant.feeder.catch_kg == pytest.approx(fed)
    assert the_rig.plant.line.content_kg == 0.0


def test_rate_mode_makes_its_own_rate() -> None:
    the_rig = rig(feeder__mode="rate")
    feeding(the_rig, 0.0)
    the_rig.plant.feeder.rate_setpoint_kg_s = 0.3
    play(the_rig, 300.0)
    assert play(the_rig, 60.0) == pytest.approx(18.0, rel=0.03)


def test_below_its_stall_speed_the_auger_stands() -> None:
    the_rig = rig()
    feeding(the_rig, 2.9)
    assert play(the_rig, 60.0) == 0.0
