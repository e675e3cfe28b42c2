"""Whole scenarios through OPC UA's values, types and statuses, on virtual time: the same as through registers."""

import pytest

from crumbmeter.cli.demo_parts import Expectations, read_shift
from crumbmeter.cli.demo_report import judge
from tests.closed_loop import ROOT, ClosedLoop, loop_for


def _play(loop: ClosedLoop, name: str) -> tuple[dict[str, object], tuple[str, ...]]:
    path = ROOT / "config" / "scenarios" / f"{name}.toml"
    shift = read_shift(path, seed=None, plant=None, rate=1.0, folder=path)
    expected = Expectations(shift.expected)
    score = loop.play()
    for at_s, happened in loop.events:
        expected.take(at_s, happened)
    assert loop.view is not None
    return score, judge(shift, score, expected, loop.view.run_state).failures


@pytest.mark.slow
@pytest.mark.parametrize("name", ["full_drum_stop", "power_dip"])
def test_a_scenario_over_nodes_is_met(name: str) -> None:
    _, failures = _play(loop_for(name, "demo_opcua", plant="demo_opcua"), name)
    assert failures == ()


def test_a_lost_load_cell_is_said_by_its_status() -> None:
    loop = loop_for("start_up", "demo_opcua", plant="demo_opcua")
    while loop.rig.now_s < 150.0:
        loop.scan()
    assert loop.view is not None
    assert loop.view.run_state == "feeding"
    loop.rig.do("load_cell_lost")
    while loop.rig.now_s < 160.0:
        loop.scan()
    told = [happened for _, happened in loop.events if happened.name == "input_bad"]
    assert ("hopper_mass", "device says bad: sensor failure") in [
        (one.get("signal"), one.get("reason")) for one in told
    ]
