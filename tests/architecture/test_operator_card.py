"""The operator's card quotes the page: what it says the page says, the page says; and it fits on one sheet."""

import re
from pathlib import Path

from crumbmeter.alarms.catalogue import CATALOGUE

ROOT = Path(__file__).parents[2]
CARD = (ROOT / "docs" / "operator-card.md").read_text("utf-8")
ROWS_OF_A_SHEET = 60
"""Printed at ten points with tables, a sheet takes about so many."""


def test_quoted_alarms_are_those_of_the_catalogue() -> None:
    table = CARD.split("| it says | do |")[1]
    quoted = re.findall(r"^\| ([^|]+?) \| ", table, re.MULTILINE)
    texts = {spec.text for spec in CATALOGUE}
    named = [quote for quote in quoted if quote != "---"]
    assert len(named) >= 5
    for quote in named:
        head = quote.split(" / ")[0]
        assert head in texts, quote


def test_it_is_one_sheet() -> None:
    assert len(CARD.splitlines()) <= ROWS_OF_A_SHEET
