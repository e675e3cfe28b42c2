"""The baseline of a weight: a new tare or zero, and a weight that cannot have come from the one before (REQ-7)."""

from dataclasses import replace

import pytest

from crumbmeter.model.quality import Quality, Reason
from crumbmeter.signals.params import StatusParams
from crumbmeter.signals.settle import SignalMemory
from tests.unit.signals.bench import CONTACT, COUNT, HONEST, WEIGHT, Bench


def with_marks(max_rise_per_s: float | None = None) -> Bench:
    weight = replace(WEIGHT, status=StatusParams(marks=(("net", 1), ("tare_active", 2))), baseline=HONEST)
    return Bench((replace(weight, max_rise_per_s=max_rise_per_s), CONTACT, COUNT))


def test_a_tare_that_moves_the_weight_is_told_and_doubted_until_somebody_accepts_it() -> None:
    bench = with_marks()
    for _ in range(3):
        bench.scan(150.0, 0.0, 7.0)
    reading = bench.scan(0.4, 1.0, 8.0)
    assert (reading.quality, reading.reason) == (Quality.UNCERTAIN, Reason.BASELINE_DOUBT)
    assert bench.told[-3:] == ["weight_mark_changed", "weight_mark_changed", "weight_baseline_doubted"]
    assert bench.rebased()
    assert not bench.scan(0.3, 1.0, 8.0).good
    assert not bench.rebased()
    bench.accept()
    assert bench.scan(0.2, 1.0, 8.0).good


def test_a_tare_that_leaves_the_weight_where_it_was_is_told_and_not_doubted() -> None:
    bench = with_marks()
    bench.scan(150.0, 0.0, 7.0)
    assert bench.scan(149.9, 0.0, 8.0).good
    assert bench.told[-1] == "weight_mark_changed"
    assert bench.rebased()


def test_a_tare_whose_step_was_too_fast_to_believe_is_still_doubted() -> None:
    bench = with_marks(max_rise_per_s=30.0)
    bench.scan(150.0, 0.0, 7.0)
    assert bench.scan(0.4, 0.0, 8.0).reason is Reason.RATE_OF_CHANGE
    assert bench.scan(0.4, 0.0, 8.0).reason is Reason.BASELINE_DOUBT


def test_an_indicator_that_comes_back_tared_after_a_power_dip_is_noticed() -> None:
    """It has no marks, or keeps no count of what it did by itself: only the weight tells (lesson 7)."""
    bench = Bench((replace(WEIGHT, initial_reads=2, baseline=HONEST),))
    for _ in range(5):
        bench.scan(150.0)
    bench.away(8.0)
    for _ in range(2):
        bench.scan(0.0)
    reading = bench.scan(0.2)
    assert (reading.quality, reading.reason) == (Quality.UNCERTAIN, Reason.BASELINE_DOUBT)
    assert "weight_baseline_doubted" in bench.told
    for _ in range(500):
        assert not bench.scan(0.2).good


@pytest.mark.parametrize("back", [149.0, 141.0, 240.0])
def test_a_hopper_that_was_emptied_by_feeding_or_filled_meanwhile_is_believed(back: float) -> None:
    bench = Bench((replace(WEIGHT, initial_reads=2, baseline=HONEST),))
    for _ in range(5):
        bench.scan(150.0)
    bench.away(8.0)
    for _ in range(3):
        reading = bench.scan(back)
    assert reading.good


def test_a_step_in_sight_with_nothing_changed_is_no_matter_of_the_baseline() -> None:
    bench = with_marks()
    bench.scan(150.0, 0.0, 7.0)
    assert bench.scan(90.0, 0.0, 7.0).good
    assert not bench.memory[0].doubted


def test_a_mark_that_cannot_be_read_for_a_while_is_no_change() -> None:
    bench = with_marks()
    bench.scan(150.0, 0.0, 7.0)
    bench.scan(150.0, None, None)
    bench.scan(150.0, 0.0, 7.0)
    assert "weight_mark_changed" not in bench.told


