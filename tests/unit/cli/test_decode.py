"""`crumbmeter decode` shows register words in every way, as a table and as JSON, and refuses what is no word."""

import json

import pytest
from typer.testing import CliRunner

from crumbmeter.cli.commands import app


def run(*words: str) -> tuple[int, str, str]:
    result = CliRunner().invoke(app, ["decode", *words])
    return result.exit_code, result.stdout, result.stderr


def test_the_table_has_raw_words_and_every_view() -> None:
    code, out, _ = run("0x4049", "0x0FDB")
    assert code == 0
    lines = [line.split() for line in out.splitlines()]
    assert out.startswith("Words 0x4049 0x0FDB, as they came over the wire\n")
    assert ["f32", "ABCD", "3.14159274"] in lines
    assert ["u32", "CDAB", str(0x0FDB4049)] in lines
    assert ["f32", "CDAB", "2.1619829e-29"] in lines
    assert max(map(len, out.splitlines())) <= 100


def test_decimal_words_and_texts() -> None:
    code, out, _ = run("21315", "0x2D37")
    assert code == 0
    assert '"SC-7"' in out
    assert "Words 0x5343 0x2D37" in out


def test_json_is_strict_and_whole() -> None:
    code, out, _ = run("0x7FC0", "0", "--json")
    assert code == 0
    body = json.loads(out)
    assert body["words"] == [0x7FC0, 0]
    assert body["hex"] == ["0x7FC0", "0x0000"]
    assert {"word_type": "f32", "order": "ABCD", "value": None, "reason": "not finite"} in body["views"]
    assert {"word_type": "u32", "order": "ABCD", "value": 0x7FC00000, "reason": "ok"} in body["views"]


@pytest.mark.parametrize("words", [("0x10000",), ("65536",), ("4049h",), ("1.5",), ("0x",), ("0b1",), ("1",) * 121])
def test_what_is_no_word_is_refused(words: tuple[str, ...]) -> None:
    code, out, error = run(*words)
    assert (code, out) == (2, "")
    assert "such as: crumbmeter decode 0x4049 0x0FDB" in error
