"""Timings in the quality record: written, read back, and refused where they are none."""

import pytest

from crumbmeter.journal.chain import canonical_json
from crumbmeter.model.frozen import replace
from crumbmeter.qc.said import Said, Subject
from crumbmeter.qc.timing import Basis, Curve, Figure, Timing, TimingRefusedError, newest, read, said_of, what

FIGURE = Figure("auger to injection point", Basis.IDENTIFIED, 5.0, 4.7, 5.4, 3.9, "line.travel_s", "ramp")
CURVE = Curve("fed", "pressure", (0.0, 0.2), (0.0, 100.0), (None, 99.9), (0.0, 98.7), 0.1, 5.0)
TIMING = Timing("line", (FIGURE,), CURVE, ("start at 259 s",), "boot", "site", 0.0, 1300.0, 95.0, True, 17, "ada")


def test_it_is_read_back_as_it_was_written() -> None:
    said = said_of(TIMING)
    assert canonical_json(what(TIMING))  # it has a form that the record takes
    assert read(said) == TIMING
    assert said.subject is Subject.TIMING


def test_the_site_file_agrees_where_its_figure_lies_in_the_interval() -> None:
    assert FIGURE.agrees is False
    assert replace(FIGURE, in_force_s=4.7).agrees is True
    assert replace(FIGURE, in_force_s=None).agrees is None
    assert replace(FIGURE, basis=Basis.ASSUMED, in_force_s=4.7).agrees is None


def test_the_newest_of_each_thing_holds() -> None:
    again = replace(TIMING, figures=(replace(FIGURE, value_s=6.0),))
    drum = replace(TIMING, about="drum", curve=None)
    found = newest([said_of(TIMING), said_of(drum), said_of(again), Said(Subject.LOT, "1", {}, "x", 1)])
    assert [(one.about, one.figures[0].value_s) for one in found] == [("line", 6.0), ("drum", 5.0)]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"figures": None}, "TypeError"),
        ({"figures": [{**what(TIMING)["figures"][0], "basis": "guessed"}]}, "guessed"),
        ({"figures": [{**what(TIMING)["figures"][0], "value_s": "NaN"}]}, "finite"),
        ({"curve": {**what(TIMING)["curve"], "at_s": [0.0]}}, "different lengths"),
        ({"boot_id": ...}, "boot_id"),
    ],
)
def test_what_is_none_is_refused(change: dict[str, object], words: str) -> None:
    content = {key: value for key, value in (what(TIMING) | change).items() if value is not ...}
    with pytest.raises(TimingRefusedError, match=words):
        read(Said(Subject.TIMING, "line", content, "ada", 1, seq=7))


def test_another_subject_is_refused() -> None:
    with pytest.raises(TimingRefusedError, match="about a lot"):
        read(Said(Subject.LOT, "1", {}, "ada", 1))