def told(bench: Bench, name: str) -> list[dict[str, object]]:
    return [dict(happened.detail) for happened in bench.events if happened.name == name]


def beside(initial_reads: int = 0) -> Bench:
    """A weight without marks, read four times a second."""
    return Bench((replace(WEIGHT, initial_reads=initial_reads, baseline=HONEST),), step_s=0.25)


@pytest.mark.parametrize("reads", [1, 2, 3, 4])
def test_a_changed_mark_is_told_however_long_it_has_stood(reads: int) -> None:
    bench = with_marks()
    for _ in range(reads):
        bench.scan(150.0, 0.0, 7.0)
    bench.scan(150.0, 0.0, 8.0)
    assert told(bench, "weight_mark_changed") == [
        {"signal": "hopper", "mark": "tare_active", "was_value": 7.0, "now_value": 8.0}
    ]


def test_a_doubt_says_from_what_to_what_and_in_which_time() -> None:
    bench = beside()
    bench.scan(150.00049)
    bench.away(0.75)
    bench.scan(90.12351)
    assert told(bench, "weight_baseline_doubted") == [
        {"signal": "hopper", "was_kg": 150.0, "now_kg": 90.124, "away_s": 1.0}
    ]
    bench = replace(beside(), step_s=0.12345)
    bench.scan(150.0006)
    bench.scan()
    bench.scan(90.0)
    assert [(one["was_kg"], one["away_s"]) for one in told(bench, "weight_baseline_doubted")] == [(150.001, 0.247)]


def test_the_baseline_changes_in_one_scan_however_often_it_is_looked_at() -> None:
    for bench, back in ((beside(), (90.0,)), (with_marks(), (149.9, 0.0, 8.0))):
        bench.scan(*(150.0, 0.0, 7.0)[: len(back)])
        bench.scan()
        bench.scan(*back)
        assert bench.rebased()
        bench.look_again()
        assert not bench.rebased()


def test_one_lost_poll_is_enough_to_lose_a_baseline() -> None:
    """Without first values, and with them: those that are held back do not count as seen."""
    bench = beside()
    bench.scan(150.0)
    bench.scan()
    assert bench.scan(90.0).reason is Reason.BASELINE_DOUBT
    bench = beside(initial_reads=2)
    for _ in range(4):
        bench.scan(150.0)
    bench.scan()
    assert [bench.scan(90.0).reason for _ in range(3)] == [
        Reason.LAST_USABLE_VALUE, Reason.LAST_USABLE_VALUE, Reason.BASELINE_DOUBT,
    ]  # fmt: skip
    assert told(bench, "weight_baseline_doubted")[0]["away_s"] == 1.0


def test_after_it_came_back_in_order_a_step_in_sight_is_no_matter_of_the_baseline() -> None:
    bench = beside(initial_reads=2)
    for _ in range(4):
        bench.scan(150.0)
    bench.scan()
    for _ in range(3):
        bench.scan(149.9)
    assert bench.scan(90.0).good


@pytest.mark.parametrize(("step_s", "good"), [(1.0, True), (1.001, False)])
def test_reads_as_far_apart_as_a_value_may_be_old_are_in_sight(step_s: float, good: bool) -> None:
    bench = replace(beside(), now_s=128.0, step_s=step_s)
    bench.scan(150.0)
    assert bench.scan(90.0).good is good


def test_a_new_tare_waits_for_the_next_weight_that_is_believed() -> None:
    bench = with_marks(max_rise_per_s=30.0)
    bench.scan(150.0, 0.0, 7.0)
    assert bench.scan(0.4, 0.0, 8.0).reason is Reason.RATE_OF_CHANGE
    assert bench.scan(60.0, 0.0, 8.0).reason is Reason.RATE_OF_CHANGE
    assert bench.scan(60.0, 0.0, 8.0).reason is Reason.BASELINE_DOUBT


