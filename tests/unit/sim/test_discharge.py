"""What is seen behind the drum: it follows what left it, after a way and with a lag of each instrument."""

from random import Random

import pytest

from crumbmeter_sim.discharge import Discharge, DischargeTruth

QUIET = DischargeTruth(current_noise_a=0.0, temperature_noise_c=0.0)


def shown(truth: DischargeTruth, flow_kg_s: float, seconds: float, step_s: float = 0.2) -> Discharge:
    made = Discharge(truth, step_s, Random("x"))
    for _ in range(round(seconds / step_s)):
        made.step(flow_kg_s * step_s)
    return made


def test_current_is_idle_until_the_mix_is_there_and_then_in_proportion() -> None:
    assert shown(QUIET, 60.0, 3.9).shown_current_a == pytest.approx(38.0)
    assert shown(QUIET, 60.0, 60.0).shown_current_a == pytest.approx(38.0 + 0.55 * 60.0)


def test_current_is_filtered() -> None:
    # 4 s on the way and one time constant after that: 63 % of the rise.
    assert shown(QUIET, 60.0, 6.0).shown_current_a == pytest.approx(38.0 + 33.0 * 0.632, rel=0.05)


def test_temperature_tells_that_mix_flows_rather_than_how_much() -> None:
    assert shown(QUIET, 0.0, 300.0).shown_temperature_c == pytest.approx(35.0)
    half, full = (shown(QUIET, flow, 300.0).shown_temperature_c for flow in (30.0, 60.0))
    assert full == pytest.approx(35.0 + 125.0 * 60.0 / 64.0)
    assert (half - 35.0) / (full - 35.0) > 0.9


def test_noise_is_of_the_size_that_the_file_says() -> None:
    made, values = Discharge(DischargeTruth(current_filter_s=0.0), 0.2, Random("y")), list[float]()
    for _ in range(4000):
        made.step(0.0)
        values.append(made.shown_current_a)
    mean = sum(values) / len(values)
    assert mean == pytest.approx(38.0, abs=0.05)
    assert (sum((value - mean) ** 2 for value in values) / len(values)) ** 0.5 == pytest.approx(0.6, rel=0.05)
