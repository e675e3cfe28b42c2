"""Rut curves as machines write them: noise, signs, positions, odd steps, early stops, specimens that never strip."""

from collections.abc import Callable
from math import exp
from random import Random

import pytest

from crumbmeter.qc.laboratory.curves import CurveRefusedError
from crumbmeter.qc.laboratory.hamburg import FitMethod, evaluate, passes_at, rut_curve
from crumbmeter.qc.laboratory.limits import judge_hamburg
from crumbmeter.qc.verdict import Verdict
from tests.laboratory_curves import two_phases

OFTEN_THEN_SELDOM = [*range(0, 1000, 5), *range(1000, 20_001, 50)]
METHODS = pytest.mark.parametrize("method", list(FitMethod))


def creep_alone(passes: float) -> float:
    return float(0.15 * passes**0.3)


def accelerating(passes: float) -> float:
    """[mm] Return a rut that passes gently from creep into stripping, and ends at the gauge."""
    return min(19.5, 0.12 * float(passes**0.35) + 0.05 * (exp(passes / 2600.0) - 1.0))


def noisy(curve: Callable[[float], float], deviation_mm: float, seed: int, sign: float = 1.0) -> list[float]:
    chance = Random(seed)
    return [sign * (curve(passes) + chance.gauss(0.0, deviation_mm)) for passes in OFTEN_THEN_SELDOM]


@METHODS
@pytest.mark.parametrize("seed", range(5))
def test_noise_moves_the_inflection_little(method: FitMethod, seed: int) -> None:
    found = evaluate(rut_curve(OFTEN_THEN_SELDOM, [noisy(two_phases, 0.03, seed)]), method=method).stripping
    assert found is not None
    assert found.sip_passes == pytest.approx(15_000.0, rel=0.02)


@METHODS
@pytest.mark.parametrize("seed", range(20))
def test_a_specimen_that_only_creeps_has_no_inflection(method: FitMethod, seed: int) -> None:
    found = evaluate(rut_curve(OFTEN_THEN_SELDOM, [noisy(creep_alone, 0.1, seed)]), method=method)
    assert found.stripping is None
    assert found.why_no_sip
    assert found.passes_at_limit is None
    assert found.creep_mm_per_1000 is not None


@METHODS
def test_no_rut_at_all_has_no_inflection(method: FitMethod) -> None:
    found = evaluate(rut_curve(OFTEN_THEN_SELDOM, [[0.0] * len(OFTEN_THEN_SELDOM)]), method=method)
    assert found.stripping is None
    assert found.final_rut_mm == 0.0


def test_the_sign_of_the_gauge_does_not_matter() -> None:
    down = evaluate(rut_curve(OFTEN_THEN_SELDOM, [noisy(two_phases, 0.02, 1)]))
    up = evaluate(rut_curve(OFTEN_THEN_SELDOM, [noisy(two_phases, 0.02, 1, sign=-1.0)]))
    assert up == down


def test_positions_are_averaged() -> None:
    shallow = [0.8 * two_phases(one) for one in OFTEN_THEN_SELDOM]
    deep = [1.2 * two_phases(one) for one in OFTEN_THEN_SELDOM]
    both = rut_curve(OFTEN_THEN_SELDOM, [shallow, deep])
    assert both.rut_mm[-1] == pytest.approx(two_phases(20_000.0))


def test_a_gauge_with_its_own_zero_counts_from_the_first_record() -> None:
    gauge = [25.0 - 3e-4 * one for one in OFTEN_THEN_SELDOM]
    assert rut_curve(OFTEN_THEN_SELDOM, [gauge], from_first=True).rut_mm[-1] == pytest.approx(6.0)


def test_records_out_of_order_and_twice_are_put_in_order() -> None:
    curve = rut_curve([0.0, 40.0, 20.0, 20.0], [[0.0, 2.0, 0.9, 1.1]])
    assert curve.passes == (0.0, 20.0, 40.0)
    assert curve.rut_mm == pytest.approx((0.0, 1.0, 2.0))


