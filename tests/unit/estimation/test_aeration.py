"""Freshly fallen rubber gives less: the estimator learns by how much, and carries it through the fills."""

from dataclasses import dataclass, replace
from math import exp
from random import Random

import pytest

from crumbmeter.estimation.aeration import DECAY_S, FIRST_DOUBT, MOST, Aeration, corrected, decayed, freshen, risen
from crumbmeter.estimation.weighing import Flow, new_weighing, weigh
from tests.unit.estimation.test_weighing import PARAMS

DT_S, SPEED_REV_S = 0.2, 0.35


@dataclass
class AiryHopper:
    """The truth: 0.9 kg/rev of settled rubber, less of fresh; rise and decay are not quite those that are assumed."""

    air: float
    decay_s: float = DECAY_S
    rise_s: float = 6.0
    mass_kg: float = 240.0
    fresh: float = 0.0

    def __post_init__(self) -> None:
        self.random, self.state = Random(3), new_weighing(PARAMS)

    @property
    def factor_kg_rev(self) -> float:
        return 0.9 * (1.0 - self.air * self.fresh)

    def scan(self, refill_kg_s: float = 0.0) -> tuple[float, Flow]:
        """Scan once; return the true flow [kg/s] and what the estimator makes of it."""
        filling = refill_kg_s > 0.0
        step = DT_S / self.rise_s
        self.fresh = min(1.0, self.fresh + step) if filling else self.fresh * exp(-DT_S / self.decay_s)
        true_kg_s = self.factor_kg_rev * SPEED_REV_S
        self.mass_kg += (refill_kg_s - true_kg_s) * DT_S
        shown_kg = self.mass_kg + self.random.gauss(0.0, 0.05)
        self.state, flow, _ = weigh(self.state, PARAMS, shown_kg, SPEED_REV_S, filling, DT_S)
        return true_kg_s, flow

    def fill(self) -> list[tuple[float, float]]:
        """Run down, fill, run on for two minutes; return error and stated uncertainty from the fill on, relative."""
        while self.mass_kg > 60.0:
            self.scan()
        seen = [self.scan(9.3) for _ in range(100)]
        seen += [self.scan() for _ in range(600)]
        return [(flow.rate_kg_s / true - 1.0, flow.uncertainty_kg_s / true) for true, flow in seen]


@pytest.mark.parametrize("air", [0.0, 0.03, 0.06])
def test_the_air_is_learned_from_one_fill_and_carried_through_the_next(air: float) -> None:
    hopper = AiryHopper(air)
    first = hopper.fill()
    assert hopper.state.air.share == pytest.approx(air, abs=0.015)
    for _ in range(3):
        later = hopper.fill()
    filling = [abs(error) for error, _ in later[25:115]]
    assert max(filling) < 0.012
    if air:
        assert max(abs(error) for error, _ in first[25:115]) > 0.8 * air, "before the first fill nobody knows"
    assert max(abs(error) for error, _ in later) < 0.02


@pytest.mark.parametrize(("decay_s", "rise_s"), [(15.0, 3.0), (40.0, 12.0)])
def test_rubber_that_settles_otherwise_than_assumed_is_still_better_than_none(decay_s: float, rise_s: float) -> None:
    hopper = AiryHopper(0.05, decay_s=decay_s, rise_s=rise_s)
    before = [abs(error) for error, _ in hopper.fill()]
    for _ in range(3):
        after = [abs(error) for error, _ in hopper.fill()]
    assert sum(after) < 0.5 * sum(before)
    assert max(after) < 0.035


def test_the_uncertainty_stated_through_a_fill_covers_the_error() -> None:
    for air in (0.0, 0.02, 0.04):
        hopper = AiryHopper(air)
        for number in range(4):
            seen = hopper.fill()
            covered = sum(abs(error) <= 2.0 * stated for error, stated in seen[:115])
            assert covered >= 0.9 * 115, number


def test_what_is_not_known_grows_while_it_fills_and_shrinks_after() -> None:
    hopper = AiryHopper(0.0)
    seen = hopper.fill()
    before, filled, after = seen[0][1], seen[99][1], seen[-1][1]
    assert filled > 1.8 * before
    assert filled == pytest.approx(FIRST_DOUBT, rel=0.3)
    assert after < 0.6 * filled


def test_the_covariance_stays_one() -> None:
    hopper = AiryHopper(0.04)
    for _ in range(3):
        hopper.fill()
        state, air = hopper.state, hopper.state.air
        assert state.var_ff > 0.0
        assert air.var_aa > 0.0
        assert air.var_fa**2 <= air.var_aa * state.var_ff * (1.0 + 1e-9)
        assert air.var_ma**2 <= air.var_aa * state.var_mm * (1.0 + 1e-9)


@pytest.mark.parametrize(("fresh", "then"), [(0.0, 0.5), (1.0, 0.4), (0.3, 0.9)])
def test_how_the_factor_hangs_on_the_share_is_its_derivative(fresh: float, then: float) -> None:
    step = 1e-6
    air = Aeration(share=0.05, fresh=fresh, var_aa=1.0, var_fa=0.0)
    after, factor, grown = freshen(air, then, 0.9)
    # The settled factor is what stays when the share turns out another one.
    _, other, _ = freshen(replace(air, share=0.05 + step), then, 0.9)
    assert after.var_fa == pytest.approx((other - factor) / step, rel=1e-3)
    assert grown == pytest.approx(after.var_fa**2)
    assert after.fresh == then


def test_the_share_stays_between_none_and_the_most() -> None:
    air = Aeration(share=0.01, var_ma=1.0)
    assert corrected(air, -100.0, 1.0, 0.0, 0.0).share == 0.0
    assert corrected(air, 100.0, 1.0, 0.0, 0.0).share == MOST


def test_freshness_rises_to_one_and_falls_to_none() -> None:
    assert risen(0.99, 1.0) == 1.0
    assert decayed(1.0, 40.0, 40.0) == pytest.approx(exp(-1.0))
    assert decayed(1e-7, 0.2, DECAY_S) == 0.0
