"""When a value may be believed: old, lost, frozen, out of range, too fast, not a number; transitions told once."""

import math
from dataclasses import replace

import pytest

from crumbmeter.model.quality import Quality, Reason
from crumbmeter.model.reading import Reading
from crumbmeter.model.sample import Sample
from crumbmeter.signals.params import SignalParams
from crumbmeter.signals.settle import SignalMemory, first_memory, settle

FLOW = SignalParams("flow", low_si=0.0, high_si=100.0, max_age_s=2.0)
BELT = SignalParams("belt", low_si=0.0, high_si=1.0, max_age_s=2.0, is_contact=True)
SPEED = SignalParams("speed", low_si=0.0, high_si=5.0, max_age_s=2.0)


class Line:
    """Settles one signal (and what it is frozen by) scan by scan, a sample in each unless told otherwise."""

    def __init__(self, params: SignalParams, other: SignalParams = BELT) -> None:
        self.signals = (params, other)
        self.memory: tuple[SignalMemory, ...] = first_memory(2)
        self.now_s = 50.0
        self.events: list[tuple[str, object]] = []
        self.other = 1.0
        self.received_s = 0.0

    def scan(
        self,
        value: float | None,
        reason: Reason = Reason.OK,
        *,
        age_s: float = 0.0,
        link_ok: bool = True,
        dt_s: float = 0.2,
        again: bool = False,
    ) -> Reading:
        self.now_s += dt_s
        self.received_s = self.received_s if again else self.now_s - age_s
        samples = (
            Sample(value, reason, self.received_s, link_ok),
            Sample(self.other, Reason.OK, self.now_s, link_ok=True),
        )
        self.memory, readings, events = settle(samples, self.memory, self.signals, self.now_s, dt_s)
        self.events += [(event.name, event.get("reason")) for event in events if event.get("signal") == "flow"]
        return readings[0]


def test_a_fresh_value_is_good() -> None:
    assert Line(FLOW).scan(42.0) == Reading(42.0, Quality.GOOD, Reason.OK, 0.0)


@pytest.mark.parametrize("value", [0.0, 100.0])
def test_the_limits_themselves_are_inside(value: float) -> None:
    assert Line(FLOW).scan(value).good


@pytest.mark.parametrize("value", [-0.001, 100.001, math.inf, -math.inf, math.nan])
def test_beyond_the_limits_is_bad(value: float) -> None:
    assert Line(FLOW).scan(value) == Reading(None, Quality.BAD, Reason.OUT_OF_RANGE, 0.0)


def test_nan_never_counts_as_a_value_even_without_limits() -> None:
    line = Line(replace(FLOW, low_si=-math.inf, high_si=math.inf))
    assert not line.scan(math.nan).usable


@pytest.mark.parametrize(("age_s", "good"), [(0.0, True), (2.0, True), (2.1, False)])
def test_age(age_s: float, good: bool) -> None:
    reading = Line(FLOW).scan(42.0, age_s=age_s)
    assert reading.good is good
    assert reading.age_s == pytest.approx(age_s)
    assert reading.reason is (Reason.OK if good else Reason.STALE)


def test_a_silent_link_makes_a_value_uncertain_then_bad() -> None:
    line = Line(FLOW)
    line.scan(42.0)
    held = line.scan(42.0, again=True, link_ok=False)
    assert (held.value, held.quality, held.reason) == (42.0, Quality.UNCERTAIN, Reason.LAST_USABLE_VALUE)
    assert held.age_s == pytest.approx(0.2)
    lost = line.scan(42.0, age_s=2.1, link_ok=False)
    assert (lost.value, lost.reason) == (None, Reason.NO_COMMUNICATION)


@pytest.mark.parametrize(
    "reason", [Reason.SENTINEL, Reason.NOT_FINITE, Reason.DEVICE_EXCEPTION, Reason.NO_COMMUNICATION]
)
def test_no_value_keeps_its_reason(reason: Reason) -> None:
    line = Line(FLOW)
    line.scan(42.0)
    reading = line.scan(None, reason, age_s=0.5)
    assert (reading.value, reading.quality, reading.reason) == (None, Quality.BAD, reason)
    assert reading.age_s == pytest.approx(0.5)


def test_what_was_never_read_has_no_age() -> None:
    memory, readings, events = settle(
        (Sample(None, Reason.NOT_YET_READ, 0.0, link_ok=False),), first_memory(1), (FLOW,), 77.0, 0.2
    )
    assert readings[0] == Reading(None, Quality.BAD, Reason.NOT_YET_READ, 0.0)
    assert events == ()
    assert memory[0].bad


