"""The socket's protocol: whatever comes in is a request or a reason, and nothing else."""

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from crumbmeter.model.commands import CommandKind
from crumbmeter.model.events import event
from crumbmeter.outward.lines import Ask, Request, RequestError, answer, outcome_body, parse_request

json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=10,
)
keys = st.sampled_from(["kind", "who", "subject", "value", "id", "expires_in_s", "wait_s", "tag"])


def parsed(line: bytes) -> Request | RequestError:
    try:
        return parse_request(line)
    except RequestError as refused:
        return refused


@given(line=st.binary() | json_values.map(lambda value: json.dumps(value).encode()))
def test_any_bytes_are_a_request_or_a_reason(line: bytes) -> None:
    found = parsed(line)
    assert isinstance(found, Request) or str(found)


@given(body=st.dictionaries(keys, json_values), kind=st.sampled_from([*CommandKind, "nonsense"]))
def test_any_command_is_whole_or_refused(body: dict[str, Any], kind: str) -> None:
    found = parsed(json.dumps({"who": "x", **body, "ask": "command", "kind": kind}).encode())
    if isinstance(found, Request):
        assert found.command is not None
        command = found.command.command("c", found.command.who, 100.0)
        assert 100.0 <= command.expires_s <= 160.0
        assert command.value == command.value
        assert command.who.strip()


def test_defaults() -> None:
    request = parse_request(b'{"ask":"command","kind":"stop feed","who":"pat"}')
    assert request.ask is Ask.COMMAND
    assert request.command is not None
    assert (request.command.expires_in_s, request.command.wait_s, request.command.command_id) == (10.0, 0.0, "")


@pytest.mark.parametrize("value", ["1e400", "-1e400", "NaN", "true", '"5"', "9" * 400])
def test_numbers_that_are_none(value: str) -> None:
    line = f'{{"ask":"command","kind":"set moisture","subject":"s","who":"pat","value":{value}}}'
    assert isinstance(parsed(line.encode()), RequestError)


def test_answer_is_one_line_and_bears_the_tag() -> None:
    line = answer("settings", "t", {"title": "two\nlines", "share": 0.5})
    assert line.count(b"\n") == 1
    assert json.loads(line) == {"answer": "settings", "tag": "t", "title": "two\nlines", "share": 0.5}


def test_outcome() -> None:
    assert outcome_body(None) is None
    happened = event("moisture_entered", fraction=float("inf"), who="x")
    assert outcome_body(happened) == {"name": "moisture_entered", "detail": {"fraction": None, "who": "x"}}