def test_a_weight_that_is_not_believed_is_no_new_tare() -> None:
    bench = with_marks()
    bench.scan(150.0, 0.0, 7.0)
    assert bench.scan(999.0, 0.0, 7.0).reason is Reason.OUT_OF_RANGE
    assert bench.scan(90.0, 0.0, 7.0).good


def test_a_new_tare_is_judged_by_one_weight_and_not_by_those_after_it() -> None:
    bench = with_marks()
    bench.scan(150.0, 0.0, 7.0)
    assert bench.scan(149.9, 0.0, 8.0).good
    assert bench.scan(90.0, 0.0, 8.0).good


def test_what_a_person_accepted_is_not_doubted_again_for_the_same_reason() -> None:
    bench = with_marks()
    bench.scan(150.0, 0.0, 7.0)
    bench.scan(90.0, 0.0, 8.0)
    bench.accept()
    assert bench.scan(60.0, 0.0, 8.0).good
    # Nor for a tare that changed while it was doubted.
    bench.scan(20.0, 0.0, 9.0)
    assert bench.scan(19.0, 0.0, 10.0).reason is Reason.BASELINE_DOUBT
    bench.accept()
    assert bench.scan(5.0, 0.0, 10.0).good
    assert not bench.memory[0].remarked


def test_what_is_remembered_of_a_weight_that_is_tared_doubted_and_accepted() -> None:
    bench = replace(with_marks(), step_s=0.25)
    bench.scan(150.0, 0.0, 7.0)
    memory = SignalMemory(150.0, 100.25, 0.0, bad=False, kept=150.0, kept_s=100.25, marks=(0.0, 7.0))
    assert bench.memory[0] == memory
    bench.scan(149.0, 0.0, 8.0)
    memory = SignalMemory(149.0, 100.5, 0.0, bad=False, kept=149.0, kept_s=100.5, marks=(0.0, 8.0), rebased=True)
    assert bench.memory[0] == memory
    bench.scan(90.0, 0.0, 9.0)
    memory = replace(memory, value=90.0, received_s=100.75, kept=90.0, kept_s=100.75, marks=(0.0, 9.0), doubted=True)
    assert bench.memory[0] == memory
    bench.scan(80.0, 0.0, 1.0)
    memory = replace(memory, value=80.0, received_s=101.0, kept=80.0, kept_s=101.0, marks=(0.0, 1.0))
    assert bench.memory[0] == memory
    bench.accept()
    assert bench.memory[0] == replace(memory, doubted=False)


def test_a_doubted_weight_keeps_its_value_and_its_age() -> None:
    bench = beside()
    bench.scan(150.0)
    bench.scan()
    bench.scan(90.0)
    reading = bench.look_again()
    assert (reading.value, reading.quality, reading.reason) == (90.0, Quality.UNCERTAIN, Reason.BASELINE_DOUBT)
    assert reading.age_s == 0.25


def test_what_a_person_accepted_is_the_weight_that_the_next_must_follow_from() -> None:
    bench = beside()
    bench.scan(150.0)
    bench.scan()
    bench.scan(100.0)
    bench.accept()
    bench.scan()
    assert bench.scan(20.0).reason is Reason.BASELINE_DOUBT
    assert len(told(bench, "weight_baseline_doubted")) == 2


@pytest.mark.parametrize(("then", "good"), [(60.0, True), (57.5, True), (55.0, False)])
def test_what_is_accepted_is_the_newest_weight_at_its_own_time(then: float, good: bool) -> None:
    bench = beside(initial_reads=2)
    for _ in range(4):
        bench.scan(150.0)
    bench.away(10.0)
    for _ in range(3):
        bench.scan(100.0)  # 50 kg less, and 10 s: doubted
    bench.away(10.0)
    bench.scan(60.0)
    bench.accept()
    bench.scan(60.0)
    # Half a second later it may be 0.5 kg less by feeding and 2 kg by noise.
    assert bench.scan(then).good is good
