"""Whatever is measured: balances close exactly, no variance grows, the order of streams and balances is of no
account."""

from dataclasses import replace
from math import sqrt

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from crumbmeter.estimation.algebra import Matrix, dot, identity, solved, times, transposed
from crumbmeter.estimation.balances import Balance, NotRedundant, Problem, Reconciled, Stream, Withheld
from crumbmeter.estimation.reconciliation import reconcile

MATRIX = ((1, -1, -1, 0, 0, 0), (0, 1, 0, -1, 0, 0), (0, 0, 1, 0, -1, 0), (0, 0, 0, 1, 1, -1))
TRUE = (100.0, 64.0, 36.0, 64.0, 36.0, 100.0)
COUNT = len(TRUE)
SIZES = st.floats(0.05, 3.0)
NUMBERS = st.floats(-1.0, 1.0)


@st.composite
def covariances(draw: st.DrawFn) -> Matrix:
    """Make a full positive definite covariance: L L' with a good diagonal."""
    lower = tuple(
        tuple(draw(SIZES) + 0.2 if row == column else draw(NUMBERS) if row > column else 0.0 for column in range(COUNT))
        for row in range(COUNT)
    )
    return times(lower, transposed(lower))


@st.composite
def problems(draw: st.DrawFn, reach: float = 0.3) -> Problem:
    """Make flows that are off by little, some of them unmeasured."""
    flows = [true + draw(st.floats(-reach, reach)) for true in TRUE]
    hidden = draw(st.sets(st.integers(0, COUNT - 1), max_size=2))
    streams = tuple(Stream(str(at), None if at in hidden else flow) for at, flow in enumerate(flows))
    balances = tuple(Balance(f"node {at}", tuple(map(float, row))) for at, row in enumerate(MATRIX))
    return Problem(streams, balances, draw(covariances()))


@given(problems())
def test_balances_close_exactly(problem: Problem) -> None:
    outcome = reconcile(problem)
    assume(isinstance(outcome, Reconciled))
    assert isinstance(outcome, Reconciled)
    found = {one.name: one.reconciled for one in outcome.estimates}
    assert set(found) | set(outcome.unknown) == {stream.name for stream in problem.streams}
    if not outcome.unknown:
        for balance in problem.balances:
            assert dot(balance.coefficients, [found[stream.name] for stream in problem.streams]) == pytest.approx(
                0, abs=1e-7
            )


@given(problems())
def test_no_variance_grows(problem: Problem) -> None:
    outcome = reconcile(problem)
    assume(isinstance(outcome, Reconciled))
    assert isinstance(outcome, Reconciled)
    for one in outcome.estimates:
        if one.uncertainty is not None:
            assert one.reconciled_uncertainty <= one.uncertainty * (1.0 + 1e-9)
            if one.name in outcome.unchecked:
                assert one.reconciled == one.measured


@given(problems(reach=3.0), st.permutations(range(COUNT)), st.permutations(range(len(MATRIX))))
def test_the_order_is_of_no_account(problem: Problem, order: list[int], rows: list[int]) -> None:
    turned = Problem(
        tuple(problem.streams[at] for at in order),
        tuple(
            replace(problem.balances[row], coefficients=tuple(problem.balances[row].coefficients[at] for at in order))
            for row in rows
        ),
        tuple(tuple(problem.covariance[row][column] for column in order) for row in order),
    )
    one, other = reconcile(problem), reconcile(turned)
    assert type(one) is type(other)
    if isinstance(one, NotRedundant) or isinstance(other, NotRedundant):
        return
    assert other.tests.overall.statistic == pytest.approx(one.tests.overall.statistic, rel=1e-6, abs=1e-9)
    assert other.tests.overall.degrees == one.tests.overall.degrees
    likely = {test.name: test.likelihood for test in one.tests.measurements}
    for test in other.tests.measurements:
        assert test.likelihood == pytest.approx(likely[test.name], rel=1e-5, abs=1e-7)
    if isinstance(one, Reconciled) and isinstance(other, Reconciled):
        values = {estimate.name: estimate.reconciled for estimate in one.estimates}
        for estimate in other.estimates:
            assert estimate.reconciled == pytest.approx(values[estimate.name], abs=1e-6)


@given(
    st.integers(0, COUNT - 1),
    st.floats(20.0, 60.0),
    st.sampled_from([-1.0, 1.0]),
    st.lists(st.floats(-0.2, 0.2), min_size=6, max_size=6),
)
def test_a_large_bias_is_found_and_its_size_too(at: int, size: float, sign: float, noise: list[float]) -> None:
    flows = [
        true + small + (sign * size if place == at else 0.0)
        for place, (true, small) in enumerate(zip(TRUE, noise, strict=True))
    ]
    balances = tuple(Balance(str(row), tuple(map(float, coefficients))) for row, coefficients in enumerate(MATRIX))
    outcome = reconcile(
        Problem(tuple(Stream(str(place), flow) for place, flow in enumerate(flows)), balances, identity(COUNT))
    )
    assert isinstance(outcome, Withheld)
    assert not hasattr(outcome, "estimates")
    (suspect,) = outcome.suspects
    assert suspect.names == (str(at),)
    assert abs(suspect.bias - sign * size) < 1.0
    assert outcome.left is not None
    assert not outcome.left.fails


@given(st.integers(1, 6), st.floats(1.0, 50.0))
def test_streams_in_one_balance_alone_are_named_together(count: int, size: float) -> None:
    streams = (*(Stream(str(at), 10.0) for at in range(count)), Stream("sum", 10.0 * count + 10.0 * size))
    balance = Balance("all", (*((1.0,) * count), -1.0))
    outcome = reconcile(Problem(streams, (balance,), identity(count + 1)))
    assert isinstance(outcome, Withheld)
    (suspect,) = outcome.suspects
    assert set(suspect.names) == {stream.name for stream in streams}
    assert outcome.left is None
    assert suspect.uncertainty == pytest.approx(sqrt(count + 1.0))


@given(covariances())
def test_equations_are_solved(matrix: Matrix) -> None:
    product = times(matrix, solved(matrix, identity(COUNT)))
    for row, wanted in zip(product, identity(COUNT), strict=True):
        assert row == pytest.approx(wanted, abs=1e-7)
