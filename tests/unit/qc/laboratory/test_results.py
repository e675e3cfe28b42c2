"""Samples and results: entries there and back, refusals in words, the way to the sublot, and careful trends."""

from collections.abc import Mapping
from typing import Any

import pytest

from crumbmeter.model.frozen import replace
from crumbmeter.qc.laboratory.results import (
    MAIN_FIGURE,
    EntryRefusedError,
    Result,
    Sample,
    Test,
    Ways,
    known_figure,
    read_result,
    read_sample,
    result_what,
    sample_what,
    tie,
)
from crumbmeter.qc.laboratory.trend import Pair, trend
from crumbmeter.qc.said import Said, Subject

SAMPLE = Sample("S-7", 1_000_000, "A. Person, QC (invented)", "surface", ticket="T1001", note="from the truck")
RESULT = Result(
    "R-7", "S-7", Test.HAMBURG, "AASHTO T 324; phase tangents", {"final_rut_mm": 2.6, "last_passes": 20_000.0},
    2_000_000, "laboratory (invented)",
)  # fmt: skip


def sample_said(what: Mapping[str, Any]) -> Said:
    return Said(Subject.SAMPLE, "S-7", what, SAMPLE.who, SAMPLE.taken_us)


def result_said(what: Mapping[str, Any]) -> Said:
    return Said(Subject.RESULT, "R-7", what, RESULT.who, RESULT.tested_us)


def test_a_sample_goes_there_and_back() -> None:
    assert read_sample(sample_said(sample_what(SAMPLE))) == SAMPLE


def test_a_result_goes_there_and_back() -> None:
    assert read_result(result_said(result_what(RESULT))) == RESULT
    noted = Result("R-7", "S-7", Test.GRADATION, "washed", {"passing_4.75mm_percent": 61.0}, 2_000_000,
                   RESULT.who, complete=False, note="one sieve torn")  # fmt: skip
    assert read_result(result_said(result_what(noted))) == noted


@pytest.mark.parametrize(
    ("what", "words"),
    [
        ({"parcle": 3}, "unknown key 'parcle'"),
        ({"parcel": 3.5}, "no parcel's number"),
        ({"parcel": True}, "no parcel's number"),
        ({"mix_kg": "much"}, "mix_kg is 'much'"),
        ({"parcel": 3, "ticket": "T1"}, "ticket and parcel; keep one"),
    ],
)
def test_a_wrong_sample_is_refused_in_words(what: Mapping[str, Any], words: str) -> None:
    with pytest.raises(EntryRefusedError, match=words):
        read_sample(sample_said(what))


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"test": "marshall"}, "test 'marshall' is not one of hamburg"),
        ({"method": ""}, "method is missing"),
        ({"sample_id": ""}, "sample_id is missing"),
        ({"figures": {}}, "figures are missing"),
        ({"figures": {"final_rut_mm": float("inf")}}, "must be a finite number"),
        ({"figures": {"final_rut_in": 0.1}}, "no figure of hamburg"),
        ({"test": "gradation"}, "no figure of gradation \\(sieves\\)"),
        ({"colour": "black"}, "unknown key 'colour'"),
    ],
)
def test_a_wrong_result_is_refused_in_words(change: Mapping[str, Any], words: str) -> None:
    with pytest.raises(EntryRefusedError, match=words):
        read_result(result_said({**result_what(RESULT), **change}))


def test_an_entry_about_something_else_is_refused() -> None:
    with pytest.raises(EntryRefusedError, match="about a result, not a sample"):
        read_sample(result_said(result_what(RESULT)))


def test_every_main_figure_is_one_of_its_test() -> None:
    assert all(known_figure(test, key) for test, key in MAIN_FIGURE.items())


SUBLOTS = {1: "L1/1", 2: "L1/1", 3: "L1/2"}
ANYTHING: dict[str, Any] = {"sample_id": "S", "taken_us": 0, "who": "x"}
WAYS = Ways(
    parcels_of_ticket=lambda ticket: {"T1001": (1, 2), "T1002": (1, 2, 3)}.get(ticket, ()),
    parcel_at=lambda at_us: 3 if at_us == 5 else None,
    parcel_behind=lambda mix_kg, at_us: 2 if mix_kg < 500.0 else None,
    sublot_of=SUBLOTS.get,
)


@pytest.mark.parametrize(
    ("place", "by", "parcels", "sublots", "doubt"),
    [
        ({"ticket": "T1001"}, "ticket", (1, 2), ("L1/1",), ""),
        ({"ticket": "T1002"}, "ticket", (1, 2, 3), ("L1/1", "L1/2"), "in 2 sublots"),
        ({"ticket": "T9"}, "ticket", (), (), "no mix is known by its ticket"),
        ({"parcel": 3}, "parcel", (3,), ("L1/2",), ""),
        ({"parcel": 9}, "parcel", (9,), (), "belongs to no sublot"),
        ({"mix_kg": 400.0}, "mass", (2,), ("L1/1",), ""),
        ({"mix_kg": 900.0}, "mass", (), (), "no mix is known"),
        ({"taken_us": 5}, "time", (3,), ("L1/2",), "by time alone"),
        ({"taken_us": 6}, "time", (), (), "no mix is known"),
    ],
)
def test_a_sample_reaches_its_sublot(
    place: dict[str, Any], by: str, parcels: tuple[int, ...], sublots: tuple[str, ...], doubt: str
) -> None:
    found = tie(Sample(**(ANYTHING | place)), WAYS)
    assert (found.by, found.parcels, found.sublots) == (by, parcels, sublots)
    assert doubt in found.doubt if doubt else not found.doubt


def pairs(*figures: float) -> list[Pair]:
    return [Pair(str(i), 0.4 + 0.02 * i, figure) for i, figure in enumerate(figures)]


def test_of_few_pairs_nothing_is_concluded() -> None:
    found = trend(pairs(1.0, 2.0, 3.0, 4.0))
    assert found.count == 4
    assert found.r == pytest.approx(1.0)
    assert found.r_low is None
    assert found.words == "no conclusion: 4 pairs, 5 are needed"
    assert trend([]).r is None


def test_a_side_that_does_not_vary_has_no_correlation() -> None:
    assert trend(pairs(*[5.0] * 8)).r is None


def test_a_clear_trend_is_named_with_its_interval() -> None:
    falls = trend(pairs(9.0, 8.2, 7.1, 6.3, 4.9, 4.2, 3.0))
    assert falls.r_high is not None
    assert falls.r_low is not None
    assert -1.0 < falls.r_low < falls.r_high < 0.0
    assert falls.words.startswith("the figure falls with the dose")
    rises = trend([replace(one, figure=-one.figure) for one in falls.pairs])
    assert rises.words.startswith("the figure rises")


def test_pairs_on_one_line_are_said_to_be() -> None:
    found = trend([Pair(str(i), float(i), 2.0 * i) for i in range(6)])
    assert found.words == "all 6 pairs lie on one line"
