"""Whatever is set in a site file, exactly that differs afterwards; every other line is the same byte for byte."""

import tomllib
from collections.abc import Iterator
from copy import deepcopy
from typing import Any

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from crumbmeter.site.editing import EditRefusedError, Path, with_values
from crumbmeter.site.lines import key_lines
from tests.architecture.sources import ROOT
from tests.property.test_site_lines import Writer, documents

FILES = sorted([*(ROOT / "config/sites").glob("*.toml"), *(ROOT / "config/devices").glob("*.toml")])
TEXTS = {path.name: path.read_text("utf-8") for path in FILES}
VALUES = st.one_of(
    st.integers(-(10**9), 10**9),
    st.floats(allow_nan=False, allow_infinity=False),
    st.booleans(),
    st.text("ab #[]{}=,.\\\"'\té\n", max_size=12),
    st.lists(st.integers(0, 9), max_size=4),
)


def leaves(data: dict[str, Any], path: Path = ()) -> Iterator[Path]:
    for key, value in data.items():
        if isinstance(value, dict):
            yield from leaves(value, (*path, key))
        else:
            yield (*path, key)


def with_change(data: dict[str, Any], path: Path, value: object) -> dict[str, Any]:
    changed = deepcopy(data)
    here = changed
    for part in path[:-1]:
        here = here[part]
    here[path[-1]] = value
    return changed


@settings(max_examples=40, deadline=None)
@given(st.data())
def test_exactly_the_keys_asked_for_are_different(data: st.DataObject) -> None:
    text = TEXTS[data.draw(st.sampled_from(sorted(TEXTS)))]
    before = tomllib.loads(text)
    lines = key_lines(text)
    keys = data.draw(st.lists(st.sampled_from(list(leaves(before))), min_size=1, max_size=3, unique=True))
    new = {path: data.draw(VALUES) for path in keys}
    after = with_values(text, new)
    wanted = before
    for path, value in new.items():
        wanted = with_change(wanted, path, value)
    assert tomllib.loads(after) == wanted
    touched = {lines[path] for path in keys}
    old, now = text.splitlines(), after.splitlines()
    if len(old) == len(now):  # none of the keys held an array over several lines
        assert [row for n, row in enumerate(now, 1) if n not in touched] == [
            row for n, row in enumerate(old, 1) if n not in touched
        ]


@settings(max_examples=40, deadline=None)
@given(st.data())
def test_a_missing_key_adds_one_line_and_moves_nothing(data: st.DataObject) -> None:
    text = TEXTS[data.draw(st.sampled_from(sorted(TEXTS)))]
    before = tomllib.loads(text)
    table = data.draw(st.sampled_from(sorted({path[:-1] for path in leaves(before)})))
    value = data.draw(VALUES)
    after = with_values(text, {(*table, "a_new_key"): value})
    assert tomllib.loads(after) == with_change(before, (*table, "a_new_key"), value)
    new = [row for row in after.splitlines() if "a_new_key" in row]
    assert len(new) == 1
    if "{" not in new[0]:
        assert [row for row in after.splitlines() if row not in new] == text.splitlines()


@settings(deadline=None)
@given(documents(), st.data())
def test_whatever_the_file_looks_like_it_is_edited_rightly_or_refused(writer: Writer, data: st.DataObject) -> None:
    before = tomllib.loads(writer.text)
    paths = list(leaves(before))
    assume(paths)
    path = data.draw(st.sampled_from(paths))
    value = data.draw(VALUES)
    try:
        after = with_values(writer.text, {path: value})
    except EditRefusedError:
        return
    assert tomllib.loads(after) == with_change(before, path, value)


@pytest.mark.parametrize("name", ["demo_feeder.toml", "small_drum.toml"])
def test_setting_every_key_to_what_it_is_changes_no_byte(name: str) -> None:
    text = TEXTS[name]
    flat = tomllib.loads(text)
    same: dict[Path, Any] = {}
    for path in leaves(flat):
        value: Any = flat
        for part in path:
            value = value[part]
        if isinstance(value, str | int | bool):
            same[path] = value
    assert with_values(text, same) == text
