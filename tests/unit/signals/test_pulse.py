"""A rate out of pulses, against pulses that are counted one by one."""

import math
from dataclasses import replace
from random import Random

import pytest

from crumbmeter.model.quality import Quality, Reason
from crumbmeter.model.reading import Reading, bad, good
from crumbmeter.signals.pulse import MOST_POINTS, PulseParams, PulseState, rate_reading, take_count

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


# --- at the limits: times are whole in binary, 0.25 s at 20 SI/s of half an SI each are 10 pulses -------------------


def points(pairs: list[tuple[float, int]], params: PulseParams = PARAMS) -> PulseState:
    """Take counts at times, all of which the plant can make."""
    state = PulseState()
    for time_s, count in pairs:
        state, events = take_count(state, params, count, time_s)
        assert events == ()
    return state


@pytest.mark.parametrize(
    ("count", "since_the_first"),
    [(1012, 12), (1013, None), (998, -2), (997, None), (1000, 0)],
)
def test_a_step_is_possible_up_to_the_highest_rate_and_two_stray_pulses_either_way(
    count: int, since_the_first: int | None
) -> None:
    state, events = take_count(points([(10.0, 1000)]), PARAMS, count, 10.25)
    if since_the_first is None:
        # A new window begins with this count.
        assert state == PulseState((10.25,), (0,), count)
        assert [happened.name for happened in events] == ["pulses_jumped"]
    else:
        assert state == PulseState((10.0, 10.25), (0, since_the_first), count)
        assert events == ()


def test_the_first_count_begins_the_window() -> None:
    assert take_count(PulseState(), PARAMS, 1000, 10.0) == (PulseState((10.0,), (0,), 1000), ())


def test_what_can_have_been_counted_forwards_was_not_taken_back() -> None:
    # A counter so small that 12 on and 2 back show the same.
    small = replace(PARAMS, modulus=14)
    assert points([(10.0, 0), (10.25, 12)], small).counts == (0, 12)


def test_a_jump_says_how_far_and_in_which_time() -> None:
    _, (told,) = take_count(points([(10.0, 1000)]), PARAMS, 5000, 10.12345)
    assert dict(told.detail) == {"signal": "pulses", "step_count": 4000, "elapsed_s": 0.123}
    _, (told,) = take_count(points([(10.0, 1000)]), PARAMS, 900, 10.1236)
    assert dict(told.detail) == {"signal": "pulses", "step_count": 65436, "elapsed_s": 0.124}


def test_a_point_leaves_the_window_when_it_is_older_than_it() -> None:
    state = points([(10.0 + 0.25 * place, 100 + 3 * place) for place in range(30)])
    assert (state.times_s[0], state.times_s[-1], len(state.times_s)) == (12.25, 17.25, 21)
    assert (state.counts, state.raw) == (tuple(range(0, 63, 3)), 187)
    assert state.rate_si_s == pytest.approx(6.0)


def test_after_a_pause_longer_than_the_window_it_begins_anew_without_a_rate() -> None:
    state = points([(10.0 + 0.25 * place, 100 + 3 * place) for place in range(30)])
    state, events = take_count(state, PARAMS, 250, 30.0)
    assert (state, events) == (PulseState((30.0,), (0,), 250), ())
    assert rate_reading(state, PARAMS, good(250.0, 0.5)) == bad(Reason.INITIAL_VALUE, 0.5)


def test_of_a_device_that_is_read_very_often_the_newest_points_are_kept() -> None:
    state = points([(10.0 + place / 64, place) for place in range(MOST_POINTS + 50)])
    assert len(state.times_s) == MOST_POINTS
    assert (state.times_s[0], state.counts[0], state.counts[-1]) == (10.0 + 50 / 64, 0, MOST_POINTS - 1)


@pytest.mark.parametrize(
    ("times_s", "rate_si_s"),
    [
        ((10.0, 12.5, 15.0), 2.0),
        ((10.0, 12.25, 14.5), 2.0),  # nine tenths of the window
        ((10.0, 12.0, 14.4375), None),
        ((10.0, 15.0), None),
    ],
)
def test_three_points_over_nine_tenths_of_the_window_are_a_rate(
    times_s: tuple[float, ...], rate_si_s: float | None
) -> None:
    state = points([(time_s, int(4 * (time_s - 10.0))) for time_s in times_s])
    assert state.rate_si_s == (None if rate_si_s is None else pytest.approx(rate_si_s, rel=0.02))


def test_rate_and_standard_error_are_those_of_the_regression() -> None:
    # By hand: slope 24/20 a second; rests -0.4, 1.2, -1.2, 0.4: 3.2, by 4 - 2 points 1.6; error sqrt(1.6 / 20).
    state = points([(10.0, 0), (12.0, 4), (14.0, 4), (16.0, 8)], replace(PARAMS, window_s=6.0))
    assert state.rate_si_s == pytest.approx(0.5 * 1.2)
    assert state.error_si_s == pytest.approx(0.5 * math.sqrt(1.6 / 20.0))
    # Three in a row leave nothing over; a count still stands for anywhere between two pulses.
    state = points([(10.0, 0), (13.0, 4), (16.0, 8)], replace(PARAMS, window_s=6.0))
    assert state.error_si_s == pytest.approx(0.5 * math.sqrt(1.0 / 12.0 / 18.0))


@pytest.mark.parametrize(("rate", "possible"), [(3.0, True), (2.999, False), (20.0, True), (20.001, False)])
def test_a_rate_is_possible_from_its_lowest_to_its_highest(rate: float, possible: bool) -> None:
    state, params = PulseState(rate_si_s=rate), replace(PARAMS, low_si_s=3.0)
    held = Reading(1.0, Quality.UNCERTAIN, Reason.LAST_USABLE_VALUE, 0.5)
    assert rate_reading(state, params, held) == (
        Reading(rate, Quality.UNCERTAIN, Reason.LAST_USABLE_VALUE, 0.5) if possible else bad(Reason.OUT_OF_RANGE, 0.5)
    )
