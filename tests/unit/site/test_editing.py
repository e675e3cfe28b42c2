"""Values are set in the text of a site file, and everything else in it stays as it was written."""

import tomllib

import pytest

from crumbmeter.site.editing import EditRefusedError, with_table, with_values

TEXT = """\
# A plant.
[site]
id = "plant"       # never change it
scan_period_s = 0.2   # s

[streams.rap]      # recycle
travel.belt_length_m = 14.0   # measured
travel.belt_speed = "speed"
tags = [
    1,  # one
    2,
]

# ---- Devices -----
[devices.scale]
host = "127.0.0.1"
security = { mode = "sign" }  # none yet
[devices.scale.registers.flow]
scale = 0.1
"""


def test_a_value_is_set_and_its_comment_stays_in_its_column() -> None:
    after = with_values(TEXT, {("site", "scan_period_s"): 0.25, ("streams", "rap", "travel", "belt_length_m"): 9.5})
    assert after == TEXT.replace("= 0.2   # s", "= 0.25  # s").replace("= 14.0   # m", "= 9.5    # m")


def test_a_comment_gives_way_to_a_longer_value() -> None:
    after = with_values(TEXT, {("site", "id"): "a much longer name"})
    assert 'id = "a much longer name" # never change it\n' in after


@pytest.mark.parametrize(
    ("path", "value", "line", "after"),
    [
        (("site", "title"), "Plant", 'title = "Plant"', "scan_period_s = 0.2   # s"),
        (("site", "simulated"), True, "simulated = true", "scan_period_s = 0.2   # s"),
        (("streams", "rap", "travel", "lag_s"), 1, "travel.lag_s = 1", 'travel.belt_speed = "speed"'),
        (("streams", "rap", "kind"), "recycle", 'kind = "recycle"', "]"),
        (("devices", "scale", "port"), 502, "port = 502", 'security = { mode = "sign" }  # none yet'),
        (("devices", "scale", "registers", "flow", "at"), (1, 2), "at = [1, 2]", "scale = 0.1"),
    ],
)
def test_a_missing_key_comes_last_in_its_table(path: tuple[str, ...], value: object, line: str, after: str) -> None:
    changed = with_values(TEXT, {path: value})  # type: ignore[dict-item]
    lines = changed.splitlines()
    assert lines[lines.index(line) - 1] == after
    assert [kept for kept in lines if kept != line] == TEXT.splitlines()


def test_keys_of_an_inline_table_and_arrays_are_set() -> None:
    after = with_values(TEXT, {("devices", "scale", "security", "mode"): "none", ("streams", "rap", "tags"): [3]})
    assert tomllib.loads(after)["devices"]["scale"]["security"] == {"mode": "none"}
    assert tomllib.loads(after)["streams"]["rap"]["tags"] == [3]
    added = with_values(TEXT, {("devices", "scale", "security", "user"): "desk"})
    assert tomllib.loads(added)["devices"]["scale"]["security"] == {"mode": "sign", "user": "desk"}


def test_a_table_written_in_two_places_takes_keys_in_the_right_one() -> None:
    text = "[a]\nx = 1\n[b]\n[a.c]\ny = 2\n"
    assert with_values(text, {("a", "x"): 3, ("a", "z"): 4, ("a", "c", "y"): 5}) == (
        "[a]\nx = 3\nz = 4\n[b]\n[a.c]\ny = 5\n"
    )


def test_line_ends_of_another_system_and_a_missing_last_one_are_kept() -> None:
    assert with_values("[a]\r\nx = 1\r\n", {("a", "y"): 2, ("a", "x"): 7}) == "[a]\r\nx = 7\r\ny = 2\r\n"
    assert with_values("[a]\nx = 1", {("a", "x"): 7}) == "[a]\nx = 7"
    assert with_values("[a]\nx = 1", {("a", "y"): 2}) == "[a]\nx = 1\ny = 2\n"
    assert with_values("x = 1\n", {("y",): 2}) == "x = 1\ny = 2\n"


@pytest.mark.parametrize(
    ("path", "said"),
    [
        (("steams", "rap", "kind"), r"steams\.rap\.kind: there is no table \[steams\]; did you mean streams\?"),
        (("devices", "feeder", "host"), r"there is no table \[devices\.feeder\]; have: scale"),
        (("devices", "scale", "registers", "new"), r"\[devices\.scale\.registers\] has no header of its own"),
        (("site", "id", "x"), r"site\.id is not a table that a key can be set in"),
        (("devices", "scale"), r"devices\.scale: is a table, not a value"),
    ],
)
def test_a_path_that_leads_nowhere_is_refused(path: tuple[str, ...], said: str) -> None:
    with pytest.raises(EditRefusedError, match=said):
        with_values(TEXT, {path: 1})


def test_a_broken_text_and_an_array_of_tables_are_refused() -> None:
    with pytest.raises(EditRefusedError, match="not valid TOML"):
        with_values("[a\n", {("a", "b"): 1})
    with pytest.raises(EditRefusedError, match="at is not a table that a key can be set in"):
        with_values("[[at]]\nx = 1\n", {("at", "x"): 2})


def test_a_new_table_comes_after_the_last_of_its_kind() -> None:
    after = with_table(TEXT, ("streams", "binder"), {"kind": "binder", "lag_s": 1.8}, comment="virgin")
    added = '\n[streams.binder]  # virgin\nkind = "binder"\nlag_s = 1.8\n'
    assert after == TEXT.replace("    2,\n]\n", "    2,\n]\n" + added)
    assert with_table(TEXT, ("drum",), {"turning": "t"}).endswith('scale = 0.1\n\n[drum]\nturning = "t"\n')
    assert with_table("", ("drum",), {"turning": "t"}) == '[drum]\nturning = "t"\n'
    with pytest.raises(EditRefusedError, match="stands in the file already"):
        with_table(TEXT, ("devices", "scale"), {})
