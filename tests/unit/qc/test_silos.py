"""Which silo a parcel goes into: small cases reckoned by hand."""

from collections.abc import Mapping

import pytest

from crumbmeter.qc.portions import cut, of_parcel, shared_out
from crumbmeter.qc.said import Said, Subject
from crumbmeter.qc.silos import Silo, SiloEntry, SilosRefusedError, SiloWord, fill, read, silo_entries, what
from tests.unit.qc.loads import SECOND_US, booked

NORTH = Silo("north", 50_000, 1000, travel_s=30.0, diverter_code=1)
SOUTH = Silo("south", 50_000, 1000, travel_s=50.0, diverter_code=2)


def test_three_seats_by_largest_remainder() -> None:
    # 10 * 41/100 = 4.1, 10 * 33/100 = 3.3, 10 * 26/100 = 2.6: the last gram goes to the third.
    assert shared_out(10, (41, 33, 26)) == (4, 3, 3)
    assert shared_out(0, (0, 0)) == (0, 0)
    with pytest.raises(ValueError, match="cannot be shared out"):
        shared_out(1, (0, 0))


def test_more_than_there_is_cannot_be_cut_off() -> None:
    with pytest.raises(ValueError, match="1001 g cannot be cut off 1000 g"):
        cut(of_parcel(booked(1), 0), 1001)


def test_a_change_within_a_parcel_splits_it_where_it_passes_the_diverter() -> None:
    # It leaves the drum from 100 s to 110 s, and passes the diverter from 130 s to 140 s; the change is at 134 s.
    filled = fill([booked(10, 1001, 11)], [(0, 1), (134 * SECOND_US, 2)], [NORTH, SOUTH])
    (before,), (behind,) = filled.into["north"], filled.into["south"]
    assert (before.mix_g, behind.mix_g) == (400, 601)
    assert before.masses + behind.masses == of_parcel(booked(10, 1001, 11), 0).masses
    assert (before.arrived_us, behind.arrived_us) == (130 * SECOND_US, 154 * SECOND_US)  # 20 s longer to the south


def test_while_the_position_is_not_known_it_is_possibly_in_any() -> None:
    diverter = [(0, 1), (45 * SECOND_US, None), (55 * SECOND_US, 1)]
    filled = fill([booked(1, 1000)], diverter, [NORTH, SOUTH])  # passes from 40 s to 50 s
    assert [one.mix_g for one in filled.into["north"]] == [500]
    assert [one.mix_g for one in filled.anywhere] == [500]


def test_people_may_say_which_silo_is_filled() -> None:
    entries = [SiloEntry("south", 0, SiloWord.FILLING)]
    assert [one.seq for one in fill([booked(1)], (), [NORTH, SOUTH], entries).into["south"]] == [3]
    assert fill([booked(1)], (), [NORTH, SOUTH]).anywhere
    assert fill([booked(1)], (), [NORTH]).into["north"]
    assert fill([booked(1)], (), []).into[""]


def test_a_conveyor_that_moves_with_the_mix_holds_back_what_nothing_pushes() -> None:
    silos = [Silo("one", 50_000, 0, travel_g=1500)]
    filled = fill([booked(1, 1000), booked(2, 1000, began_s=100.0)], (), silos)
    # 1500 g must follow: the first 500 g come over while the last 500 g of parcel 2 leave, from 105 s to 110 s.
    assert [(one.seq, one.mix_g, one.arrived_us) for one in filled.into["one"]] == [(3, 500, 105 * SECOND_US)]
    assert [(one.seq, one.mix_g) for one in filled.on_the_way] == [(3, 500), (6, 1000)]


@pytest.mark.parametrize(
    ("silos", "why"),
    [
        ([NORTH, NORTH], "silo_id north stands twice"),
        ([NORTH, Silo("b", 1, 1, diverter_code=1)], "diverter_code 1 stands twice"),
        ([NORTH, Silo("b", 1, 1, travel_g=5)], "travel_g"),
        ([Silo("b", 1, -1)], "below 0"),
    ],
)
def test_silos_that_contradict_each_other_are_refused(silos: list[Silo], why: str) -> None:
    with pytest.raises(SilosRefusedError, match=why):
        fill([], (), silos)


def said(about: str, content: Mapping[str, object], at_us: int = 5, seq: int = 1) -> Said:
    return Said(Subject.SILO, about, content, "QC", at_us, seq)


def test_entries_are_read_and_turned_back() -> None:
    for content in (
        {"word": "emptied"},
        {"word": "filling"},
        {"word": "content", "mass_g": 30_000_000, "within_g": 2_000_000},
        {"word": "withdrawn", "mass_g": 1},
    ):
        assert what(read(said("north", content))) == content
    found = silo_entries([said("b", {"word": "emptied"}, 9), said("a", {"word": "emptied"}, 3)])
    assert [one.silo_id for one in found] == ["a", "b"]
    with pytest.raises(SilosRefusedError, match=r"entry 1 about silo a: word is 'full'; expected one of"):
        read(said("a", {"word": "full"}))
    with pytest.raises(SilosRefusedError, match="mass_g is None; expected a whole number"):
        read(said("a", {"word": "content"}))
