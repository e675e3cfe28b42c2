"""The balances of a period: which masses stand where, how exact each is, and what is said of what is missing."""

from dataclasses import replace
from math import sqrt

import pytest

from crumbmeter.estimation.balances import NotRedundant, Reconciled, Withheld
from crumbmeter.estimation.budget import Water
from crumbmeter.estimation.params import UncertaintyParams, Within
from crumbmeter.estimation.plant_balance import (
    Entered,
    Load,
    Part,
    PlantBalance,
    Recorded,
    plant_balance,
    steadiness,
    together,
)
from crumbmeter.estimation.reconciliation import reconcile

PARAMS = UncertaintyParams(
    hopper_scale=Within(0.005, stated=True),
    aggregate_scale=Within(0.01, stated=True),
    bag_scale=Within(0.005, stated=True),
)
RECORDED = Recorded(
    aggregate_kg=1_600_000.0, recycle_kg=380_000.0, binder_kg=90_000.0, rubber_kg=10_400.0, weighing_kg=10.0,
    water=Water(0.04, 0.03), hopper_change_kg=-50.0, supply_change_kg=30.0,
)  # fmt: skip
MADE_KG = 1_600_000.0 + 380_000.0 + 90_000.0 + 10_400.0
BAGS_KG = 10_400.0 - 50.0 + 30.0
ENTERED = Entered(
    tickets=tuple(Load(MADE_KG / 100.0, "truck") for _ in range(100)),
    bags=tuple(Load(BAGS_KG / 12.0, "yard") for _ in range(12)),
    silo_changes=(Load(0.0, within_kg=0.0),),
)


def part_of(balance: PlantBalance, name: str) -> Part:
    (part,) = [part for part in balance.parts if part.name == name]
    return part


def test_a_period_that_agrees_is_reconciled() -> None:
    outcome = reconcile(plant_balance(PARAMS, RECORDED, ENTERED).problem)
    assert isinstance(outcome, Reconciled)
    assert outcome.unchecked == ()
    assert [one.residual for one in outcome.tests.nodal] == pytest.approx([0.0, 0.0], abs=1e-6)
    found = {one.name: one for one in outcome.estimates}
    assert found["feeder"].reconciled == pytest.approx(10_400.0)
    # Feeder and bags are about as exact as each other: both together are better than either.
    assert found["feeder"].uncertainty is not None
    assert found["feeder"].reconciled_uncertainty < 0.8 * found["feeder"].uncertainty


def test_uncertainties_come_from_tolerances() -> None:
    # Derived: limits / sqrt(3), scale and water of a wet stream in quadrature, water over 1 + w.
    balance = plant_balance(PARAMS, RECORDED, ENTERED)
    aggregate = 1_600_000.0 * sqrt((0.01 / sqrt(3)) ** 2 + (0.005 / sqrt(3) / 1.04) ** 2)
    assert sqrt(part_of(balance, "aggregate scale").variance_kg2) == pytest.approx(aggregate)
    assert sqrt(part_of(balance, "feeder").variance_kg2) == pytest.approx(
        sqrt(10.0**2 + (10_400 * 0.005 / sqrt(3)) ** 2)
    )
    # A hundred tickets of one scale err together: the sum is as exact as one of them, not ten times better.
    assert sqrt(part_of(balance, "load tickets of truck").variance_kg2) == pytest.approx(MADE_KG * 0.002 / sqrt(3))
    assert "assumed" in part_of(balance, "recycle scale").source
    assert "assumed" not in part_of(balance, "bags of yard").source
    assert together([2.0 * sqrt(3.0)] * 12) == pytest.approx(24.0)  # computation.md, section 11


def test_feeder_and_weigh_hopper_share_their_scale() -> None:
    balance = plant_balance(PARAMS, RECORDED, ENTERED)
    names = [part.name for part in balance.parts]
    feeder, hopper = names.index("feeder"), names.index("weigh hopper")
    shared = balance.problem.covariance[feeder][hopper]
    assert shared == balance.problem.covariance[hopper][feeder]
    assert shared == pytest.approx((0.005 / sqrt(3)) ** 2 * 10_400.0 * -50.0)
    entered = plant_balance(PARAMS, RECORDED, replace(ENTERED, hopper_changes=(Load(-50.0),)))
    assert entered.problem.covariance[feeder][hopper] == 0.0


def test_each_scale_is_a_stream_of_its_own() -> None:
    tickets = (Load(MADE_KG - 22_000.0, "north"), Load(22_000.0, "south"))
    names = [part.name for part in plant_balance(PARAMS, RECORDED, replace(ENTERED, tickets=tickets)).parts]
    assert "load tickets of north" in names
    assert "load tickets of south" in names


def test_a_bag_keyed_twice_is_found_in_the_balance_of_rubber() -> None:
    bags = (*ENTERED.bags, ENTERED.bags[0])
    outcome = reconcile(plant_balance(PARAMS, RECORDED, replace(ENTERED, bags=bags)).problem)
    assert isinstance(outcome, Withheld)
    assert [node.name for node in outcome.tests.nodal if node.statistic > node.critical] == ["rubber"]
    assert "bags of yard" in outcome.suspects[0].names
    assert outcome.suspects[0].biases[outcome.suspects[0].names.index("bags of yard")] == pytest.approx(BAGS_KG / 12.0)


