"""The conveying line: plug flow in air time, pressure, plugging, a hose off."""

from random import Random

import pytest

from crumbmeter_sim.line import Line
from tests.unit.sim.making import demo

STEP_S = 0.1


def blown(**overrides: float) -> Line:
    line = Line(demo(line__pressure_noise_pa=0.0, **overrides).line, STEP_S, Random(1))
    line.blower_run = True
    for _ in range(100):
        line.step(0.0)
    return line


def test_rubber_arrives_after_its_travel() -> None:
    line = blown()
    arrived = [line.step(1.0 if i == 0 else 0.0) for i in range(300)]
    mean_s = sum(i * STEP_S * kg for i, kg in enumerate(arrived)) / sum(arrived)
    assert sum(arrived) == pytest.approx(1.0, abs=1e-6)
    assert mean_s == pytest.approx(4.2, abs=0.2)


def test_rubber_stands_while_no_air_moves() -> None:
    line = blown()
    for _ in range(20):
        line.step(0.03)
    line.blower_run = False
    while line.air_share > 0.0:
        line.step(0.0)
    lying = line.content_kg
    assert lying > 0.0
    assert [line.step(0.0) for _ in range(600)] == [0.0] * 600
    assert line.content_kg == lying
    line.blower_run = True
    assert sum(line.step(0.0) for _ in range(200)) == pytest.approx(lying, abs=1e-9)


def test_pressure_tells_solids_plug_and_open_hose_apart() -> None:
    line = blown()
    idle = line.shown_pressure_pa
    for _ in range(200):
        line.step(0.0315)
    loaded = line.shown_pressure_pa
    assert idle == pytest.approx(6000.0, rel=0.01)
    assert loaded - idle == pytest.approx(1500.0 * 0.315 * 4.2, rel=0.05)
    line.plugged = True
    assert sum(line.step(0.03) for _ in range(50)) == 0.0
    assert line.shown_pressure_pa > 30000.0
    line.plugged, line.hose_off = False, True
    assert sum(line.step(0.03) for _ in range(100)) == 0.0
    assert line.spilled_kg > 0.0
    assert line.shown_pressure_pa < 2000.0


def test_a_plug_builds_up_while_rubber_flows_and_then_nothing_passes() -> None:
    line = blown()
    line.plugs_in_s = 60.0
    for _ in range(300):
        line.step(0.0)
    assert line.built == 0.0  # air alone builds nothing
    seen = []
    arrived_kg = []
    for _ in range(700):
        arrived_kg.append(line.step(0.03))
        seen.append(line.shown_pressure_pa)
    assert seen[400] > seen[200] > seen[100]
    assert sum(arrived_kg[300:400]) > 2.0
    assert line.plugged
    assert sum(arrived_kg[650:]) == 0.0
    line.clear()
    assert (line.plugged, line.built, line.plugs_in_s) == (False, 0.0, 0.0)


def test_the_flow_switch_sees_what_arrives() -> None:
    line = blown()
    seen = [line.flow_switch]
    for _ in range(2):  # on its way after 3 s, there after 6 s
        for _ in range(30):
            line.step(0.03)
        seen.append(line.flow_switch)
    line.hose_off = True
    for _ in range(25):
        line.step(0.03)
    seen.append(line.flow_switch)
    assert seen == [False, False, True, False]
