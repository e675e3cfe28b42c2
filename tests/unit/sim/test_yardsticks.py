"""The yardsticks: in a sane order, on the same material, and obeying the same stops."""

import json
from typing import Any

import pytest

from crumbmeter_sim.rig import Rig
from crumbmeter_sim.yardsticks import YARDSTICKS, fixed_delay_s, indicated_rubber_kg_s, run, run_all
from tests.unit.sim.making import PLANTS, SCENARIOS, rig

STOP = SCENARIOS / "full_drum_stop.toml"


@pytest.fixture(scope="module")
def scores() -> dict[str, Any]:
    return run_all(STOP)


def rms(score: dict[str, Any]) -> float:
    return float(score["windows"]["5_t"]["true"]["rms_percent"])


def test_knowing_more_is_never_worse(scores: dict[str, Any]) -> None:
    assert rms(scores["best_achievable"]) < 2.0
    assert rms(scores["fixed_delay_follower"]) > 5.0  # its clock ran on while the drum stood
    assert rms(scores["plain_follower"]) > 5.0


def test_a_delay_helps_where_nothing_stops() -> None:
    best, delayed, plain = (rms(run(name, SCENARIOS / "rate_change.toml")) for name in reversed(YARDSTICKS))
    assert best < delayed < 0.5 * plain


def test_all_meet_the_same_mix(scores: dict[str, Any]) -> None:
    assert len({score["total"]["mix_tonne"] for score in scores.values()}) == 1
    assert len({score["windows"]["5_t"]["true"]["n"] for score in scores.values()}) == 1


def test_into_a_standing_drum_goes_no_more_than_the_line_holds(scores: dict[str, Any]) -> None:
    for score in scores.values():
        assert score["rubber_without_mix"]["standing_drum_kg"] < 1.6  # 0.315 kg/s for 4.2 s, and the auger's lag
        assert score["rubber_without_mix"]["standing_drum_kg"] > 0.5


def test_the_same_run_gives_the_same_score() -> None:
    assert json.dumps(run("fixed_delay_follower", STOP)) == json.dumps(run("fixed_delay_follower", STOP))


def test_the_fixed_delay_is_the_nominal_travel() -> None:
    # 24.3 m / 1.62 m/s + 46 s - 1.5 s - 4.2 s - 0.9 s
    assert fixed_delay_s(rig()) == pytest.approx(54.4)


def test_indicated_rubber_is_half_a_percent_of_all_mix() -> None:
    played = rig(belt__0__scale__gain_error_percent=0.0, belt__1__scale__gain_error_percent=0.0)
    played.do("plant_start", mix_short_ton_h=250.0)
    played.advance(120.0)
    # 10 lb in each short ton of mix with rubber: M0 = 250 short ton/h wants 250 * 2000 * 0.005 / 0.995 lb/h
    wanted = 250 * 2000 * 0.45359237 / 3600 * 0.005 / 0.995
    seen = []
    for _ in range(600):
        played.advance(0.2)
        seen.append(indicated_rubber_kg_s(played))
    assert sum(seen) / len(seen) == pytest.approx(wanted, rel=0.02)


def test_before_start_feed_nothing_is_fed() -> None:
    scenario = Rig.from_scenario(SCENARIOS / "start_up.toml").scenario
    assert scenario is not None
    assert scenario.operator[-1].command == "start feed"
    assert run("plain_follower", SCENARIOS / "start_up.toml")["feeder"]["fed_kg"] > 100.0


def test_they_run_on_a_plant_that_nobody_tuned_to() -> None:
    score = run("best_achievable", STOP, plant=PLANTS / "second_drum.toml", seed=99)
    assert score["seed"] == 99
    assert rms(score) < 3.0
