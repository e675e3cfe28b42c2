"""Settling at its limits: exactly at an age, a rate, a time of standing; what a reading that is Bad still tells."""

from dataclasses import replace

import pytest

from crumbmeter.model.quality import Quality, Reason
from crumbmeter.model.reading import Reading, bad, good
from crumbmeter.model.sample import Sample
from crumbmeter.signals.params import SignalParams
from crumbmeter.signals.settle import SignalMemory, first_memory, for_control, settle
from tests.unit.signals.bench import COUNT, HONEST, WEIGHT, Bench

ALIVE = (replace(WEIGHT, alive_by=1), replace(COUNT, frozen_after_s=0.5))


def bench(*signals: SignalParams, now_s: float = 100.0) -> Bench:
    """Four scans a second, so that times are whole in binary."""
    return Bench(signals, now_s=now_s, step_s=0.25)


def test_exactly_the_highest_rate_is_believed() -> None:
    for jump, reason in ((2.5, Reason.OK), (-2.5, Reason.OK), (2.501, Reason.RATE_OF_CHANGE)):
        line = bench(replace(WEIGHT, max_rise_per_s=10.0))
        line.scan(150.0)
        assert line.scan(150.0 + jump).reason is reason


def test_a_rate_is_judged_across_reads_that_brought_no_value() -> None:
    line = bench(replace(WEIGHT, max_rise_per_s=10.0))
    line.scan(150.0)
    line.scan(None)
    assert line.scan(155.001).reason is Reason.RATE_OF_CHANGE
    line = bench(replace(WEIGHT, max_rise_per_s=10.0))
    line.scan(150.0)
    line.scan(None)
    assert line.scan(155.0).good


def test_the_age_of_what_brought_no_value_counts_from_its_reply() -> None:
    line = bench(WEIGHT, now_s=0.0)
    line.scan(None)  # at 0.25 s
    for age_s in (0.25, 0.5, 0.75, 1.0):
        assert line.look_again() == bad(Reason.BAD_REPLY, age_s)


@pytest.mark.parametrize(
    ("params", "values", "reason"),
    [
        (WEIGHT, (301.0,), Reason.OUT_OF_RANGE),
        (replace(WEIGHT, max_rise_per_s=10.0), (150.0, 160.0), Reason.RATE_OF_CHANGE),
        (replace(WEIGHT, frozen_after_s=0.25), (150.0, 150.0, 150.0), Reason.FROZEN),
    ],
)
def test_a_value_that_is_not_believed_keeps_its_age(
    params: SignalParams, values: tuple[float, ...], reason: Reason
) -> None:
    line = bench(params)
    for value in values:
        line.scan(value)
    assert line.look_again() == bad(reason, 0.25)


def test_a_weight_is_believed_until_its_devices_counter_has_stood_for_longer_than_it_may() -> None:
    line = bench(*ALIVE)
    line.scan(150.0, 7.0)
    # The counter has then stood for 0.25, 0.5 and 0.75 s; the scan after it sees that.
    assert [line.scan(150.0, 7.0).good for _ in range(4)] == [True, True, True, False]
    assert line.look_again() == bad(Reason.FROZEN, 0.25)


@pytest.mark.parametrize("shown", [None, 70000.0])
def test_a_counter_that_cannot_be_read_says_nothing_of_its_device(shown: float | None) -> None:
    line = bench(*ALIVE)
    assert all(line.scan(150.0, shown).good for _ in range(20))


def test_a_counter_that_jumps_has_not_stood() -> None:
    line = bench(ALIVE[0], replace(COUNT, frozen_after_s=0.5, max_rise_per_s=10.0))
    line.scan(150.0, 7.0)
    line.scan(150.0, 500.0)
    assert line.scan(150.0, 501.0).good


@pytest.mark.parametrize("between", [None, 999.0])
def test_after_a_read_without_a_good_value_the_time_of_standing_begins_anew(between: float | None) -> None:
    line = bench(replace(WEIGHT, frozen_after_s=1.0))
    for _ in range(5):
        line.scan(150.0)
    line.scan(between)
    assert [line.scan(150.0).good for _ in range(4)] == [True] * 4


def test_after_a_step_the_time_of_standing_begins_anew() -> None:
    line = bench(replace(WEIGHT, frozen_after_s=1.0, max_rise_per_s=10.0))
    line.scan(150.0)
    assert [line.scan(190.0).reason for _ in range(6)] == [
        Reason.RATE_OF_CHANGE, Reason.OK, Reason.OK, Reason.OK, Reason.OK, Reason.FROZEN,
    ]  # fmt: skip


def test_standing_is_timed_between_two_reads_too() -> None:
    line = bench(replace(WEIGHT, frozen_after_s=1.0, initial_reads=1))
    line.scan(150.0)
    line.scan(150.0)
    assert [line.look_again().reason for _ in range(4)] == [Reason.OK, Reason.OK, Reason.OK, Reason.FROZEN]


