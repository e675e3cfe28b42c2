"""The conveying line in closed loop: warned before it plugs, told apart, and silent on every calm shift.

On the demonstration plant, with other seeds, and on plants that are not as their site believes: drawn as in
tests/benchmarks/plants.py, and beside that with another line (pressure of air, of rubber, noise, filter, hose).
"""

import shutil
from collections.abc import Callable
from pathlib import Path
from random import Random
from typing import Any

import pytest

from crumbmeter import site as sites
from crumbmeter_sim.plantfile import load_plant
from crumbmeter_sim.rig import Rig
from tests.benchmarks.plants import draw
from tests.closed_loop import ROOT, ClosedLoop, loop_for

ONSET_S = 480.0
HIGH_PA = 2.9 * 6894.757
"""[Pa] Fixed high limit of the demonstration site (1 psi is 6894.757 Pa)."""
SOONEST_OFF, FILTERED_S = 1.4, 5.0
OF_LINE = ("line_plugging", "rubber_not_arriving", "line_air_low", "flow_switch", "pressure_low", "pressure_high")
SEEDS = [pytest.param(1, False, id="1"), pytest.param(2, True, id="2_drawn"), pytest.param(3, True, id="3_drawn")]


def line_of(seed: int, *, drawn: bool) -> dict[str, Any]:
    """Draw a plant, its line wider than all the rest."""
    if not drawn:
        return {"line.open_pa": 4300.0}
    random = Random(9000 + seed)
    base_pa = 6000.0 * random.uniform(0.6, 1.4)
    return {
        **draw(load_plant(ROOT / "config" / "plants" / "demo_drum.toml"), random),
        "line.pressure_base_pa": base_pa,
        "line.pressure_solids_pa_per_kg": 1500.0 * random.uniform(0.6, 1.6),
        "line.pressure_noise_pa": 60.0 * random.uniform(0.5, 2.5),
        "line.pressure_filter_s": random.uniform(0.2, 1.5),
        "line.pressure_wander_percent": random.uniform(0.2, 1.5),
        "line.pressure_wander_s": random.uniform(20.0, 120.0),
        "line.blower_run_up_s": random.uniform(2.0, 8.0),
        "line.open_pa": base_pa * random.uniform(0.45, 0.75),
        "auger.bridged_share": random.uniform(0.0, 0.1),
    }


def happenings(loop: ClosedLoop) -> list[tuple[float, str]]:
    """Return what was said of the line, as (time, diagnosis or alarm)."""
    found = []
    for at_s, happened in loop.events:
        if happened.name == "line_diagnosed":
            found.append((at_s, str(happened.get("now"))))
        elif happened.name == "alarm_raised" and happened.get("alarm") in (*OF_LINE, "no_rubber_flow"):
            found.append((at_s, str(happened.get("alarm"))))
    return found


def played(
    seed: int, *, drawn: bool, for_s: float, mix_short_ton_h: float = 250.0, verb: str = "", **values: float
) -> ClosedLoop:
    """Run for eight minutes, then let something happen."""
    loop = loop_for("start_up", seed=seed, overrides=line_of(seed, drawn=drawn))
    loop.rig.do("plant_rate", mix_short_ton_h=mix_short_ton_h)
    while loop.rig.now_s < 60.0:
        loop.scan()
    loop.rig.do("plant_rate", mix_short_ton_h=mix_short_ton_h)
    while loop.rig.now_s < ONSET_S:
        loop.scan()
    assert happenings(loop) == []
    loop.rig.do(verb, **values)
    while loop.rig.now_s < ONSET_S + for_s:
        loop.scan()
    return loop


@pytest.mark.slow
@pytest.mark.timeout(180)
@pytest.mark.parametrize(("seed", "drawn"), SEEDS)
def test_a_plug_is_warned_of_long_before_it_plugs_with_the_time_there_is(seed: int, drawn: bool) -> None:
    loop = played(seed, drawn=drawn, for_s=1.0, verb="plug_builds", seconds=300.0)
    told: list[tuple[float, float, float]] = []
    while (finding := loop.scan().state.line_watch.finding).pressure_pa is not None:
        if finding.pressure_pa > HIGH_PA:
            break
        if finding.soonest_s is not None and finding.latest_s is not None:
            told.append((loop.rig.now_s, finding.soonest_s, finding.latest_s))
    plugged_s = loop.rig.now_s
    # Estimates: the pressure wanders, and a finding is of the last second, filtered over three.
    for at_s, soonest_s, latest_s in told:
        assert soonest_s <= SOONEST_OFF * (plugged_s - at_s) + FILTERED_S
        assert plugged_s - at_s <= latest_s + FILTERED_S
    assert len(told) > 300
    while loop.rig.now_s < plugged_s + 5.0:
        loop.scan()
    first_s = {what: when_s for when_s, what in reversed(happenings(loop))}
    assert first_s["line_plugging"] < ONSET_S + 60.0
    assert first_s["pressure_high"] - first_s["line_plugging"] > 120.0
    assert "rubber_not_arriving" not in first_s


