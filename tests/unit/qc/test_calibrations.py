"""Calibrations: entries there and back, refusals, and which lots a failed, late or missing one touches."""

from collections.abc import Mapping
from typing import Any

import pytest

from crumbmeter.qc.calibration_entries import CalibrationRefusedError, read, what
from crumbmeter.qc.calibrations import (
    DAY_US,
    Calibration,
    CalibrationKind,
    Limit,
    Limits,
    Outcome,
    Trial,
    judge,
    standing,
    touching,
)
from crumbmeter.qc.said import Said, Subject

MATERIAL = CalibrationKind.BELT_MATERIAL
WHO = "A. Person (invented)"
LIMITS = Limits((
    Limit("agency", MATERIAL, "error_percent", 1.5, "invented 1", "confirmed"),
    Limit("agency", MATERIAL, "due_days", 100.0, "invented 2", "confirmed"),
    Limit("agency", CalibrationKind.BELT_ZERO, "error_percent", None, "none", "not specified"),
))  # fmt: skip


def calibration(day: int, error_percent: float = 0.0, kind: CalibrationKind = MATERIAL, seq: int = 0) -> Calibration:
    trials = () if kind is CalibrationKind.MOVED else (Trial(1000.0, 10.0 * error_percent),)
    return Calibration("belt_scale", kind, day * DAY_US, WHO, trials, seq=seq or day)


def entry(content: Mapping[str, Any]) -> Said:
    return Said(Subject.CALIBRATION, "belt_scale", content, WHO, 5 * DAY_US, seq=9)


@pytest.mark.parametrize(
    "one",
    [
        Calibration("belt_scale", MATERIAL, 5 * DAY_US, WHO, (Trial(1000.0, 4.0), Trial(900.0, -1.0)),
                    "certificate 7.pdf", "two trucks", 9),
        Calibration("belt_scale", CalibrationKind.BELT_ZERO, 5 * DAY_US, WHO, (Trial(15_000.0, -2.0),),
                    seq=9),
        Calibration("belt_scale", CalibrationKind.MOVED, 5 * DAY_US, WHO, seq=9),
    ],
)  # fmt: skip
def test_a_calibration_goes_there_and_back(one: Calibration) -> None:
    assert read(entry(what(one))) == one


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ({"kind": "guess"}, "kind 'guess' is not one of belt scale zero test"),
        ({"kind": MATERIAL.value}, "trials are missing"),
        ({"kind": MATERIAL.value, "trials": "many"}, "must be a list"),
        ({"kind": "moved", "trials": [{"reference_kg": 1.0, "indicated_kg": 1.0}]}, "a move has no trials"),
        ({"kind": MATERIAL.value, "trials": [{"reference_kg": 1.0}]}, "trial 1: .* must have reference_kg and"),
        ({"kind": MATERIAL.value, "trials": [{"reference_kg": 0.0, "indicated_kg": 1.0}]}, "must be above 0"),
        ({"kind": MATERIAL.value, "trials": [{"reference_kg": 1.0, "indicated_kg": True}]}, "a finite number"),
        ({"kind": MATERIAL.value, "trails": []}, "unknown key 'trails'"),
    ],
)
def test_a_wrong_entry_is_refused_in_words(content: Mapping[str, Any], words: str) -> None:
    with pytest.raises(CalibrationRefusedError, match=words):
        read(entry(content))


def test_an_entry_about_something_else_is_refused() -> None:
    with pytest.raises(CalibrationRefusedError, match="about a load ticket"):
        read(Said(Subject.TICKET, "T1", {}, "x", 0))


def test_a_broken_limit_is_named_with_its_source() -> None:
    found = judge(calibration(0, 1.6), LIMITS)
    assert found.outcome is Outcome.FAILED
    assert found.why == ("error 1.6 % is above 1.5 % (invented 1; confirmed)",)
    assert found.due_us == 100 * DAY_US


def test_nothing_is_judged_by_a_limit_that_no_text_gives() -> None:
    found = judge(calibration(0, 50.0, CalibrationKind.BELT_ZERO), LIMITS)
    assert found.outcome is Outcome.PASSED
    assert found.due_us is None


def touched(calibrations: list[Calibration], first_day: float, last_day: float) -> list[tuple[Outcome, int]]:
    found = touching(calibrations, LIMITS, round(first_day * DAY_US), round(last_day * DAY_US))
    return [(one.outcome, one.seq) for one in found]


@pytest.mark.parametrize(
    ("calibrations", "lot", "expected"),
    [
        ([calibration(0)], (10, 11), []),
        ([calibration(0)], (99, 101), [(Outcome.LATE, 0)]),
        ([calibration(0), calibration(150)], (120, 121), [(Outcome.LATE, 0)]),
        ([calibration(0), calibration(150)], (151, 152), []),
        ([calibration(0), calibration(90)], (120, 121), []),
        # What was weighed since the last one that passed is touched by the one that fails, until the next that passes.
        ([calibration(0), calibration(50, 2.0), calibration(60)], (40, 41), [(Outcome.FAILED, 50)]),
        ([calibration(0), calibration(50, 2.0), calibration(60)], (55, 56), [(Outcome.FAILED, 50)]),
        ([calibration(0), calibration(50, 2.0), calibration(60)], (60, 61), []),
        ([calibration(10), calibration(50, 2.0)], (8, 9), []),
        ([calibration(50, 2.0)], (8, 9), [(Outcome.FAILED, 50)]),
        ([calibration(0), calibration(20, kind=CalibrationKind.MOVED)], (21, 22), [(Outcome.LATE, 20)]),
        ([calibration(0), calibration(20, kind=CalibrationKind.MOVED)], (18, 19), []),
        ([calibration(0), calibration(20, kind=CalibrationKind.MOVED), calibration(21)], (22, 23), []),
    ],
)
def test_which_lots_are_touched(
    calibrations: list[Calibration], lot: tuple[float, float], expected: list[tuple[Outcome, int]]
) -> None:
    assert touched(calibrations, *lot) == expected


def test_the_order_of_entries_does_not_matter() -> None:
    some = [calibration(60), calibration(0), calibration(50, 2.0)]
    assert touched(some, 40, 41) == touched(some[::-1], 40, 41) == [(Outcome.FAILED, 50)]


def test_one_that_was_never_done_is_late() -> None:
    expected = [("belt_scale", MATERIAL), ("hopper", CalibrationKind.LOAD_CELL)]
    found = touching([calibration(0)], LIMITS, 0, 5 * DAY_US, expected=expected)
    assert [(one.instrument, one.outcome) for one in found] == [("hopper", Outcome.LATE)]


def test_standing_takes_the_newest_at_the_instant() -> None:
    some = [calibration(0), calibration(50, 2.0)]
    assert [outcome for _, outcome in standing(some, LIMITS, 10 * DAY_US)] == [Outcome.PASSED]
    assert [outcome for _, outcome in standing(some, LIMITS, 60 * DAY_US)] == [Outcome.FAILED]
    assert standing(some, LIMITS, -1) == ()