def test_a_device_that_comes_to_life_between_two_reads_is_told_once() -> None:
    line = bench(replace(ALIVE[0], initial_reads=1), ALIVE[1])
    for _ in range(5):
        line.scan(150.0, 7.0)
    line.values = (150.0, 8.0)  # the counter alone has been read anew
    for _ in range(4):
        line.look_again()
    hopper = [happened.name for happened in line.events if happened.get("signal") == "hopper"]
    assert hopper == ["input_good", "input_bad", "input_good"]


def test_reads_as_far_apart_as_a_value_may_be_old_are_no_new_start() -> None:
    for step_s, reason in ((1.0, Reason.OK), (1.001, Reason.INITIAL_VALUE)):
        line = Bench((replace(WEIGHT, initial_reads=1),), now_s=128.0, step_s=step_s)
        line.scan(150.0)
        assert line.scan(149.0).reason is reason


def test_over_the_first_values_the_last_one_is_held_until_it_is_too_old() -> None:
    line = bench(replace(WEIGHT, initial_reads=4))
    for _ in range(5):
        line.scan(150.0)
    line.scan()
    held = [line.scan(149.0) for _ in range(4)]
    assert held[:3] == [
        Reading(150.0, Quality.UNCERTAIN, Reason.LAST_USABLE_VALUE, age_s) for age_s in (0.5, 0.75, 1.0)
    ]
    assert held[3] == Reading(149.0, Quality.UNCERTAIN, Reason.INITIAL_VALUE, 0.0)
    assert line.look_again() == Reading(149.0, Quality.UNCERTAIN, Reason.INITIAL_VALUE, 0.25)


def test_for_control_only_the_first_values_are_taken_out() -> None:
    initial = Reading(149.0, Quality.UNCERTAIN, Reason.INITIAL_VALUE, 0.25)
    held = Reading(150.0, Quality.UNCERTAIN, Reason.LAST_USABLE_VALUE, 0.5)
    assert for_control((good(1.0), initial, held), (WEIGHT,) * 3) == (good(1.0), bad(Reason.INITIAL_VALUE, 0.25), held)


@pytest.mark.parametrize("opted_in", [False, True])
def test_what_a_device_calls_uncertain_is_for_control_only_where_the_site_says_so(opted_in: bool) -> None:
    """Lesson 38: shown in any case, and the device's initial reads are held back even then."""
    params = replace(WEIGHT, uncertain_for_control=opted_in)
    said = Sample(150.0, Reason.SAYS_SUB_NORMAL, 10.0, True)
    _, (reading,), _ = settle((said,), first_memory(1), (params,), 10.0, 0.2)
    assert reading == Reading(150.0, Quality.UNCERTAIN, Reason.SAYS_SUB_NORMAL, 0.0)
    (used,) = for_control((reading,), (params,))
    assert used == (reading if opted_in else bad(Reason.SAYS_SUB_NORMAL))
    initial = Reading(150.0, Quality.UNCERTAIN, Reason.INITIAL_VALUE, 0.0)
    assert for_control((initial,), (params,)) == (bad(Reason.INITIAL_VALUE),)


def test_a_local_override_is_good_and_says_so() -> None:
    said = Sample(150.0, Reason.LOCAL_OVERRIDE, 10.0, True)
    _, (reading,), _ = settle((said,), first_memory(1), (WEIGHT,), 10.0, 0.2)
    assert reading == Reading(150.0, Quality.GOOD, Reason.LOCAL_OVERRIDE, 0.0)
    assert for_control((reading,), (WEIGHT,)) == (reading,)


def test_samples_and_memory_of_another_site_are_refused() -> None:
    sample = Sample(150.0, Reason.OK, 100.0, link_ok=True)
    for samples, memory in (((sample,), first_memory(2)), ((sample, sample), first_memory(1))):
        with pytest.raises(ValueError, match="argument"):
            settle(samples, memory, (WEIGHT,), 100.0, 0.25)


def test_what_is_remembered_of_a_value_that_came() -> None:
    line = bench(WEIGHT)
    line.scan(150.0)
    assert line.memory == (SignalMemory(150.0, 100.25, 0.0, bad=False),)
    line.scan(150.0)
    assert line.memory == (SignalMemory(150.0, 100.5, 0.25, bad=False),)
    line.scan(301.0)
    assert line.memory == (SignalMemory(301.0, 100.75, 0.0, bad=True),)


def test_what_is_remembered_of_a_weight_with_first_values_and_a_baseline() -> None:
    line = bench(replace(WEIGHT, initial_reads=1, baseline=HONEST))
    line.scan(150.0)
    first = SignalMemory(150.0, 100.25, 0.0, bad=True, initial=True)
    assert line.memory == (first,)
    line.scan(150.0)
    kept = SignalMemory(150.0, 100.5, 0.25, bad=False, kept=150.0, kept_s=100.5)
    assert line.memory == (kept,)
    line.look_again()
    assert line.memory == (replace(kept, same_for_s=0.5),)
    line.scan()
    assert line.memory == (replace(kept, same_for_s=0.75, lost=True),)
