"""Every scenario of the repository, in closed loop on virtual time: its events in order, its end, its masses.

The same scenarios run over real sockets by `crumbmeter demo --scenario ...`; what is left out here is the wire.
"""

import tomllib
from pathlib import Path

import pytest

from crumbmeter.cli.demo_parts import Expectations, read_shift
from crumbmeter.cli.demo_report import judge
from crumbmeter.control.conditions import OF_LINE
from crumbmeter.site import load
from tests.closed_loop import ROOT, ClosedLoop, loop_for

SCENARIOS = sorted((ROOT / "config" / "scenarios").glob("*.toml"))
CALM = frozenset({"demo_shift", "full_drum_stop", "mix_change", "rate_change", "rate_ramp", "refill", "stop_and_go"})
"""Nothing is wrong with the conveying line in these, and nothing is to be said of it."""
LINE_KG = 2.0
"""[kg] A little more than the demonstration plant's line holds at its highest rate (5.1 s at 0.38 kg/s)."""


def play(path: Path) -> tuple[ClosedLoop, dict[str, object], Expectations, str]:
    loop = loop_for(path.stem)
    expected = Expectations(tuple(tomllib.loads(path.read_text("utf-8")).get("expect", ())))
    score = loop.play()
    for at_s, happened in loop.events:
        expected.take(at_s, happened)
    assert loop.view is not None
    return loop, score, expected, loop.view.run_state


def leaked_kg(path: Path) -> float:
    """[kg] Return what trickles through the gate by the scenario: fed unseen where nothing measures it."""
    shift = tomllib.loads(path.read_text("utf-8"))
    leaks = [step for step in shift.get("at", ()) if step["do"] == "leak_gate"]
    return sum(float(leak["kg_s"]) * float(leak.get("for_s", shift["duration_s"] - leak["t_s"])) for leak in leaks)


@pytest.mark.slow
@pytest.mark.timeout(180)
@pytest.mark.parametrize("path", SCENARIOS, ids=lambda path: path.stem)
def test_scenario(path: Path, tmp_path: Path) -> None:
    loop, score, expected, end_state = play(path)
    shift = read_shift(path, seed=None, plant=None, rate=1.0, folder=tmp_path)
    verdict = judge(shift, score, expected, end_state)
    assert verdict.failures == ()
    if path.stem in CALM:
        said = [one for _, one in loop.events if one.name == "line_diagnosed" or one.get("alarm") in OF_LINE]
        assert said == []
    # The oracle: no rubber onto an empty or standing drum beyond what the line held when it stopped.
    without = score["rubber_without_mix"]
    assert isinstance(without, dict)
    assert without["largest_burst_kg"] <= LINE_KG
    # No scan asked for anything outside the limits of its register.
    assert loop.unsafe == 0
    # The record is the truth's, but for what no site can know: true moisture, the scales' own errors.
    dumped_g = loop.state.totals.wasted_rubber_g
    booked_kg = (sum(parcel.rubber_g for parcel in loop.parcels) + dumped_g) / 1000.0
    fed_kg = score["feeder"]["fed_kg"]  # type: ignore[index]
    on_its_way_kg = LINE_KG + 0.005 * 5000.0 + leaked_kg(path)
    assert booked_kg <= fed_kg * 1.01
    assert booked_kg >= fed_kg * 0.99 - on_its_way_kg - score["wasted"]["all_kg"]  # type: ignore[index]


def test_there_is_a_scenario_for_everything_that_happens() -> None:
    wanted = {
        "start_up", "rate_change", "full_drum_stop", "refill", "bag_change", "bag_hung_up", "bridged_hopper",
        "plugged_line", "hose_off", "frozen_scale", "dead_link", "drifting_empty_belt", "wet_pile", "silo_full",
        "feeder_local", "power_dip", "mix_without_rubber", "mix_change", "demo_shift", "creeping_plug",
        "hose_off_low_rate", "empty_hopper",
    }  # fmt: skip
    assert wanted <= {path.stem for path in SCENARIOS}


def test_the_site_files_of_the_scenarios_are_simulated() -> None:
    for name in ("demo_drum", "second_drum"):
        assert load(ROOT / "config" / "sites" / f"{name}.toml").params.simulated


@pytest.mark.slow
@pytest.mark.timeout(180)
def test_same_seed_same_bits() -> None:
    first, second = loop_for("rate_change"), loop_for("rate_change")
    assert first.play() == second.play()
    assert first.parcels == second.parcels
    assert first.state == second.state


@pytest.mark.slow
@pytest.mark.timeout(180)
def test_a_scan_that_comes_at_uneven_times_feeds_as_well() -> None:
    loop = loop_for("rate_change")
    loop.jitter_s = 0.1
    score = loop.play()
    assert score["windows"]["5_t"]["true"]["within_5_percent"] == 100.0
