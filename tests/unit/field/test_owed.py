"""What an endpoint may still owe, and the ids by which its replies are told."""

import struct
from itertools import pairwise

import pytest

from crumbmeter.field.owed import Owed
from crumbmeter.field.replies import expect

CONTENT = bytes((3, 0, 7, 0, 2))
LOOK = expect(0, 1, CONTENT).look
OTHER_LOOK = expect(0, 1, bytes((3, 0, 7, 0, 3))).look
NEVER_S = float("-inf")


def test_every_id_comes_before_one_comes_again_and_none_is_zero() -> None:
    owed = Owed(40_000)
    ids = [owed.next_transaction() for _ in range(65_535)]
    assert sorted(ids) == list(range(1, 65_536))
    assert min(abs(a - b) for a, b in pairwise(ids)) > 1_000


@pytest.mark.parametrize("in_doubt", [True, False])
def test_what_was_answered_is_owed_again_after_a_doubt_alone(in_doubt: bool) -> None:
    owed = Owed()
    owed.note_answered(LOOK, CONTENT, 5.0)
    assert owed.may_ask(LOOK, b"another", 5.5, 2.0)
    owed.end_connection(in_doubt=in_doubt)
    assert owed.may_ask(LOOK, b"another", 5.5, 2.0) is not in_doubt
    assert owed.may_ask(LOOK, CONTENT, 5.6, 2.0)
    assert owed.may_ask(LOOK, b"another", 7.0, 2.0)
    owed.forget()
    owed.end_connection(in_doubt=True)
    assert not owed, "of an earlier connection nothing is left to be owed"


def test_an_earlier_time_does_not_take_the_place_of_a_later_one() -> None:
    owed = Owed()
    owed.note_answered(LOOK, CONTENT, 5.0)
    owed.note(LOOK, CONTENT, 6.0)
    owed.end_connection(in_doubt=True)
    assert owed.latest_other_s(LOOK, b"another") == 6.0


def test_so_many_answers_are_kept_in_mind_and_no_more() -> None:
    owed = Owed()
    for address in range(1_000):
        owed.note_answered(LOOK, struct.pack(">BHH", 3, address, 2), float(address))
    owed.end_connection(in_doubt=True)
    assert sum(len(asked) for asked in owed._asked.values()) == 256
    assert owed.latest_other_s(LOOK, b"another") == 999.0


def test_only_another_request_of_the_same_look_is_in_the_way() -> None:
    owed = Owed()
    assert not owed
    owed.note(LOOK, b"one", 1.0)
    owed.note(LOOK, b"two", 2.0)
    assert owed
    assert owed.latest_other_s(LOOK, b"two") == 1.0
    assert owed.latest_other_s(LOOK, b"three") == 2.0
    assert owed.latest_other_s(OTHER_LOOK, b"three") == NEVER_S
    owed.note_only(LOOK, b"one", 3.0)
    assert owed.latest_other_s(LOOK, b"one") == NEVER_S


def test_who_was_refused_first_comes_next() -> None:
    owed = Owed()
    owed.note(LOOK, b"dead", 9.0)
    assert not owed.may_ask(LOOK, b"first", 9.1, 2.0)
    assert owed.may_ask(LOOK, b"dead", 9.2, 2.0), "the very same may be asked again at once, once"
    owed.note(LOOK, b"dead", 10.0)
    assert owed.may_ask(LOOK, b"dead", 10.5, 2.0), "nobody waits yet"
    assert not owed.may_ask(LOOK, b"first", 11.9, 2.0)
    assert not owed.may_ask(LOOK, b"second", 11.9, 2.0)
    assert not owed.may_ask(LOOK, b"dead", 11.9, 2.0), "or the others would never have their turn"
    assert owed.may_ask(OTHER_LOOK, b"other", 11.9, 2.0)
    assert not owed.may_ask(LOOK, b"second", 12.0, 2.0)
    assert owed.may_ask(LOOK, b"first", 12.0, 2.0)
    assert owed.may_ask(LOOK, b"second", 12.0, 2.0)


def test_a_turn_is_not_kept_for_ever() -> None:
    owed = Owed()
    owed.note(LOOK, b"dead", 9.5)
    owed.note(LOOK, b"dead", 10.0)
    assert not owed.may_ask(LOOK, b"once", 11.0, 2.0)
    assert not owed.may_ask(LOOK, b"dead", 14.0, 2.0)
    assert owed.may_ask(LOOK, b"dead", 14.01, 2.0)


def test_what_does_not_come_any_more_is_forgotten() -> None:
    owed = Owed()
    owed.note(LOOK, b"one", 1.0)
    owed.note(OTHER_LOOK, b"two", 2.0)
    owed.forget_before(1.0)
    assert owed.latest_other_s(LOOK, b"x") == 1.0
    owed.forget_before(1.5)
    assert (owed.latest_other_s(LOOK, b"x"), owed.latest_other_s(OTHER_LOOK, b"x")) == (NEVER_S, 2.0)
    owed.forget()
    assert not owed
