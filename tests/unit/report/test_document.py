"""The document model: what it refuses, and that its checksum is that of its content and of nothing else."""

import json
from dataclasses import replace
from hashlib import sha256

import pytest

from crumbmeter.report.document import Column, Fact, Table, checksum, content, content_bytes, number
from tests.unit.report.sample_documents import document, empty


def test_a_row_that_does_not_fit_its_columns_is_refused() -> None:
    with pytest.raises(ValueError, match="2 values for 1 columns"):
        Table("t", (Column("a"),), [(1, 2)])


def test_the_checksum_is_that_of_the_json_file() -> None:
    one = document()
    assert checksum(one) == sha256(content_bytes(one)).hexdigest()
    assert json.loads(content_bytes(one)) == content(one)


def test_looks_do_not_change_the_checksum_and_content_does() -> None:
    one = document()
    assert checksum(replace(one, metric=False, wide=True)) == checksum(one)
    changed = [replace(one, period_text="x"), replace(one, marks=()), replace(one, blocks=one.blocks[:-1])]
    assert len({checksum(each) for each in (one, *changed)}) == 4


def test_content_is_rounded_as_it_is_shown_and_missing_stays_missing() -> None:
    table = content(document())["blocks"][1]
    assert [row[2] for row in table["rows"]] == [4.6, 5.6, 6.6]
    assert table["rows"][1][4] is None
    assert table["rows"][0][1] == "2026-06-01T06:00:00-06:00"
    assert content(empty())["blocks"] == []


def test_headings_name_the_unit() -> None:
    assert number("mix", "short_ton", 1).heading == "mix [short_ton]"
    assert Fact("mix", 2.5, "short_ton", 0).text == "2 short ton"
    assert Fact("mix", None, "short_ton", 0).text == ""