def test_passes_at_the_limit_lie_between_records() -> None:
    passes = [100.0 * i for i in range(201)]
    curve = rut_curve(passes, [[1e-3 * one for one in passes]])
    assert passes_at(curve, 12.55) == pytest.approx(12_550.0)


def test_a_spike_is_no_rut() -> None:
    depths = [two_phases(one) for one in OFTEN_THEN_SELDOM]
    depths[300] = 40.0
    found = evaluate(rut_curve(OFTEN_THEN_SELDOM, [depths]))
    assert found.passes_at_limit is None
    assert found.stripping is not None
    assert found.stripping.sip_passes == pytest.approx(15_000.0, rel=0.01)


def test_how_often_the_machine_records_does_not_matter() -> None:
    even = [100.0 * i for i in range(201)]
    found = [
        evaluate(rut_curve(passes, [[accelerating(one) for one in passes]])) for passes in (even, OFTEN_THEN_SELDOM)
    ]
    assert found[0].stripping is not None
    assert found[1].stripping is not None
    assert found[0].stripping.sip_passes == pytest.approx(found[1].stripping.sip_passes, rel=0.01)


def test_what_is_recorded_after_the_gauge_came_to_its_end_says_nothing() -> None:
    whole = [50.0 * i for i in range(401)]
    stop = next(one for one in whole if accelerating(one) >= 19.5)
    cut = [one for one in whole if one <= stop]
    found = [evaluate(rut_curve(passes, [[accelerating(one) for one in passes]])) for passes in (whole, cut)]
    assert found[0].stripping is not None
    assert found[1].stripping is not None
    assert found[0].stripping.sip_passes == pytest.approx(found[1].stripping.sip_passes, rel=0.02)
    assert found[0].passes_at_limit == pytest.approx(found[1].passes_at_limit)


def test_tangents_follow_the_straight_ends_of_a_gentle_curve() -> None:
    passes = [20.0 * i for i in range(750)]
    found = {
        method: evaluate(rut_curve(passes, [[accelerating(one) for one in passes]]), method=method).stripping
        for method in FitMethod
    }
    tangents, two_lines = found[FitMethod.TANGENTS], found[FitMethod.TWO_LINES]
    assert tangents is not None
    assert two_lines is not None
    assert tangents.stripping.slope > two_lines.stripping.slope
    assert tangents.sip_passes > two_lines.sip_passes


def test_a_test_that_was_stopped_early_cannot_tell() -> None:
    passes = [50.0 * i for i in range(161)]
    found = evaluate(rut_curve(passes, [[two_phases(one) for one in passes]]))
    assert found.last_passes == 8000.0
    assert found.stripping is None
    assert judge_hamburg(found, 10_000.0) == (
        Verdict.CANNOT_TELL,
        "the test was stopped at 8000 passes; 10000 are needed",
    )


def test_a_record_too_short_to_tell_says_so() -> None:
    found = evaluate(rut_curve([0.0, 20.0, 40.0], [[0.0, 0.5, 0.7]]))
    assert found.stripping is None
    assert found.creep_mm_per_1000 is None
    assert "fewer than 8 records" in found.why_no_sip


@pytest.mark.parametrize(
    ("passes", "depths", "words"),
    [
        ([0.0, 1.0], [], "no position"),
        ([0.0, 1.0], [[0.0]], "2 values beside 1"),
        ([0.0, float("nan")], [[0.0, 1.0]], "record 2"),
        ([5.0, 5.0], [[0.0, 1.0]], "must rise"),
        ([-5.0, 5.0], [[0.0, 1.0]], "must rise"),
    ],
)
def test_what_is_no_curve_is_refused(passes: list[float], depths: list[list[float]], words: str) -> None:
    with pytest.raises(CurveRefusedError, match=words):
        rut_curve(passes, depths)


def test_another_limit_than_the_one_counted_to_cannot_be_judged() -> None:
    passes = [50.0 * i for i in range(401)]
    found = evaluate(rut_curve(passes, [[two_phases(one) for one in passes]]), limit_mm=6.0)
    assert judge_hamburg(found, 10_000.0)[0] is Verdict.CANNOT_TELL
    assert judge_hamburg(found, 10_000.0, 6.0)[0] is Verdict.PASSES
