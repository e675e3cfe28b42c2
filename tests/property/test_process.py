"""Laws of the pure arithmetic that hold for any numbers."""

import math

from hypothesis import assume, given
from hypothesis import strategies as st

from crumbmeter.process.dose import Mix, dose_of, rubber_for
from crumbmeter.process.fifo import Fifo, empty
from crumbmeter.process.params import DoseBasis
from crumbmeter.process.stages import cascade, share_leaving

masses = st.just(0.0) | st.floats(1e-9, 1e5)
"""[kg] Nothing, or more than a microgram: of a mass near the smallest of all numbers no share comes back."""
doses = st.floats(0.0, 0.5)
steps = st.lists(st.tuples(st.floats(0.0, 50.0), st.floats(0.0, 9.0)), max_size=60)


@given(st.sampled_from(DoseBasis), doses, masses, masses, st.floats(0.0, 1.0), masses)
def test_dose_and_its_inverse(
    basis: DoseBasis, dose: float, dry: float, recycle: float, share: float, binder: float
) -> None:
    mix = Mix(dry, recycle, recycle * share, binder)
    rubber = rubber_for(basis, dose, mix)
    back = dose_of(basis, rubber, mix)
    if back is None:
        assert rubber == 0.0
    else:
        assert math.isclose(back, dose, rel_tol=1e-9, abs_tol=1e-12)


@given(st.sampled_from(DoseBasis), doses, masses, masses)
def test_more_mix_never_asks_for_less_rubber(basis: DoseBasis, dose: float, dry: float, more: float) -> None:
    small = Mix(dry, 10.0, 0.5, 5.0)
    large = Mix(dry + more, 10.0, 0.5, 5.0)
    assert rubber_for(basis, dose, large) >= rubber_for(basis, dose, small)


@given(st.integers(1, 40), steps)
def test_a_belt_loses_nothing(cells: int, moves: list[tuple[float, float]]) -> None:
    belt, fed, left = empty(cells), 0.0, 0.0
    for mass, way in moves:
        belt, out = belt.moved(mass, way)
        fed += mass
        left += out
        assert out >= 0.0
        assert math.isclose(fed, left + belt.content, rel_tol=1e-9, abs_tol=1e-9)


@given(st.integers(1, 40), steps, steps, st.floats(0.0, 60.0), st.floats(0.0, 9.0))
def test_a_belt_that_is_cleared_and_laid_on_goes_on_as_one(
    cells: int, before: list[tuple[float, float]], after: list[tuple[float, float]], way: float, beyond: float
) -> None:
    whole = empty(cells)
    for mass, moved in before:
        whole, _ = whole.moved(mass, moved)
    older, newer = whole, whole.cleared()
    assert newer.content == 0.0
    for mass, moved in after:
        whole, out = whole.moved(mass, moved)
        older, first = older.moved(0.0, moved)
        newer, second = newer.moved(mass, moved)
        assert math.isclose(out, first + second, rel_tol=1e-9, abs_tol=1e-9)
    assert older.phase == newer.phase == whole.phase
    joined = older.joined(newer)
    assert math.isclose(joined.content, whole.content, rel_tol=1e-9, abs_tol=1e-9)
    ahead = older.mass_until(way, 0.0) + newer.mass_until(way, beyond)
    assert math.isclose(ahead, whole.mass_until(way, beyond), rel_tol=1e-9, abs_tol=1e-9)


@given(st.integers(1, 40), st.floats(0.01, 3.0))
def test_material_leaves_after_its_length(cells: int, way: float) -> None:
    belt, travelled, out = empty(cells), 0.0, 0.0
    belt, out = belt.moved(1.0, way)
    travelled = way
    while out == 0.0 and travelled < cells + 10:
        belt, out = belt.moved(0.0, way)
        travelled += way
    # Its head leaves when the path has moved by its whole length, to a cell and a step.
    assert cells - 1 <= travelled + way
    assert travelled <= cells + 1 + way


@given(st.integers(1, 30), steps, st.floats(0.0, 5.0), st.floats(0.0, 3.0))
def test_looking_ahead_is_what_will_leave(
    cells: int, moves: list[tuple[float, float]], near: float, span: float
) -> None:
    belt = empty(cells)
    for mass, way in moves:
        belt, _ = belt.moved(mass if way > 0.0 else 0.0, way)
    far = min(near + span, float(cells - 1))
    assume(near < far)
    seen = belt.mass_between(near, far, 0.0)
    moved, _ = belt.moved(0.0, near)
    _, out = moved.moved(0.0, far - near)
    assert math.isclose(seen, out, rel_tol=1e-6, abs_tol=1e-6)


@given(st.integers(1, 15), st.lists(st.tuples(st.floats(0.0, 20.0), st.floats(0.0, 1.0)), max_size=60))
def test_stages_lose_nothing(stages: int, moves: list[tuple[float, float]]) -> None:
    content = (0.0,) * stages
    fed = left = 0.0
    for mass, share in moves:
        content, out = cascade(content, mass, share)
        fed += mass
        left += out
    assert math.isclose(fed, left + sum(content), rel_tol=1e-9, abs_tol=1e-9)


@given(st.floats(0.1, 300.0), st.integers(1, 20), st.floats(0.0, 5.0), st.floats(0.0, 2.0))
def test_a_stage_gives_off_a_share(residence_s: float, stages: int, dt_s: float, ratio: float) -> None:
    share = share_leaving(residence_s, stages, dt_s, ratio)
    assert 0.0 <= share < 1.0
    assert (share == 0.0) == (dt_s * ratio == 0.0) or dt_s * ratio < 1e-300


def test_a_standing_belt_keeps_what_falls_on_it() -> None:
    belt = Fifo((1.0, 2.0, 3.0), 0.5, 0.25)
    after, out = belt.moved(4.0, 0.0)
    assert out == 0.0
    assert after.content == belt.content + 4.0