def test_a_drifted_scale_is_among_those_that_cannot_be_told_apart() -> None:
    drifted = replace(RECORDED, aggregate_kg=1_600_000.0 * 1.05)
    outcome = reconcile(plant_balance(PARAMS, drifted, ENTERED).problem)
    assert isinstance(outcome, Withheld)
    (suspect,) = outcome.suspects
    assert {"aggregate scale", "recycle scale", "binder meter", "load tickets of truck"} <= set(suspect.names)
    biases = dict(zip(suspect.names, suspect.biases, strict=True))
    assert biases["aggregate scale"] == pytest.approx(80_000.0, rel=1e-3)
    assert biases["load tickets of truck"] == pytest.approx(-80_000.0, rel=1e-3)


def test_what_nobody_entered_is_missing_and_its_balance_is_not_tested() -> None:
    balance = plant_balance(PARAMS, RECORDED, replace(ENTERED, tickets=(), silo_changes=()))
    assert part_of(balance, "load tickets").mass_kg is None
    assert part_of(balance, "silo level").remedy
    outcome = reconcile(balance.problem)
    assert isinstance(outcome, Reconciled)
    assert [node.name for node in outcome.tests.nodal] == ["rubber"]
    assert set(outcome.unchecked) == {"aggregate scale", "recycle scale", "binder meter", "waste"}
    nothing = reconcile(plant_balance(PARAMS, replace(RECORDED, hopper_change_kg=None), Entered()).problem)
    assert isinstance(nothing, NotRedundant)


def test_a_supply_hopper_without_a_scale_is_known_within_one_bag() -> None:
    part = part_of(plant_balance(PARAMS, replace(RECORDED, supply_change_kg=None), ENTERED), "supply hopper")
    assert part.mass_kg == 0.0
    assert sqrt(part.variance_kg2) == pytest.approx(BAGS_KG / 12.0 / sqrt(3.0))
    entered = replace(ENTERED, supply_changes=(Load(40.0, within_kg=3.0),))
    part = part_of(plant_balance(PARAMS, RECORDED, entered), "supply hopper")
    assert part.mass_kg == 40.0
    assert part.variance_kg2 == pytest.approx(3.0)


def test_rubber_on_its_way_widens_the_balance() -> None:
    part = part_of(plant_balance(PARAMS, replace(RECORDED, on_the_way_kg=12.0), ENTERED), "line and drum")
    assert part.mass_kg == 0.0
    assert sqrt(part.variance_kg2) == pytest.approx(12.0 / sqrt(3.0))
    assert "line and drum" not in [one.name for one in plant_balance(PARAMS, RECORDED, ENTERED).parts]


def test_waste_and_silo_have_their_own_figures() -> None:
    entered = replace(ENTERED, waste=(Load(1000.0),), silo_changes=(Load(-5000.0),))
    balance = plant_balance(PARAMS, RECORDED, entered)
    assert sqrt(part_of(balance, "waste").variance_kg2) == pytest.approx(100.0 / sqrt(3.0))
    assert sqrt(part_of(balance, "silo level").variance_kg2) == pytest.approx(4000.0 * sqrt(2.0) / sqrt(3.0))
    assert balance.notes == ()
    assert plant_balance(PARAMS, RECORDED, ENTERED).notes


def test_steadiness_tells_noise_from_a_trend() -> None:
    # computation.md, section 5: about 1 for noise, far below for a trend, 0.5 between them. Derived for a ramp of n
    # steps: (n-1)/2 over n(n^2-1)/12, which is 6/(n(n+1)).
    assert steadiness([float(value) for value in range(20)]) == pytest.approx(6.0 / (20.0 * 21.0))
    noise = [1.0 if value % 3 else -1.0 for value in range(30)]
    ratio = steadiness(noise)
    assert ratio is not None
    assert ratio > 0.5
    assert steadiness([4.0] * 5) == 1.0
    assert steadiness([4.0, 4.0]) is None


def test_rubber_dumped_out_of_the_drum_came_out_of_a_bag_and_is_in_no_mix() -> None:
    dumped = replace(RECORDED, dumped_kg=80.0)
    bags = replace(ENTERED, bags=(*ENTERED.bags, Load(80.0, "yard")))
    outcome = reconcile(plant_balance(PARAMS, dumped, bags).problem)
    assert isinstance(outcome, Reconciled)
    assert [one.residual for one in outcome.tests.nodal] == pytest.approx([0.0, 0.0], abs=1e-6)
    part = part_of(plant_balance(PARAMS, dumped, bags), "dumped out of the drum")
    assert (part.mix, part.rubber) == (0.0, -1.0)
    # Left out, it is missing from the bags' balance.
    left_out = reconcile(plant_balance(PARAMS, RECORDED, bags).problem)
    assert not isinstance(left_out, NotRedundant)
    assert max(abs(one.residual) for one in left_out.tests.nodal) == pytest.approx(80.0)
