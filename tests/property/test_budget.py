"""The dose's uncertainty whatever the masses: scale-free, and never smaller for one more cause."""

from math import inf, sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from crumbmeter.estimation.budget import Shift, Water, causes_of, dose_budget
from crumbmeter.estimation.gum import Component, budget_of, coverage_factor, digits_for
from crumbmeter.estimation.params import UncertaintyParams
from crumbmeter.process.dose import Mix, dose_of
from crumbmeter.process.params import DoseBasis

MASSES = st.floats(1.0, 1e6)
BASES = st.sampled_from(DoseBasis)
PARAMS = UncertaintyParams()


@given(BASES, MASSES, MASSES, MASSES, st.floats(0.01, 1e4), st.floats(1e-3, 1e3))
def test_the_dose_and_its_uncertainty_do_not_depend_on_the_unit_of_mass(
    basis: DoseBasis, dry: float, recycle: float, binder: float, rubber: float, unit: float
) -> None:
    def budget(factor: float) -> tuple[float, float]:
        mix = Mix(dry * factor, recycle * factor, 0.05 * recycle * factor, binder * factor)
        causes = causes_of(PARAMS, rubber * factor, 0.01 * rubber * factor, mix, Water(0.04, 0.03), Shift())
        made = dose_budget(basis, rubber * factor, mix, causes)
        assert made is not None
        assert made.value == pytest.approx(dose_of(basis, rubber * factor, mix))
        return made.value, made.expanded

    assert budget(unit) == pytest.approx(budget(1.0), rel=1e-9)


@given(st.lists(st.tuples(st.floats(-10.0, 10.0), st.floats(1.0, 1e4)), min_size=1, max_size=8))
def test_one_more_cause_never_makes_it_more_certain(parts: list[tuple[float, float]]) -> None:
    components = [Component(str(at), *part) for at, part in enumerate(parts)]
    fewer, all_of_them = budget_of(1.0, components[:-1]), budget_of(1.0, components)
    assert all_of_them.standard >= fewer.standard * (1.0 - 1e-12)
    assert all_of_them.standard == pytest.approx(sqrt(sum(one * one for one, _ in parts)))
    assert [abs(one.contribution) for one in all_of_them.components] == sorted(
        (abs(one) for one, _ in parts), reverse=True
    )
    # Welch-Satterthwaite: between the fewest degrees of freedom of a cause that counts and the sum of all.
    if all_of_them.degrees != inf:
        assert min(degrees for _, degrees in parts) * (1.0 - 1e-9) <= all_of_them.degrees
        assert all_of_them.degrees <= sum(degrees for _, degrees in parts) * (1.0 + 1e-9)


@given(st.floats(1.0, 1e6), st.floats(1.0, 1e6))
def test_fewer_degrees_of_freedom_never_make_k_smaller(one: float, other: float) -> None:
    fewer, more = sorted((one, other))
    assert coverage_factor(fewer) >= coverage_factor(more) - 1e-9 >= 2.0 - 2e-9


@given(st.floats(1e-9, 1e9))
def test_an_uncertainty_is_shown_with_two_digits(size: float) -> None:
    digits = digits_for(size)
    assert abs(float(f"{size:.{digits}f}") - size) <= 0.05 * size + 1e-15 or (digits == 0 and size >= 10.0)
