"""Elimination finds what depends on what, and says so where there is no answer."""

import pytest

from crumbmeter.estimation.algebra import (
    SingularError,
    applied,
    identity,
    independent_rows,
    left_null_space,
    solved,
    times,
    transposed,
)

A = ((2.0, 1.0), (4.0, 2.0), (0.0, 3.0))


def test_products() -> None:
    assert times(((1.0, 2.0),), ((3.0,), (4.0,))) == ((11.0,),)
    assert applied(A, (1.0, 1.0)) == (3.0, 6.0, 3.0)
    assert transposed(A) == ((2.0, 4.0, 0.0), (1.0, 2.0, 3.0))
    assert identity(2) == ((1.0, 0.0), (0.0, 1.0))


def test_equations_whose_first_pivot_is_zero() -> None:
    assert solved(((0.0, 2.0), (4.0, 0.0)), ((6.0,), (8.0,))) == ((2.0,), (3.0,))


def test_dependent_equations_are_refused() -> None:
    with pytest.raises(SingularError, match="only 1 of 2 equations"):
        solved(((1.0, 2.0), (2.0, 4.0)), ((1.0,), (2.0,)))


def test_the_first_independent_rows_are_kept() -> None:
    assert independent_rows(A) == (0, 2)
    assert independent_rows(((0.0, 0.0), (1.0, 1.0))) == (1,)
    assert independent_rows(()) == ()


def test_what_takes_columns_out() -> None:
    left = left_null_space(A)
    assert len(left) == 1
    assert times(left, A)[0] == pytest.approx((0.0, 0.0))
    assert left_null_space(((1.0, 0.0), (0.0, 1.0))) == ()


def test_rows_of_very_different_size_are_judged_by_their_own() -> None:
    assert independent_rows(((1e9, 1.0), (1e-6, 1e-6))) == (0, 1)
