"""Loop checks: entries there and back, what passes a contact or a measured value, and when all is to be done again."""

from collections.abc import Sequence
from dataclasses import replace as changed
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from crumbmeter.model.frozen import replace
from crumbmeter.qc.loop_checks import (
    Look,
    Loop,
    LoopCheckRefusedError,
    LoopKind,
    LoopState,
    failed_first,
    read,
    said_of,
    standing,
)
from crumbmeter.qc.said import Said, Subject, in_force

MASS = Loop("hopper_mass", LoopKind.SIGNAL, "m1", is_contact=False, low_si=0.0, high_si=300.0, unit="lb")
CONTACT = Loop("feeder_remote", LoopKind.SIGNAL, "m2", is_contact=True, low_si=0.0, high_si=1.0, unit="contact")
OUTPUT = Loop("feed_run", LoopKind.OUTPUT, "m3", is_contact=True, low_si=0.0, high_si=1.0, unit="contact")


def look(loop: Loop, expected_si: float, *, passed: bool = True, **changes: Any) -> Look:
    found = Look(
        name=loop.name, kind=loop.kind, meaning=loop.meaning, passed=passed, expected_si=expected_si,
        read_si=expected_si, tolerance_si=0.0 if loop.is_contact else 3.0, unit=loop.unit, by="XY", witness="",
        how="test weight", why="" if passed else "reads 9.1", at_us=1_000_000,
    )  # fmt: skip
    return replace(found, **changes)


def entries(looks: Sequence[Look]) -> list[Said]:
    return [changed(said_of(one), seq=place) for place, one in enumerate(looks, 1)]


def state(loop: Loop, *looks: Look) -> LoopState:
    return standing(entries(looks), [loop])[0].state


@pytest.mark.parametrize("read_si", [20.2, None])
def test_a_look_goes_there_and_back(read_si: float | None) -> None:
    one = look(MASS, 20.0, witness="ZZ", read_si=read_si, passed=read_si is not None, seq=1)
    (said,) = entries([one])
    assert said.who == "XY (loop check)"
    assert read(said) == one
    assert read(changed(said, what=dict(said.what) | {"words": [1, 2], "age_s": 0.1})) == one


@pytest.mark.parametrize(
    ("key", "value", "words"),
    [
        ("kind", "wish", "kind 'wish' is not one of signal, output"),
        ("passed", 1, "passed is 1, and must be true or false"),
        ("expected_si", True, "expected_si is True, and must be a finite number"),
        ("read_si", "9", "read_si is '9', and must be a finite number"),
        ("tolerance_si", None, "tolerance_si is None, and must be a finite number"),
        ("meaning", 7, "meaning is 7, and must be text"),
        ("by", None, "by is None, and must be text"),
    ],
)
def test_an_entry_that_is_none_is_refused(key: str, value: object, words: str) -> None:
    (said,) = entries([look(MASS, 20.0)])
    with pytest.raises(LoopCheckRefusedError, match="loop check of hopper_mass: "):
        read(changed(said, what=dict(said.what) | {key: value}))
    with pytest.raises(LoopCheckRefusedError, match=words):
        read(changed(said, what=dict(said.what) | {key: value}))


def test_another_subject_is_no_loop_check() -> None:
    with pytest.raises(LoopCheckRefusedError, match="entry 4 is about a calibration"):
        read(Said(Subject.CALIBRATION, "x", {}, "XY", 0, seq=4))


def test_a_contact_is_seen_closed_and_open() -> None:
    closed, opened = look(CONTACT, 1.0), look(CONTACT, 0.0)
    assert state(CONTACT, closed, opened) is LoopState.PASSED
    assert state(CONTACT, opened, closed) is LoopState.PASSED
    (one,) = standing(entries([closed, closed]), [CONTACT])
    assert (one.state, one.missing) == (LoopState.NOT_CHECKED, "not yet seen open")


def test_a_measured_value_needs_two_points_that_are_apart() -> None:
    assert state(MASS, look(MASS, 0.0), look(MASS, 20.0)) is LoopState.PASSED
    assert state(MASS, look(MASS, 20.0)) is LoopState.NOT_CHECKED
    assert state(MASS, look(MASS, 20.0), look(MASS, 26.0)) is LoopState.NOT_CHECKED, "as far apart as they may be wrong"
    assert state(MASS, look(MASS, 20.0), look(MASS, 26.1)) is LoopState.PASSED


def test_after_a_failed_look_everything_is_looked_at_anew() -> None:
    good = [look(MASS, 0.0), look(MASS, 20.0)]
    bad = look(MASS, 20.0, passed=False)
    assert state(MASS, *good, bad) is LoopState.FAILED
    assert state(MASS, *good, bad, look(MASS, 20.0)) is LoopState.FAILED
    (one,) = standing(entries([*good, bad, *good]), [MASS])
    assert (one.state, [found.seq for found in one.looks]) == (LoopState.PASSED, [4, 5])


def test_a_new_definition_asks_for_a_new_check() -> None:
    old = [look(MASS, 0.0, meaning="m0"), look(MASS, 20.0, meaning="m0")]
    (one,) = standing(entries(old), [MASS])
    assert (one.state, one.looks) == (LoopState.CHECK_AGAIN, ())
    assert state(MASS, *old, look(MASS, 0.0)) is LoopState.NOT_CHECKED
    assert state(MASS, *old, look(MASS, 0.0), look(MASS, 9.0)) is LoopState.PASSED


def test_an_output_passes_by_one_proof_and_is_not_the_signal_of_its_name() -> None:
    signal = replace(OUTPUT, kind=LoopKind.SIGNAL)
    said = entries([look(OUTPUT, 1.0)])
    assert [one.state for one in standing(said, [OUTPUT, signal])] == [LoopState.PASSED, LoopState.NOT_CHECKED]


def test_an_entry_that_was_taken_back_does_not_count() -> None:
    said = entries([look(OUTPUT, 1.0)])
    back = changed(said[0], seq=2, what={}, corrects=1, reason="the wrong plant")
    (one,) = standing(in_force([*said, back]).holding, [OUTPUT])
    assert one.state is LoopState.NOT_CHECKED


def test_failed_ones_stand_first() -> None:
    said = entries([look(MASS, 0.0), look(MASS, 20.0), look(CONTACT, 1.0, passed=False)])
    ordered = failed_first(standing(said, [MASS, OUTPUT, CONTACT]))
    assert [one.loop.name for one in ordered] == ["feeder_remote", "feed_run", "hopper_mass"]


@given(
    st.lists(
        st.builds(
            lambda expected_si, passed, meaning: look(MASS, expected_si, passed=passed, meaning=meaning),
            st.floats(0.0, 300.0), st.booleans(), st.sampled_from(["m0", "m1"]),
        ),
        max_size=8,
    )
)  # fmt: skip
def test_none_passes_without_two_good_looks_at_the_end(looks: list[Look]) -> None:
    (one,) = standing(entries(looks), [MASS])
    mine = [found for found in looks if found.meaning == "m1"]
    if one.state is LoopState.PASSED:
        assert all(found.passed and found.meaning == "m1" for found in one.looks)
        assert len(one.looks) >= 2
        assert mine[-1].passed
        assert not one.missing
    elif mine and not mine[-1].passed:
        assert one.state is LoopState.FAILED
    else:
        assert one.missing
