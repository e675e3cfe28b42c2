"""What an endpoint may still owe, and the ids by which its replies are told."""

from itertools import pairwise

from crumbmeter.field.owed import Owed
from crumbmeter.field.replies import expect

LOOK = expect(0, 1, bytes((3, 0, 7, 0, 2))).look
OTHER_LOOK = expect(0, 1, bytes((3, 0, 7, 0, 3))).look
NEVER_S = float("-inf")


def test_every_id_comes_before_one_comes_again_and_none_is_zero() -> None:
    owed = Owed(40_000)
    ids = [owed.next_transaction() for _ in range(65_535)]
    assert sorted(ids) == list(range(1, 65_536))
    assert min(abs(a - b) for a, b in pairwise(ids)) > 1_000


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
    owed.note(LOOK, b"dead", 10.0)
    assert owed.may_ask(LOOK, b"dead", 10.5, 2.0), "the very same may be asked again"
    assert not owed.may_ask(LOOK, b"first", 11.9, 2.0)
    assert not owed.may_ask(LOOK, b"second", 11.9, 2.0)
    assert not owed.may_ask(LOOK, b"dead", 11.9, 2.0), "or the others would never have their turn"
    assert owed.may_ask(OTHER_LOOK, b"other", 11.9, 2.0)
    assert not owed.may_ask(LOOK, b"second", 12.0, 2.0)
    assert owed.may_ask(LOOK, b"first", 12.0, 2.0)
    assert owed.may_ask(LOOK, b"second", 12.0, 2.0)


def test_a_turn_is_not_kept_for_ever() -> None:
    owed = Owed()
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
