"""Belts, drums and mis-timed steps against derived figures (computation.md, section 3; derived, none published).

They are computed with the rooms that the daemon itself follows its material with.
"""

from collections.abc import Callable

import pytest

from crumbmeter.estimation.travel.moving import off_belt
from crumbmeter.process.fifo import empty
from crumbmeter.process.stages import cascade, share_leaving

SLOW_KG_S, FAST_KG_S = 200.0 / 3.6, 300.0 / 3.6
DOSE = 0.005


@pytest.mark.parametrize(("enters_s", "delay_s"), [(0.0, 20.0), (5.0, 25.0), (10.0, 30.0)])
def test_delay_of_a_belt_whose_speed_changes(enters_s: float, delay_s: float) -> None:
    # 30 m; 2 m/s for the first 10 s, then 1 m/s.
    leaves_s = enters_s + delay_s
    belt, dt_s, left = empty(75), 0.05, 0.0
    moments = 0.0
    series: list[tuple[float, float]] = []
    for step in range(round(45.0 / dt_s)):
        at_s = step * dt_s
        speed_m_s = 2.0 if at_s < 10.0 - 1e-9 else 1.0
        mass = 1.0 if abs(at_s - enters_s) < 1e-9 else 0.0
        belt, out = belt.moved(mass, speed_m_s * dt_s / 0.4)
        series.append((mass, speed_m_s * dt_s))
        left += out
        moments += out * (at_s + dt_s)
    assert left == pytest.approx(1.0)
    assert moments / left == pytest.approx(leaves_s, abs=0.45)  # to a cell of 0.4 m
    fine = off_belt([mass for mass, _ in series], [way for _, way in series], 30.0)
    mean_s = sum(out * (step + 0.5) * dt_s for step, out in enumerate(fine)) / sum(fine)
    assert mean_s == pytest.approx(leaves_s, abs=0.06)


def test_delay_and_content_of_a_belt() -> None:
    # 40 m at 1.5 m/s carrying 250 t/h: 26.667 s and 1851.9 kg.
    belt, dt_s, first_s = empty(100), 0.1, 0.0
    for step in range(round(60.0 / dt_s)):
        belt, out = belt.moved(250.0 / 3.6 * dt_s, 1.5 * dt_s / 0.4)
        first_s = (step + 1) * dt_s if out > 0.0 and first_s == 0.0 else first_s
    assert first_s == pytest.approx(26.667, abs=0.2)
    assert belt.content == pytest.approx(1851.9, abs=0.1)


def off_dose(
    mix_s: float, rubber_s: float, tolerance: float, feeder: Callable[[float, float], float] | None, dt_s: float
) -> tuple[float, float, float, float]:
    """Step the rate with both paths full; return off-dose time [s] and mix [kg], largest error, rubber's balance [kg].

    Args:
        mix_s: [s] The mix's travel from the scale to the injection point.
        rubber_s: [s] The rubber's travel from the setpoint, which follows the scale at once.
        tolerance: Dose error beyond which mix is off.
        feeder: What the feeder makes of a setpoint and a step; None: at once.
        dt_s: [s] Step; a cell of both paths.
    """
    belt, line = empty(round(mix_s / dt_s)), empty(round(rubber_s / dt_s))
    off_s = off_kg = worst = balance_kg = 0.0
    for step in range(round(300.0 / dt_s)):
        rate = FAST_KG_S if step * dt_s >= 150.0 - 1e-9 else SLOW_KG_S
        wanted = DOSE * rate * dt_s
        belt, mix_kg = belt.moved(rate * dt_s, 1.0)
        line, rubber_kg = line.moved(wanted if feeder is None else feeder(wanted, dt_s), 1.0)
        if step * dt_s < 140.0:
            continue
        error = rubber_kg / (DOSE * mix_kg) - 1.0
        balance_kg += rubber_kg - DOSE * mix_kg
        if abs(error) > tolerance:
            off_s += dt_s
            off_kg += mix_kg
            worst = max(worst, error, key=abs)
    return off_s, off_kg, worst, balance_kg


def test_rubber_that_comes_early() -> None:
    # 200 to 300 t/h, dose 0.5 %: mix travels 45 s, rubber 8 s, nothing is aligned.
    off_s, off_kg, worst, balance_kg = off_dose(45.0, 8.0, 0.01, None, 0.25)
    assert off_s == pytest.approx(37.0)
    assert off_kg == pytest.approx(2055.6, abs=0.1)
    assert worst == pytest.approx(0.5)
    assert balance_kg == pytest.approx(5.139, abs=1e-3)


def test_rubber_that_comes_late() -> None:
    off_s, off_kg, worst, balance_kg = off_dose(10.0, 15.0, 0.01, None, 0.25)
    assert off_s == pytest.approx(5.0)
    assert off_kg == pytest.approx(416.7, abs=0.1)
    assert worst == pytest.approx(-1.0 / 3.0)
    assert balance_kg == pytest.approx(-DOSE * (FAST_KG_S - SLOW_KG_S) * 5.0, rel=1e-6)


def test_rubber_that_comes_late_through_a_feeder_with_a_lag() -> None:
    # 5 s late and a lag of 6 s; beyond 5 % for 5 + 6 ln(dQ / (Q2 tol)) s.
    content: tuple[float, ...] = (DOSE * SLOW_KG_S * 6.0,)

    def feeder(wanted_kg: float, dt_s: float) -> float:
        nonlocal content
        content, out = cascade(content, wanted_kg, share_leaving(6.0, 1, dt_s, 1.0))
        return out

    off_s, off_kg, _, balance_kg = off_dose(10.0, 15.0, 0.05, feeder, 0.02)
    assert off_s == pytest.approx(16.383, abs=0.04)
    assert off_kg == pytest.approx(1365.2, rel=2e-3)
    assert balance_kg == pytest.approx(-1.5278, abs=1e-3)


def test_a_stirred_stage_takes_the_top_off_a_pulse() -> None:
    # A pulse of 37 s through a stage of 20 s keeps 1 - e^(-37/20) = 84.28 % of its height.
    content: tuple[float, ...] = (0.0,)
    highest, dt_s = 0.0, 0.01
    for _ in range(3700):
        content, out = cascade(content, dt_s, share_leaving(20.0, 1, dt_s, 1.0))
        highest = out / dt_s
    assert highest == pytest.approx(0.8428, abs=2e-4)
