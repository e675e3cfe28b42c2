"""Catch tests: curve, linearity, repeatability and turndown; by hand, and whatever the order and the unit of mass."""

from math import sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from crumbmeter.qc.catch_tests import Catch, evaluate, repeatability_percent, trials


def catch(rpm: float, factor: float, minutes: float = 2.0) -> Catch:
    return Catch(rpm, factor * rpm * minutes, rpm * minutes, 60.0 * minutes)


def test_a_feeder_without_fault() -> None:
    found = evaluate([catch(rpm, 0.9) for rpm in (10.0, 30.0, 60.0) for _ in range(2)], 1.0)
    assert found.factor_kg_rev == pytest.approx(0.9)
    assert found.linearity_percent == pytest.approx(0.0, abs=1e-9)
    assert found.repeatability_percent == pytest.approx(0.0, abs=1e-9)
    assert found.proven_rpm == pytest.approx((10.0, 60.0))
    assert found.turndown == pytest.approx(6.0)


def test_the_line_by_hand() -> None:
    # Factors 0.88, 0.90, 0.92 at 20, 40, 60 rpm: mean 0.90; rates 17.6, 36.0, 55.2 against 18, 36, 54 kg/min, full
    # scale 54 kg/min: -0.4 / 54 = -0.741 %, 0, +1.2 / 54 = +2.222 %.
    found = evaluate([catch(20.0, 0.88), catch(40.0, 0.90), catch(60.0, 0.92)], 2.3)
    assert [one.deviation_percent for one in found.levels] == pytest.approx([-100 * 0.4 / 54, 0.0, 100 * 1.2 / 54])
    assert found.linearity_percent == pytest.approx(100 * 1.2 / 54)
    assert found.repeatability_percent is None  # one catch at a speed tells nothing of it
    # Errors of the catches against the line: 0.02/0.88 = 2.27 %, 0, 0.02/0.92 = 2.17 %.
    assert found.proven_rpm == pytest.approx((20.0, 60.0))
    assert evaluate([catch(20.0, 0.88), catch(40.0, 0.90), catch(60.0, 0.92)], 2.2).proven_rpm == pytest.approx(
        (40.0, 60.0)
    )


def test_a_hole_in_the_range_is_no_turndown_over_it() -> None:
    catches = [catch(5.0, 0.9), catch(10.0, 0.9), catch(20.0, 1.0), catch(40.0, 0.9), catch(60.0, 0.9)]
    found = evaluate(catches, 3.0)
    assert found.proven_rpm == pytest.approx((5.0, 10.0))  # 1:2, and 1:1.5 above the hole


def test_without_a_limit_nothing_is_proven() -> None:
    assert evaluate([catch(10.0, 0.9)]).proven_rpm is None
    assert evaluate([catch(10.0, 0.9)]).turndown is None


def test_repeatability_takes_n_less_one() -> None:
    # 99, 100, 101: s with n - 1 is 1 exactly, with n 0.816.
    assert repeatability_percent([99.0, 100.0, 101.0]) == pytest.approx(2.0)
    assert repeatability_percent([99.0, 101.0]) == pytest.approx(200.0 * sqrt(2.0) / 100.0)
    assert repeatability_percent([100.0]) is None
    assert repeatability_percent([0.0, 0.0]) is None


@pytest.mark.parametrize("bad", [Catch(0.0, 1.0, 1.0, 1.0), Catch(1.0, 0.0, 1.0, 1.0), Catch(1.0, 1.0, -1.0, 1.0)])
def test_what_is_no_catch_is_refused(bad: Catch) -> None:
    with pytest.raises(ValueError, match="above 0"):
        evaluate([catch(10.0, 0.9), bad])


def test_nothing_caught_is_refused() -> None:
    with pytest.raises(ValueError, match="needs catches"):
        evaluate([])


catches_ = st.lists(
    st.builds(catch, st.sampled_from((5.0, 15.0, 30.0, 60.0)), st.floats(0.5, 1.5), st.floats(0.5, 30.0)),
    min_size=1, max_size=12,
)  # fmt: skip


@given(catches_, st.randoms())
def test_the_order_does_not_matter(catches: list[Catch], chance: object) -> None:
    shuffled = list(catches)
    chance.shuffle(shuffled)  # type: ignore[attr-defined]
    assert evaluate(shuffled, 2.0) == evaluate(catches, 2.0)


@given(catches_, st.floats(0.1, 10.0))
def test_percentages_know_no_unit_of_mass(catches: list[Catch], scale: float) -> None:
    scaled = [Catch(one.speed_rpm, scale * one.mass_kg, one.turns, one.duration_s) for one in catches]
    one, two = evaluate(catches), evaluate(scaled)
    assert two.factor_kg_rev == pytest.approx(scale * one.factor_kg_rev)
    assert two.linearity_percent == pytest.approx(one.linearity_percent, abs=1e-9)
    assert (two.repeatability_percent or 0.0) == pytest.approx(one.repeatability_percent or 0.0, abs=1e-6)


@given(catches_)
def test_proven_speeds_keep_within_the_limit(catches: list[Catch]) -> None:
    found = evaluate(catches, 2.0)
    if found.proven_rpm is not None:
        low, high = found.proven_rpm
        proven = [one for one in found.levels if low <= one.speed_rpm <= high]
        assert all(abs(one.worst_percent) <= 2.0 + 1e-6 for one in proven)
        assert min(one.factor_kg_rev for one in proven) > 0.0
    errors = [abs(one.error_percent) for one in trials(catches, found.factor_kg_rev)]
    assert max(errors) == pytest.approx(max(abs(one.worst_percent) for one in found.levels))
