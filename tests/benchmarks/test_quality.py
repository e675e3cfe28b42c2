"""The month of records in small: its sums agree, every reading works on it, and a target that is missed is told."""

from pathlib import Path
from typing import Any

import pytest

from crumbmeter.journal.reader import Reader
from crumbmeter.ledger import booked, quality
from crumbmeter.qc.said import Subject
from tests.benchmarks.made_month import make
from tests.benchmarks.quality import READINGS, judge, measure, words


@pytest.fixture(scope="module")
def figures() -> dict[str, Any]:
    return measure(quick=True)


def test_what_the_trucks_carried_is_what_the_parcels_hold(tmp_path: Path) -> None:
    made = make(tmp_path, 2, 0.5)
    with Reader(tmp_path / "journal.db") as reader:
        mix_g = [one.parcel.mix_g for one in booked.iterate(reader)]
    tickets = quality.read_all(tmp_path).of(Subject.TICKET)
    assert (len(mix_g), len(tickets)) == (made["parcels"], made["tickets"]) == (1200, 30)
    assert sum(one.what["net_g"] for one in tickets) == sum(mix_g)


def test_every_reading_is_timed_and_the_page_says_so(figures: dict[str, Any]) -> None:
    assert [one["what"] for one in figures["readings"]] == [one.what for one in READINGS]
    assert judge(figures).met
    assert all(any(one.what in line for line in words(figures)) for one in READINGS)


def test_a_reading_that_takes_too_long_is_not_met(figures: dict[str, Any]) -> None:
    first, *others = figures["readings"]
    slow = figures | {"readings": [first | {"slowest_s": 60.1}, *others]}
    assert not judge(slow).met
