"""Sessions: known by a hash, ended by time, by disuse, by a change of the person; a token is of one session alone."""

import pytest

from crumbmeter.web.sessions import IDLE_S, MOST_OF_ONE, MOST_SESSIONS, Session, Sessions

LONGEST_S = 12 * 3600.0


class Made:
    def __init__(self) -> None:
        self.ended: list[tuple[str, str]] = []
        self.sessions = Sessions(LONGEST_S, lambda session, why: self.ended.append((session.name, why)))


@pytest.fixture
def made() -> Made:
    return Made()


def test_the_id_is_long_random_and_nowhere_in_memory(made: Made) -> None:
    session_id, session = made.sessions.begin("ana", 0.0)
    assert len(session_id) >= 43  # 256 bits in base64
    assert made.sessions.find(session_id, 1.0) is session
    held = repr(made.sessions._sessions) + repr(session)
    assert session_id not in held
    assert made.sessions.begin("ana", 0.0)[0] != session_id


@pytest.mark.parametrize("wrong", [None, "", "x", "ü\udcff", "0" * 43])
def test_what_is_no_id_finds_nothing(made: Made, wrong: str | None) -> None:
    made.sessions.begin("ana", 0.0)
    assert made.sessions.find(wrong, 1.0) is None


def test_it_ends_when_its_time_is_over_though_it_is_used(made: Made) -> None:
    session_id, session = made.sessions.begin("ana", 0.0)
    for minute in range(0, 720, 10):
        assert made.sessions.find(session_id, minute * 60.0) is session
    assert made.sessions.left_s(session, LONGEST_S - 5.0) == 5.0
    assert made.sessions.find(session_id, LONGEST_S) is None
    assert made.ended == [("ana", "its time is over")]
    assert session.over


def test_it_ends_when_it_is_not_used_unless_a_page_is_open(made: Made) -> None:
    used_id, used = made.sessions.begin("ana", 0.0)
    made.sessions.begin("ben", 0.0)
    used.streams = 1
    made.sessions.sweep(IDLE_S + 1.0)
    assert made.ended == [("ben", "not used")]
    used.streams = 0
    made.sessions.sweep(2 * IDLE_S)
    assert made.sessions.find(used_id, 2 * IDLE_S) is used
    assert made.sessions.find(used_id, 4 * IDLE_S) is None


def test_all_of_one_person_end_but_the_one_that_made_the_change(made: Made) -> None:
    _, mine = made.sessions.begin("ana", 0.0)
    made.sessions.begin("ana", 0.0)
    made.sessions.begin("ben", 0.0)
    made.sessions.end_all_of("ana", "another password", but=mine)
    assert made.ended == [("ana", "another password")]
    made.sessions.end_all_of("ana", "removed")
    assert len(made.sessions) == 1


def test_an_end_is_told_once(made: Made) -> None:
    _, session = made.sessions.begin("ana", 0.0)
    made.sessions.end(session, "logged out")
    made.sessions.end(session, "again")
    assert made.ended == [("ana", "logged out")]


def test_their_number_is_bounded_and_the_oldest_gives_way(made: Made) -> None:
    first: Session | None = None
    for _ in range(MOST_OF_ONE + 1):
        _, session = made.sessions.begin("ana", 0.0)
        first = first or session
    assert len(made.sessions) == MOST_OF_ONE
    assert first is not None
    assert first.over
    for number in range(MOST_SESSIONS):
        made.sessions.begin(f"name{number}", 0.0)
    assert len(made.sessions) == MOST_SESSIONS


def test_a_token_is_of_one_session_and_of_one_run(made: Made) -> None:
    _, mine = made.sessions.begin("ana", 0.0)
    _, other = made.sessions.begin("ana", 0.0)
    token = made.sessions.token(mine)
    assert made.sessions.token_is_right(mine, token)
    assert not made.sessions.token_is_right(other, token)
    assert not made.sessions.token_is_right(mine, None)
    assert not made.sessions.token_is_right(mine, "")
    assert not made.sessions.token_is_right(mine, "\xfc" + token[1:])
    assert Sessions(LONGEST_S, lambda *_: None).token(mine) != token