FROZEN = replace(FLOW, frozen_after_s=1.0, frozen_while=1)


def test_frozen_while_it_should_move() -> None:
    line = Line(FROZEN)
    readings = [line.scan(42.0) for _ in range(8)]
    # The first scan brings the value; it has then been the same for 0.2 s at each scan.
    assert [reading.good for reading in readings] == [True] * 6 + [False] * 2
    assert readings[-1].reason is Reason.FROZEN
    assert line.scan(42.1).good


def test_not_frozen_while_the_belt_stands() -> None:
    line = Line(FROZEN)
    line.other = 0.0
    assert all(line.scan(42.0).good for _ in range(50))
    line.other = 1.0
    # Only now does the time count.
    assert [line.scan(42.0).good for _ in range(6)] == [True] * 5 + [False]


@pytest.mark.parametrize(("speed", "frozen"), [(0.0, False), (0.02, False), (0.03, True)])
def test_a_speed_tells_that_something_moves(speed: float, frozen: bool) -> None:
    line = Line(FROZEN, SPEED)
    line.other = speed
    assert [line.scan(42.0) for _ in range(20)][-1].good is not frozen


def test_a_contact_at_half_is_open() -> None:
    line = Line(FROZEN)
    line.other = 0.5
    assert all(line.scan(42.0).good for _ in range(20))


def test_an_empty_belt_is_not_frozen() -> None:
    line = Line(replace(FROZEN, frozen_above_si=0.5))
    assert all(line.scan(0.5).good for _ in range(50))
    assert not [line.scan(0.6) for _ in range(20)][-1].good


def test_without_a_condition_it_is_always_judged_and_without_a_time_never() -> None:
    always = Line(replace(FLOW, frozen_after_s=1.0))
    always.other = 0.0
    assert not [always.scan(42.0) for _ in range(20)][-1].good
    never = Line(FLOW)
    assert all(never.scan(42.0).good for _ in range(500))


STEADY = replace(FLOW, max_rise_per_s=10.0)


@pytest.mark.parametrize(("jump", "good"), [(2.0, True), (-2.0, True), (2.1, False), (-2.1, False)])
def test_faster_than_it_can_be(jump: float, good: bool) -> None:
    line = Line(STEADY)
    line.scan(50.0)
    reading = line.scan(50.0 + jump)
    assert reading.good is good
    assert reading.reason is (Reason.OK if good else Reason.RATE_OF_CHANGE)


def test_a_jump_costs_one_reading_and_is_then_the_new_level() -> None:
    line = Line(STEADY)
    line.scan(50.0)
    assert [line.scan(value).good for value in (90.0, 90.0, 90.5)] == [False, True, True]


def test_a_jump_stays_doubtful_until_the_next_sample_comes() -> None:
    # The device is read once a second, the scan looks five times at each reply.
    line = Line(STEADY)
    line.scan(50.0, dt_s=1.0)
    looks = [line.scan(90.0, again=look > 0) for look in range(5)]
    assert {reading.reason for reading in looks} == {Reason.RATE_OF_CHANGE}
    assert line.scan(90.0).good


def test_a_slow_reply_is_judged_over_its_own_time() -> None:
    line = Line(STEADY)
    line.scan(50.0, dt_s=1.0)
    assert line.scan(59.0, dt_s=1.0).good
    assert not line.scan(70.0, dt_s=1.0).good


def test_transitions_are_told_once() -> None:
    line = Line(FLOW)
    for value in (42.0, 42.0, 200.0, 201.0, 42.0, 41.0):
        line.scan(value)
    line.scan(None, Reason.SENTINEL)
    line.scan(None, Reason.NO_COMMUNICATION)
    line.scan(40.0)
    assert line.events == [
        ("input_good", None),
        ("input_bad", "out of range"),
        ("input_good", None),
        ("input_bad", "device says no value"),
        ("input_good", None),
    ]


def test_a_first_value_that_is_bad_is_told() -> None:
    line = Line(FLOW)
    line.scan(200.0)
    line.scan(201.0)
    assert line.events == [("input_bad", "out of range")]


def test_a_scan_of_no_length_changes_no_verdict() -> None:
    line = Line(FROZEN)
    line.scan(42.0)
    before = line.memory
    assert line.scan(42.0, dt_s=0.0).good
    assert line.memory == before