@pytest.mark.slow
@pytest.mark.timeout(180)
@pytest.mark.parametrize(("seed", "drawn"), SEEDS)
def test_a_hose_off_stops_the_feed_within_seconds(seed: int, drawn: bool) -> None:
    loop = played(seed, drawn=drawn, for_s=12.0, verb="hose_off", mix_short_ton_h=130.0 if seed < 3 else 250.0)
    (stopped_s,) = [at_s - ONSET_S for at_s, happened in loop.events if happened.name == "feed_stopped"]
    assert stopped_s < 8.0
    assert [what for _, what in happenings(loop) if what in OF_LINE] == ["pressure_low"]
    assert loop.view is not None
    assert loop.view.run_reason == "line pressure low: hose off, or air lost"


@pytest.mark.slow
@pytest.mark.timeout(180)
@pytest.mark.parametrize(("seed", "drawn"), SEEDS)
def test_a_bridge_is_a_bridge(seed: int, drawn: bool) -> None:
    loop = played(seed, drawn=drawn, for_s=60.0, verb="bridge")
    assert [what for _, what in happenings(loop)] == ["bridge in the weigh hopper", "no_rubber_flow"]


@pytest.mark.slow
@pytest.mark.timeout(180)
@pytest.mark.parametrize(("seed", "drawn"), SEEDS)
def test_a_stuck_scale_is_told_from_a_bridge_by_the_pressure(seed: int, drawn: bool) -> None:
    loop = played(seed, drawn=drawn, for_s=29.0, verb="freeze_hopper")
    told = [what for _, what in happenings(loop)]
    assert told[-1] == "rubber flows although the weight stands: look at the scale"
    assert "bridge in the weigh hopper" not in told


@pytest.mark.slow
@pytest.mark.timeout(300)
@pytest.mark.parametrize("seed", [2, 3])
def test_a_calm_shift_says_nothing_of_the_line(seed: int) -> None:
    """On drawn plants; on the demonstration's own, test_scenarios.py asks the same of the calm scenarios."""
    loop = loop_for("demo_shift", seed=seed, overrides=line_of(seed, drawn=True))
    loop.play()
    assert happenings(loop) == []
    assert loop.state.line_watch.curve.fed_s > 1800.0


def fitted(folder: Path) -> Callable[[], ClosedLoop]:
    """Fit a flow switch to the demonstration plant and its site, in a copy of the configuration."""
    for part in ("sites", "devices", "plants", "scenarios"):
        shutil.copytree(ROOT / "config" / part, folder / part)
    edits = {
        "devices/demo_blower.toml": ("[registers.run]", REGISTER + "[registers.run]"),
        "plants/demo_drum.toml": ('run = "blower.run" }', 'run = "blower.run", rubber_flow = "line.flow_switch" }'),
        "sites/demo_drum.toml": ("[signals.blower_running]", SIGNAL + "[signals.blower_running]"),
    }
    for name, (old, new) in edits.items():
        text = (folder / name).read_text("utf-8")
        assert old in text
        (folder / name).write_text(text.replace(old, new, 1), "utf-8")
    site = folder / "sites/demo_drum.toml"
    site.write_text(site.read_text("utf-8").replace("[line]\n", '[line]\nflow_switch = "rubber_flow"\n', 1), "utf-8")
    rig = Rig.from_scenario(folder / "scenarios/start_up.toml", seed=3)
    return lambda: ClosedLoop(sites.load(site), rig)


REGISTER = """\
[registers.rubber_flow]
table = "discrete"
address = 1
type = "bit"
unit = "contact"

"""
SIGNAL = """\
[signals.rubber_flow]
source = "blower.rubber_flow"
max_age_s = 1.0

"""


@pytest.mark.slow
@pytest.mark.timeout(180)
def test_a_flow_switch_that_sticks_is_told_from_rubber_that_does_not_arrive(tmp_path: Path) -> None:
    loop = fitted(tmp_path)()
    while loop.rig.now_s < ONSET_S:
        loop.scan()
    assert happenings(loop) == []
    assert loop.rig.plant.line.flow_switch
    loop.rig.do("force", server="blower", register="rubber_flow", raw=0)
    while loop.rig.now_s < ONSET_S + 40.0:
        loop.scan()
    assert [what for _, what in happenings(loop)] == ["flow switch disagrees", "flow_switch"]
