"""A rate out of pulses, against pulses that are counted one by one."""

import math
from random import Random

import pytest

from crumbmeter.model.quality import Quality, Reason
from crumbmeter.model.reading import bad, good
from crumbmeter.signals.pulse import PulseParams, PulseState, rate_reading, take_count

PARAMS = PulseParams(0, "pulses", 0.5, 65536, window_s=5.0, low_si_s=0.0, high_si_s=20.0)
STEP_S = 0.2


def run(
    state: PulseState, counts: list[int], from_s: float, params: PulseParams = PARAMS
) -> tuple[PulseState, list[str]]:
    told = []
    for place, count in enumerate(counts):
        state, events = take_count(state, params, count % params.modulus, from_s + place * STEP_S)
        told += [happened.name for happened in events]
    return state, told


def steady(rate: float, reads: int, start: int = 0, phase: float = 0.0) -> list[int]:
    """Count `rate` [SI/s] by half an SI unit."""
    return [start + math.floor(phase + rate / 0.5 * STEP_S * place) for place in range(reads)]


@pytest.mark.parametrize("rate", [0.0, 0.3, 2.0, 7.77, 19.0])
def test_the_rate_lies_within_three_standard_errors(rate: float) -> None:
    state, told = run(PulseState(), steady(rate, 60), 10.0)
    assert state.rate_si_s is not None
    assert abs(state.rate_si_s - rate) <= 3.0 * state.error_si_s
    assert state.error_si_s < 0.05
    assert told == []


def test_the_standard_error_is_what_the_scatter_over_phases_shows() -> None:
    rates = []
    for place in range(200):
        state, _ = run(PulseState(), steady(2.345, 40, phase=place / 200), 10.0)
        assert state.rate_si_s is not None
        rates.append(state.rate_si_s)
    spread = math.sqrt(sum((rate - 2.345) ** 2 for rate in rates) / len(rates))
    assert spread <= 1.5 * state.error_si_s


def test_nothing_comes_out_before_the_window_is_filled() -> None:
    state, _ = run(PulseState(), steady(2.0, 23), 10.0)
    assert rate_reading(state, PARAMS, good(1.0)) == bad(Reason.INITIAL_VALUE)
    state, _ = run(PulseState(), steady(2.0, 24), 10.0)
    assert rate_reading(state, PARAMS, good(1.0)).quality is Quality.GOOD


def test_a_source_that_stands_is_at_zero_within_one_window() -> None:
    state, _ = run(PulseState(), steady(9.0, 60), 10.0)
    state, _ = run(state, [steady(9.0, 60)[-1]] * 27, 22.0)
    assert state.rate_si_s == 0.0


def test_it_goes_over_the_top() -> None:
    state, told = run(PulseState(), steady(9.0, 60, start=65500), 10.0)
    assert state.rate_si_s == pytest.approx(9.0, abs=0.02)
    assert told == []


def test_lost_and_doubled_pulses_widen_the_error_and_bend_nothing() -> None:
    chance = Random(7)
    counts, shown = [], 0
    for before, after in zip(steady(9.0, 120), steady(9.0, 120)[1:], strict=False):
        for _ in range(after - before):
            shown += chance.choice((1,) * 18 + (0, 2))
        counts.append(shown)
    state, told = run(PulseState(), counts, 10.0)
    clean, _ = run(PulseState(), steady(9.0, 120), 10.0)
    assert state.rate_si_s == pytest.approx(9.0, rel=0.05)
    assert state.error_si_s > clean.error_si_s
    assert told == []


def test_a_pulse_that_is_taken_back_is_no_turn_over_the_top() -> None:
    state, told = run(PulseState(), [*steady(9.0, 40), steady(9.0, 40)[-1] - 1], 10.0)
    assert told == []
    assert state.rate_si_s == pytest.approx(9.0, rel=0.05)


@pytest.mark.parametrize("jump", [50, 5000, -50, 40000])
def test_a_jump_that_the_plant_cannot_make_begins_anew(jump: int) -> None:
    state, told = run(PulseState(), steady(9.0, 60), 10.0)
    state, told = run(state, [steady(9.0, 60)[-1] + jump], 22.0)
    assert told == ["pulses_jumped"]
    assert state.rate_si_s is None


def test_equal_and_earlier_times_are_not_taken() -> None:
    state, _ = run(PulseState(), steady(2.0, 30), 10.0)
    for time_s in (state.times_s[-1], state.times_s[-1] - 1.0):
        assert take_count(state, PARAMS, 60000, time_s) == (state, ())


def test_the_rate_is_no_better_than_its_count() -> None:
    state, _ = run(PulseState(), steady(2.0, 30), 10.0)
    assert rate_reading(state, PARAMS, bad(Reason.STALE, 9.0)) == bad(Reason.STALE, 9.0)
    fast = PulseParams(0, "pulses", 0.5, 65536, window_s=5.0, low_si_s=3.0, high_si_s=20.0)
    assert rate_reading(state, fast, good(1.0)).reason is Reason.OUT_OF_RANGE
