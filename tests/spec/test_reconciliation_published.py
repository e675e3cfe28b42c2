"""Reconciliation against a published example, and figures derived by hand. The source stands beside each check.

The example is that of S. Narasimhan, C. Jordache, Data Reconciliation and Gross Error Detection, Gulf 2000: data and
matrix were read in a stored benchmark collection that cites the book; the book's results are from memory, and what is
marked "derived" was recomputed with another library (computation.md, section 5).
"""

from math import sqrt

import pytest

from crumbmeter.estimation.algebra import identity
from crumbmeter.estimation.balances import Balance, Outcome, Problem, Reconciled, Stream, Withheld
from crumbmeter.estimation.reconciliation import reconcile
from crumbmeter.model.units import SHORT_TON_KG

MATRIX = ((1, -1, -1, 0, 0, 0), (0, 1, 0, -1, 0, 0), (0, 0, 1, 0, -1, 0), (0, 0, 0, 1, 1, -1))
SOUND = (101.91, 64.45, 34.65, 64.20, 36.44, 98.88)
BIASED = (101.91, 68.45, 34.65, 64.20, 36.44, 98.88)
"""The same with 4 added to the second flow."""


def network(flows: tuple[float, ...]) -> Outcome:
    streams = tuple(Stream(f"flow {place}", flow) for place, flow in enumerate(flows, 1))
    balances = tuple(Balance(f"node {place}", tuple(map(float, row))) for place, row in enumerate(MATRIX, 1))
    return reconcile(Problem(streams, balances, identity(6)))


def test_sound_flows_are_reconciled() -> None:
    outcome = network(SOUND)
    assert isinstance(outcome, Reconciled)
    found = [one.reconciled for one in outcome.estimates]
    assert found == pytest.approx([100.22, 64.50, 35.72, 64.50, 35.72, 100.22], abs=0.005)  # the book, from memory
    assert outcome.tests.overall.statistic == pytest.approx(6.4075, abs=5e-5)  # derived
    assert outcome.tests.overall.degrees == 4
    assert outcome.tests.overall.critical == pytest.approx(9.488, abs=5e-4)  # chi-square table


def test_a_biased_flow_is_named_and_nothing_is_reconciled() -> None:
    outcome = network(BIASED)
    assert isinstance(outcome, Withheld)
    tests = outcome.tests
    assert [one.residual for one in tests.nodal] == pytest.approx([-1.19, 4.25, -1.79, 1.76], abs=1e-9)  # the book
    assert tests.overall.statistic == pytest.approx(16.674, abs=5e-4)  # the book, from memory
    statistics = [one.statistic for one in tests.measurements]
    # Derived there as well; 3.2048 is sqrt(10.27042) = 3.20475 with its last place rounded up.
    assert statistics == pytest.approx([1.2533, 3.2048, 0.4940, 2.0004, 1.6983, 2.4577], abs=6e-5)
    assert {round(one.critical, 4) for one in tests.measurements} == {2.6310}  # derived: Sidak for six
    assert [one.name for one in tests.measurements if one.fails] == ["flow 2"]
    assert tests.measurements[1].likelihood == pytest.approx(10.270, abs=5e-4)  # derived
    (suspect,) = outcome.suspects
    assert suspect.names == ("flow 2",)
    assert suspect.bias == pytest.approx(3.925, abs=5e-4)  # derived; 4 was added
    low, high = suspect.interval
    assert low < 4.0 < high
    assert outcome.left is not None
    assert not outcome.left.fails


def test_nodal_tests_have_the_variance_of_their_streams() -> None:
    # Derived: with variances of 1 a node of three streams has 3, one of two streams 2.
    outcome = network(BIASED)
    assert isinstance(outcome, Withheld)
    assert [one.uncertainty for one in outcome.tests.nodal] == pytest.approx(
        [sqrt(3.0), sqrt(2.0), sqrt(2.0), sqrt(3.0)]
    )


def bags_and_feeder(*, one_scale: bool) -> Outcome:
    """Twelve bags of a short ton, each known to 2 kg, against 10 790 kg fed; 180 kg before and 240 kg after."""
    count, each = 12, 2.0
    bags = tuple(
        tuple(each * each if row == column or (one_scale and max(row, column) < count) else 0.0
              for column in range(count + 2))
        for row in range(count + 2)
    )  # fmt: skip
    covariance = tuple(
        tuple(0.0 if max(row, column) >= count else bags[row][column] for column in range(count + 2))
        for row in range(count + 2)
    )
    streams = (
        *(Stream(f"bag {place}", SHORT_TON_KG) for place in range(count)),
        Stream("fed", 10_790.0),
        Stream("hopper", 60.0),
    )
    balance = Balance("bags", (*((1.0,) * count), -1.0, -1.0))
    return reconcile(Problem(streams, (balance,), covariance))


def test_bags_of_one_scale_err_together() -> None:
    # computation.md, section 11 (derived): 180 + 12 x 907.185 (a short ton) - 240 - 10 790 = +36.217 kg, which is
    # 0.336 % of what was fed. The bags' standard uncertainty is 12 x 2 = 24 kg if they share a scale, and
    # sqrt(12) x 2 = 6.9 kg if not: 36.2 kg is inside twice the one and outside twice the other. Feeder and hopper are
    # left out, as there.
    together = bags_and_feeder(one_scale=True)
    assert isinstance(together, Reconciled)
    (node,) = together.tests.nodal
    assert node.residual == pytest.approx(36.217, abs=5e-4)
    assert node.residual / 10_790.0 == pytest.approx(0.00336, abs=5e-6)
    assert node.uncertainty == pytest.approx(24.0)
    apart = bags_and_feeder(one_scale=False)
    assert isinstance(apart, Withheld)
    assert apart.tests.nodal[0].uncertainty == pytest.approx(6.93, abs=0.005)
    assert apart.suspects[0].names == tuple(f"bag {place}" for place in range(12))
