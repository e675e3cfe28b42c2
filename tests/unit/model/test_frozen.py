"""The changed copy is the one that the library would make."""

import dataclasses
from dataclasses import field
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from crumbmeter.control.state import first_state
from crumbmeter.model.frozen import dataclass, replace
from tests.cores import make_params


@dataclass(frozen=True, slots=True)
class Value:
    one: int
    two: str = "b"
    three: tuple[int, ...] = field(default_factory=tuple)


@dataclass(frozen=True, slots=True)
class Single:
    only: int


@given(changes=st.fixed_dictionaries({}, optional={"one": st.integers(), "two": st.text(), "three": st.just((1, 2))}))
def test_it_is_the_copy_that_the_library_makes(changes: dict[str, Any]) -> None:
    value = Value(1)
    assert replace(value, **changes) == dataclasses.replace(value, **changes)
    assert value == Value(1)


def test_a_value_of_one_field_is_changed_too() -> None:
    assert replace(Single(1), only=2) == Single(2)
    assert replace(Single(1)) == Single(1)


def test_a_field_that_is_not_there_is_refused() -> None:
    with pytest.raises(TypeError, match="fore"):
        replace(Value(1), fore=2)  # type: ignore[call-arg]


def test_the_core_has_no_field_that_is_not_given_in_its_place() -> None:
    """What is made by place needs every field in the order of its class."""
    state = first_state(make_params())
    for value in (state, state.feed, state.weighing, state.weighing.air, state.plant, state.sequence, state.signals[0]):
        assert all(one.init and not one.kw_only for one in dataclasses.fields(value))
        assert replace(value) == value
