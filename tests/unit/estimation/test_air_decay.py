"""The decay of the air is found in made fills, its interval holds what made them, and what cannot tell is said to."""

from dataclasses import replace
from math import exp, log
from random import Random

import pytest

from crumbmeter.estimation import air_decay
from crumbmeter.estimation.air_decay import (
    DECAYS_S,
    LOST,
    DecayFit,
    Weighed,
    counting_share,
    fit_decay,
    level_curve,
    summit,
)
from crumbmeter.estimation.weighing import new_weighing, surprise_of, weigh
from tests.unit.estimation.test_weighing import PARAMS

DT_S, SPEED_REV_S = 0.2, 0.7


def made(air: float, decay_s: float, *, fall: float = 0.0, fills: int = 4, contact: bool = True) -> list[Weighed]:
    """Make a run of fills of 20 s every four minutes; `fall` is how much the factor is less at the low level."""
    random, mass_kg, fresh, left, run = Random(3), 240.0, 0.0, 0, []
    while fills:
        if left == 0 and mass_kg < 100.0:
            left = 100
        filling = left > 0
        fresh = min(1.0, fresh + DT_S / 6.0) if filling else fresh * exp(-DT_S / decay_s)
        level = 1.0 - fall * exp(-3.0 * (mass_kg - 40.0) / 210.0)
        mass_kg += ((8.5 if filling else 0.0) - 0.9 * level * (1.0 - air * fresh) * SPEED_REV_S) * DT_S
        shown_kg = mass_kg + random.gauss(0.0, 0.05)
        run.append(Weighed(DT_S, shown_kg, SPEED_REV_S, filling if contact else None, False, (0.0, 0.0)))
        if filling:
            left -= 1
        elif left == 0 and mass_kg < 100.0:
            fills -= 1
    return run


@pytest.mark.slow
@pytest.mark.timeout(300)
@pytest.mark.parametrize(("decay_s", "fall"), [(15.0, 0.0), (40.0, 0.0), (40.0, 0.06), (20.0, 0.06)])
def test_the_decay_that_made_the_fills_is_found(decay_s: float, fall: float) -> None:
    found = fit_decay(made(0.06, decay_s, fall=fall), PARAMS)
    assert isinstance(found, DecayFit)
    assert found.tells
    assert found.decay_s == pytest.approx(decay_s, rel=0.25)
    assert found.low_s <= decay_s <= found.high_s
    assert found.fills == 3
    assert found.share == pytest.approx(1.0, abs=0.3)
    lost = dict(found.lost)
    assert decay_s / 1.5 <= min(lost, key=lambda tried_s: lost[tried_s]) <= decay_s * 1.5
    assert lost[10.0 if decay_s == 40.0 else 60.0] > LOST


@pytest.mark.slow
@pytest.mark.timeout(300)
def test_rubber_without_air_tells_nothing_of_its_decay() -> None:
    found = fit_decay(made(0.0, 25.0), PARAMS)
    assert isinstance(found, DecayFit)
    assert not found.tells
    assert found.lost_without < LOST


def test_too_few_fills_are_said() -> None:
    assert fit_decay(made(0.06, 25.0, fills=2), PARAMS) == "1 fills with rubber fed after them, at least 3 are needed"
    standing = [replace(scan, speed_rev_s=0.0) for scan in made(0.06, 25.0)]
    assert fit_decay(standing, PARAMS) == "0 fills with rubber fed after them, at least 3 are needed"


def test_a_surprise_is_what_the_filter_corrects_itself_by() -> None:
    # Scalar Kalman update: the content moves by var_mm / (var_mm + noise^2) times the surprise.
    state = new_weighing(PARAMS)
    for scan in made(0.03, 25.0, fills=1)[:200]:
        weight_kg = scan.weight_kg
        assert weight_kg is not None
        off_kg, variance_kg2 = surprise_of(state, PARAMS, weight_kg, SPEED_REV_S, DT_S)
        before, (state, flow, _) = state, weigh(state, PARAMS, weight_kg, SPEED_REV_S, False, DT_S)
        if before.started and flow.believed:
            gain = 1.0 - before.noise_kg**2 / variance_kg2
            assert state.mass_kg == pytest.approx(weight_kg - (1.0 - gain) * off_kg, abs=1e-9)


def test_values_that_hang_together_count_less() -> None:
    random = Random(5)
    free = [random.gauss(0.0, 1.0) for _ in range(4000)]
    held = [0.0]
    for value in free:
        held.append(0.5 * held[-1] + value)
    assert counting_share(free, 0.2) == pytest.approx(1.0, abs=0.1)
    # First-order autoregression: the sum of its autocorrelation is (1 + a) / (1 - a) = 3 for a = 0.5.
    assert counting_share(held, 0.2) == pytest.approx(1.0 / 3.0, rel=0.2)


def test_the_summit_of_a_parabola_is_where_it_is() -> None:
    places = [log(decay_s) for decay_s in DECAYS_S]
    heights = [-3.0 * (place - log(33.0)) ** 2 for place in places]
    best = max(range(len(heights)), key=lambda place: heights[place])
    top, height = summit(places, heights, best)
    assert top == pytest.approx(log(33.0))
    assert height == pytest.approx(0.0, abs=1e-12)
    assert summit(places, places, len(places) - 1) == (places[-1], places[-1])


def test_the_interval_ends_where_the_loss_passes_its_bound() -> None:
    # -k (x - log 30)^2 loses 1.92 at a distance of sqrt(1.92 / k): for k = 16, at 30 e^(+-0.3464) = 21.2 and 42.4 s.
    likely = [-16.0 * (log(decay_s) - log(30.0)) ** 2 for decay_s in DECAYS_S]
    found = air_decay._fit(likely, -50.0, 5, 1000, 0.25)
    assert found.decay_s == pytest.approx(30.0, rel=0.01)
    assert found.low_s == pytest.approx(21.2, rel=0.05)
    assert found.high_s == pytest.approx(42.4, rel=0.05)
    assert (found.open_below, found.open_above, found.tells) == (False, False, True)
    # Where air that is gone at once is as likely, no decay was seen.
    assert not air_decay._fit(likely, -1.0, 5, 1000, 0.25).tells


def test_a_level_curve_falls_towards_the_bottom() -> None:
    straight, bent = level_curve(0.06, 0.0), level_curve(0.06, 3.0)
    assert straight.ratio(0.5) == pytest.approx(0.97)
    assert bent.ratio(0.5) == pytest.approx(1.0 - 0.06 * exp(-1.5), rel=1e-3)
    assert bent.ratio(0.0) < bent.ratio(0.2) < bent.ratio(1.0)
    assert level_curve(0.0, 3.0).ratios == (1.0,) * 12
