"""First values, heartbeats, and weights with their status: what may be believed, scan by scan."""

from dataclasses import replace

import pytest

from crumbmeter.model.quality import Quality, Reason
from crumbmeter.model.reading import Reading
from crumbmeter.signals.params import SignalParams, StatusParams
from crumbmeter.signals.settle import for_control
from tests.unit.signals.bench import CONTACT, COUNT, WEIGHT, Bench

STEP_S = 0.2


def test_the_first_values_after_a_start_are_uncertain_and_not_for_control() -> None:
    bench = Bench((replace(WEIGHT, initial_reads=2),))
    for value in (0.0, 0.0):  # a placeholder
        reading = bench.scan(value)
        assert (reading.quality, reading.reason) == (Quality.UNCERTAIN, Reason.INITIAL_VALUE)
        (masked,) = for_control(bench.readings, bench.signals)
        assert masked.value is None
        assert masked.reason is Reason.INITIAL_VALUE
    assert bench.scan(150.0) == Reading(150.0, Quality.GOOD, Reason.OK, 0.0)
    assert for_control(bench.readings, bench.signals) is bench.readings
    assert bench.told == ["input_good"]


def test_the_same_read_looked_at_twice_is_one_first_value() -> None:
    bench = Bench((replace(WEIGHT, initial_reads=2),))
    for value in (1.0, None, None, None, None):
        reading = bench.scan() if value is None else bench.scan(value)
        assert reading.reason is Reason.INITIAL_VALUE
    # The link was lost in between: the two begin anew.
    assert [bench.scan(2.0).reason for _ in range(3)] == [Reason.INITIAL_VALUE, Reason.INITIAL_VALUE, Reason.OK]


def test_after_a_short_loss_the_last_value_is_held_over_the_first_ones() -> None:
    bench = Bench((replace(WEIGHT, initial_reads=2),))
    for _ in range(4):
        bench.scan(150.0)
    bench.scan()  # one poll without an answer
    for _ in range(2):
        reading = bench.scan(0.0)
        assert (reading.value, reading.quality, reading.reason) == (150.0, Quality.UNCERTAIN, Reason.LAST_USABLE_VALUE)
        assert reading.age_s > 0.0
    assert bench.scan(149.0) == Reading(149.0, Quality.GOOD, Reason.OK, 0.0)
    assert "input_bad" not in bench.told


def test_after_a_long_loss_nothing_is_held() -> None:
    bench = Bench((replace(WEIGHT, initial_reads=2),))
    for _ in range(4):
        bench.scan(150.0)
    bench.away(2.0)
    assert bench.readings[0].value is None
    assert bench.scan(0.0).reason is Reason.INITIAL_VALUE
    bench.scan(0.0)
    assert bench.scan(149.0).good
    assert bench.told == ["input_good", "input_bad", "input_good"]


def test_a_value_out_of_range_is_never_the_one_that_is_held() -> None:
    bench = Bench((replace(WEIGHT, initial_reads=2),))
    for value in (150.0, 150.0, 150.0, 9999.0):
        bench.scan(value)
    bench.scan()
    assert bench.scan(148.0).value == 150.0


def test_while_the_devices_own_counter_stands_nothing_of_it_is_believed() -> None:
    bench = Bench((replace(WEIGHT, alive_by=1), replace(COUNT, frozen_after_s=2.0)))
    for beat in range(20):
        assert bench.scan(150.0 - beat, beat % 3).good
    for _ in range(13):  # 2 s of standing, and one scan that it takes to be seen
        reading = bench.scan(140.0, 19.0)
    assert (reading.value, reading.reason) == (None, Reason.FROZEN)
    bench.scan(140.0, 20.0)
    assert bench.scan(140.0, 21.0).good


