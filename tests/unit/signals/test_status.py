"""What a status says of its weight, at the limits: half a contact, an old status, a weight that may have come."""

from dataclasses import replace

import pytest

from crumbmeter.model.quality import Quality, Reason
from crumbmeter.model.reading import Reading, bad
from crumbmeter.model.sample import Sample
from crumbmeter.signals.params import BaselineParams, SignalParams, StatusParams
from crumbmeter.signals.status import changed_marks, follows, judge_status, read_marks

WEIGHT = Reading(150.0, Quality.GOOD, Reason.OK, 0.25)
HELD = Reading(150.0, Quality.UNCERTAIN, Reason.LAST_USABLE_VALUE, 0.25)
NOW_S, MAX_AGE_S = 100.0, 2.0
MARKS = StatusParams(marks=(("net", 0), ("tare", 1)))
PARAMS = SignalParams("hopper", -10.0, 300.0, max_age_s=MAX_AGE_S, status=MARKS)


def flag(value: float | None, age_s: float = 0.0) -> tuple[Sample, ...]:
    """One sample: of the flag that a test is about."""
    return (Sample(value, Reason.OK if value is not None else Reason.BAD_REPLY, NOW_S - age_s, value is not None),)


def judged(status: StatusParams, samples: tuple[Sample, ...], reading: Reading = WEIGHT) -> Reading:
    return judge_status(reading, status, samples, NOW_S, MAX_AGE_S)


@pytest.mark.parametrize(
    ("status", "value", "reason"),
    [
        (StatusParams(over=0), 0.5, None),
        (StatusParams(over=0), 0.51, Reason.OVER_RANGE),
        (StatusParams(under=0), 0.51, Reason.UNDER_RANGE),
        (StatusParams(fault=0), 0.51, Reason.SENSOR_FAILURE),
        (StatusParams(setup=0), 0.5, None),
        (StatusParams(setup=0), 0.51, Reason.NOT_WEIGHING),
        (StatusParams(weighing=0), 0.5, Reason.NOT_WEIGHING),
        (StatusParams(weighing=0), 0.51, None),
        (StatusParams(over=0), None, Reason.STATUS_UNKNOWN),
    ],
)
def test_a_contact_counts_as_closed_above_half(
    status: StatusParams, value: float | None, reason: Reason | None
) -> None:
    assert judged(status, flag(value)) == (WEIGHT if reason is None else bad(reason, 0.25))


@pytest.mark.parametrize("status", [StatusParams(over=0), StatusParams(motion=0, in_motion=Quality.UNCERTAIN)])
def test_a_status_may_be_as_old_as_the_weight_itself_and_no_older(status: StatusParams) -> None:
    assert judged(status, flag(0.0, age_s=2.0)) == WEIGHT
    assert judged(status, flag(0.0, age_s=2.001)) == bad(Reason.STATUS_UNKNOWN, 0.25)


@pytest.mark.parametrize("quality", [Quality.UNCERTAIN, Quality.BAD])
def test_a_weight_that_may_be_in_motion_is_bad(quality: Quality) -> None:
    assert judged(StatusParams(motion=0, in_motion=quality), flag(None)) == bad(Reason.STATUS_UNKNOWN, 0.25)
    assert judged(StatusParams(motion=0, in_motion=quality), flag(0.5)) == WEIGHT


def test_motion_lowers_the_quality_and_leaves_the_rest() -> None:
    uncertain = StatusParams(motion=0, in_motion=Quality.UNCERTAIN)
    assert judged(uncertain, flag(0.51)) == Reading(150.0, Quality.UNCERTAIN, Reason.IN_MOTION, 0.25)
    # What was uncertain before stays so for its own reason.
    assert judged(uncertain, flag(1.0), HELD) == HELD
    assert judged(replace(uncertain, in_motion=Quality.BAD), flag(0.51)) == bad(Reason.IN_MOTION, 0.25)
    # Where motion does not matter nobody needs to know of it.
    assert judged(replace(uncertain, in_motion=Quality.GOOD), flag(None)) == WEIGHT


def test_a_weight_that_is_bad_by_itself_keeps_its_reason() -> None:
    assert judged(StatusParams(over=0), flag(1.0), bad(Reason.STALE, 9.0)) == bad(Reason.STALE, 9.0)


def test_each_mark_that_changed_is_told_with_what_it_was() -> None:
    (happened,) = changed_marks((1.0, 7.0), (1.0, 8.0), PARAMS)
    assert happened.name == "weight_mark_changed"
    assert dict(happened.detail) == {"signal": "hopper", "mark": "tare", "was_value": 7.0, "now_value": 8.0}
    assert [one.get("mark") for one in changed_marks((0.0, 7.0), (1.0, 8.0), PARAMS)] == ["net", "tare"]


def test_the_first_value_of_a_mark_is_no_change() -> None:
    assert changed_marks((), (1.0, 7.0), PARAMS) == ()
    assert changed_marks((1.0, None), (1.0, 7.0), PARAMS) == ()
    assert changed_marks((None, None), (None, 7.0), PARAMS) == ()


def test_a_mark_that_cannot_be_read_keeps_its_last_value() -> None:
    samples = (*flag(1.0), *flag(None))
    assert read_marks((), MARKS, samples) == (1.0, None)
    assert read_marks((0.0, 7.0), MARKS, samples) == (1.0, 7.0)


def test_marks_of_another_site_are_refused() -> None:
    with pytest.raises(ValueError, match="argument"):
        read_marks((0.0,), MARKS, (*flag(1.0), *flag(2.0)))
    for before, now in (((0.0,), (1.0, 2.0)), ((0.0, 1.0, 2.0), (1.0, 2.0, 3.0))):
        with pytest.raises(ValueError, match="argument"):
            changed_marks(before, now, PARAMS)


@pytest.mark.parametrize(
    ("moved", "may_rise", "possible"),
    [
        (-6.0, False, True),  # 4 s at 1 kg/s, and 2 kg of noise
        (-6.001, False, False),
        (-6.001, True, False),
        (2.0, False, True),
        (2.001, False, False),
        (2.001, True, True),
        (149.0, True, True),
    ],
)
def test_a_weight_follows_by_feeding_noise_and_filling(moved: float, may_rise: bool, possible: bool) -> None:
    assert follows(0.0, moved, 4.0, BaselineParams(fall_si_s=1.0, margin_si=2.0), may_rise=may_rise) is possible
