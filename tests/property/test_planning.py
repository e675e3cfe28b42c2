"""Properties of a job's plan: masses add up, more mix takes more, and no check passes with more than its limit."""

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from crumbmeter.planning.feeding import FeederPlan, refilling
from crumbmeter.planning.pressure import Pipe, pressure_drop
from crumbmeter.planning.rubber import Bags, JobMix, Rates, hours, needs
from crumbmeter.planning.verdicts import Subject, Verdict, judged
from crumbmeter.process.params import DoseBasis

MIXES = st.builds(
    JobMix,
    mix_id=st.just("m"),
    title=st.just("M"),
    mass_kg=st.floats(1e3, 1e8),
    basis=st.sampled_from(DoseBasis),
    dose=st.floats(0.0, 0.3),
    binder_content=st.floats(0.03, 0.08),
    recycle=st.floats(0.0, 0.5),
    recycle_binder_content=st.floats(0.0, 0.06),
)
RATES = (
    st.tuples(*[st.floats(1.0, 200.0)] * 3).map(sorted).map(lambda found: Rates(found[0], found[1], found[2], 36_000.0))
)
PIPE = Pipe(0.1023, 40.0, 6.0, 4, 5e-5, 1e-3, 1150.0, 0.34, 98_000.0, 310.0)


@given(st.lists(MIXES, min_size=1, max_size=4), RATES, st.floats(0.0, 1.0))
def test_rubber_by_the_hour_sums_to_the_total(mixes: list[JobMix], rates: Rates, waste: float) -> None:
    """At whatever rate each mix is made: rubber an hour by the hours it takes is what the job takes."""
    needed = needs(tuple(mixes), rates, Bags(900.0, 20, 3, None, waste))
    by_rate: dict[str, list[float]] = {}
    for hour in hours(tuple(mixes), rates):
        by_rate.setdefault(hour.rate_name, []).append(hour.rubber_kg_s * hour.lasts_s)
    for masses in by_rate.values():
        assert math.fsum(masses) == pytest.approx(needed.rubber_kg, rel=1e-9, abs=1e-9)
    assert needed.waste_kg == pytest.approx(needed.rubber_kg * waste)
    held_kg = needed.bags * 900.0
    assert held_kg + 1e-6 >= (needed.rubber_kg + needed.waste_kg) * (1.0 - 1e-8)
    assert held_kg - 900.0 <= needed.rubber_kg + needed.waste_kg
    assert needed.deliver_bags == max(0, needed.bags - 3)
    assert needed.trucks == -(-needed.deliver_bags // 20)


@given(MIXES)
def test_parts_of_a_mix_are_the_mix(mix: JobMix) -> None:
    assert mix.parts.total == pytest.approx(1.0, rel=1e-12)
    assert mix.rubber_share == pytest.approx(mix.rubber_ratio / (1.0 + mix.rubber_ratio))
    assert 0.0 <= mix.rubber_share < 1.0


@given(MIXES, RATES)
def test_more_mix_an_hour_takes_more_rubber_an_hour(mix: JobMix, rates: Rates) -> None:
    low, typical, high = (hour.rubber_kg_s for hour in hours((mix,), rates))
    assert low <= typical <= high


@given(st.floats(0.01, 2.0), st.floats(1.001, 3.0), st.floats(0.5, 10.0), st.floats(0.0, 60.0))
def test_faster_feeding_means_more_time_in_refill(rate: float, factor: float, refill: float, settle: float) -> None:
    feeder = FeederPlan(refill_at_kg=70.0, refill_to_kg=240.0, refill_kg_s=refill, settle_s=settle)
    slow, fast = refilling(feeder, rate), refilling(feeder, rate * factor)
    assert slow is not None
    assert fast is not None
    assert 0.0 <= slow.share <= 1.0
    assert fast.share >= slow.share - 1e-12
    assert fast.lasts_s < slow.lasts_s


@given(st.floats(0.05, 20.0), st.floats(0.05, 20.0))
def test_a_round_of_the_weigh_hopper_keeps_its_mass(rate: float, refill: float) -> None:
    """What is refilled in a round is what is fed in it."""
    found = refilling(FeederPlan(refill_at_kg=70.0, refill_to_kg=240.0, refill_kg_s=refill), rate)
    assert found is not None
    if found.refill_s is None:
        assert refill <= rate
    else:
        assert refill * found.refill_s == pytest.approx(rate * (found.refill_s + found.lasts_s), rel=1e-6)


@given(st.floats(0.0, 1.0), st.floats(0.001, 1.0), st.floats(1.0, 200.0))
def test_more_rubber_and_a_longer_line_take_more_pressure(rate: float, more: float, length: float) -> None:
    least = pressure_drop(PIPE, rate)
    loaded, longer = (
        pressure_drop(PIPE, rate + more), pressure_drop(replace_length(PIPE.horizontal_m + length), rate),
    )  # fmt: skip
    assert least is not None
    assert loaded is not None
    assert longer is not None
    assert loaded.total_pa > least.total_pa
    assert longer.total_pa > least.total_pa


def replace_length(horizontal_m: float) -> Pipe:
    return replace(PIPE, horizontal_m=horizontal_m)


@given(st.floats(0.0, 1e6), st.floats(0.0, 1e6), st.booleans())
def test_a_check_passes_just_where_the_figure_keeps_its_limit(found: float, limit: float, at_least: bool) -> None:
    check = judged(Subject.TURNDOWN, found, limit, at_least=at_least)
    clear = 1e-6 * max(found, limit)
    if abs(found - limit) > clear:
        assert (check.verdict is Verdict.PASSES) == (found > limit if at_least else found < limit)
    assert judged(Subject.TURNDOWN, limit, limit, at_least=at_least).verdict is Verdict.PASSES