def test_a_weight_that_stands_is_believed_while_the_counter_runs() -> None:
    """Twenty minutes of a constant and live scale: no false alarm."""
    bench = Bench((replace(WEIGHT, alive_by=1), replace(COUNT, frozen_after_s=2.0)))
    for beat in range(6000):
        assert bench.scan(150.0, float(beat // 5 % 65536)).good
    assert bench.told == ["input_good", "input_good"]


STATUS = StatusParams(over=1, under=2, motion=3, weighing=4)
FLAGS = (CONTACT,) * 4
INVERSE = StatusParams(setup=1, fault=2, motion=3, over=4)


def with_status(status: StatusParams = STATUS) -> Bench:
    return Bench((replace(WEIGHT, status=status), *FLAGS))


@pytest.mark.parametrize(
    ("flags", "reason"),
    [
        ((1.0, 0.0, 0.0, 1.0), Reason.OVER_RANGE),
        ((0.0, 1.0, 0.0, 1.0), Reason.UNDER_RANGE),
        ((0.0, 0.0, 0.0, 0.0), Reason.NOT_WEIGHING),
        ((None, 0.0, 0.0, 1.0), Reason.STATUS_UNKNOWN),
    ],
)
def test_a_status_that_forbids_it_or_is_not_known_makes_a_weight_bad(
    flags: tuple[float | None, ...], reason: Reason
) -> None:
    bench = with_status()
    assert bench.scan(150.0, 0.0, 0.0, 0.0, 1.0).good
    reading = bench.scan(150.0, *flags)
    assert (reading.value, reading.reason) == (None, reason)
    assert bench.scan(150.0, 0.0, 0.0, 0.0, 1.0).good


def test_set_up_and_broken_load_cells_make_a_weight_bad() -> None:
    bench = with_status(INVERSE)
    assert bench.scan(150.0, 0.0, 0.0, 0.0, 0.0).good
    assert bench.scan(150.0, 1.0, 0.0, 0.0, 0.0).reason is Reason.NOT_WEIGHING
    assert bench.scan(150.0, 0.0, 1.0, 0.0, 0.0).reason is Reason.SENSOR_FAILURE


@pytest.mark.parametrize(
    ("worth", "quality"), [("GOOD", Quality.GOOD), ("UNCERTAIN", Quality.UNCERTAIN), ("BAD", Quality.BAD)]
)
def test_motion_is_worth_what_the_use_says(worth: str, quality: Quality) -> None:
    bench = with_status(replace(STATUS, in_motion=Quality[worth]))
    reading = bench.scan(150.0, 0.0, 0.0, 1.0, 1.0)
    assert reading.quality is quality
    assert reading.reason is (Reason.OK if quality is Quality.GOOD else Reason.IN_MOTION)
    assert bench.scan(150.0, 0.0, 0.0, 0.0, 1.0).good


def test_at_exactly_its_highest_age_a_value_still_stands() -> None:
    bench = Bench((WEIGHT,))
    bench.scan(150.0)
    bench.received_s, bench.now_s = 128.0, 129.0 - STEP_S
    assert bench.scan() == Reading(150.0, Quality.UNCERTAIN, Reason.LAST_USABLE_VALUE, 1.0)
    assert bench.scan().reason is Reason.NO_COMMUNICATION


def test_frozen_is_judged_only_while_something_moves() -> None:
    speed = SignalParams("speed", 0.0, 10.0, max_age_s=1.0)
    bench = Bench((replace(WEIGHT, frozen_after_s=2.0, frozen_while=1), speed))
    for _ in range(40):
        assert bench.scan(150.0, 0.02).good
    for _ in range(9):
        assert bench.scan(150.0, 0.03).good
    for _ in range(2):
        bench.scan(150.0, 0.03)
    assert bench.readings[0].reason is Reason.FROZEN
    assert bench.scan(150.1, 0.03).good


def test_a_value_up_to_the_empty_belt_is_never_frozen() -> None:
    bench = Bench((replace(WEIGHT, frozen_after_s=1.0, frozen_above_si=5.0),))
    for _ in range(40):
        assert bench.scan(5.0).good
    for _ in range(7):
        bench.scan(5.1)
    assert bench.readings[0].reason is Reason.FROZEN
