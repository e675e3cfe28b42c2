"""Tickets in force: each number once, and every contradiction told."""

import pytest

from crumbmeter.qc.said import Said, Subject, in_force
from crumbmeter.qc.tickets import NotATicketError, Ticket, read, tickets_in_force, what

WEEK_US = 7 * 86_400_000_000


def said(seq: int, number: str, content: dict[str, object], *, at_us: int = 100, corrects: int = 0) -> Said:
    return Said(Subject.TICKET, number, content, "scale house", at_us, seq, corrects=corrects)


def test_a_ticket_is_read_and_turned_back() -> None:
    content = {
        "net_g": 20_000_000, "silo_id": "north", "truck": "14", "mix_id": "surface", "project": "P1",
        "gross_g": 32_000_000, "tare_g": 12_000_000,
    }  # fmt: skip
    found = read(said(7, " A1 ", content))
    assert found == Ticket("A1", 100, 20_000_000, "north", "14", "surface", "P1", 32_000_000, 12_000_000, seq=7)
    assert what(found) == content
    assert what(read(said(8, "A2", {"void": True}))) == {"net_g": 0, "void": True}


@pytest.mark.parametrize(
    ("content", "why"),
    [
        ({}, "net_g is missing; expected a whole number of grams above 0"),
        ({"net_g": 0}, "net_g is 0"),
        ({"net_g": 1.5}, "net_g is 1.5"),
        ({"net_g": True}, "net_g is True"),
        ({"net_g": 5, "silo_id": 3}, "silo_id is 3; expected text"),
        ({"net_g": 5, "tare_g": -1}, "tare_g is -1"),
        ({"net_g": 5, "void": "yes"}, "void is 'yes'; expected true or false"),
    ],
)
def test_what_is_no_ticket_is_told_and_not_counted(content: dict[str, object], why: str) -> None:
    with pytest.raises(NotATicketError, match=why):
        read(said(1, "A", content))
    found = tickets_in_force([said(1, "A", content)])
    assert found.loads == ()
    assert why in str(found.doubts[0])


def test_a_number_is_needed() -> None:
    with pytest.raises(NotATicketError, match="no number"):
        read(said(1, "  ", {"net_g": 1}))


def test_a_correction_takes_the_place_and_a_void_carries_nothing() -> None:
    entries = [
        said(1, "A", {"net_g": 100}), said(2, "A", {"net_g": 120}, corrects=1), said(3, "B", {"net_g": 50}),
        said(4, "B", {"net_g": 50, "void": True}, corrects=3), said(5, "C", {"net_g": 9}), said(6, "C", {}, corrects=5),
    ]  # fmt: skip
    found = tickets_in_force(in_force(entries).holding)
    assert [(one.number, one.net_g) for one in found.loads] == [("A", 120)]
    assert [one.number for one in found.void] == ["B"]
    assert found.doubts == ()


def test_two_entries_of_one_number_count_once_and_are_told() -> None:
    entries = [
        said(1, "A", {"net_g": 100}), said(2, "A", {"net_g": 100}), said(3, "B", {"net_g": 100}),
        said(4, "B", {"net_g": 101}), said(5, "C", {"net_g": 7}), said(6, "C", {"net_g": 7}, at_us=101 + WEEK_US),
    ]  # fmt: skip
    found = tickets_in_force(entries)
    assert [(one.number, one.seq) for one in found.loads] == [("A", 1), ("B", 3), ("C", 5)]
    same, differing, apart = (str(doubt) for doubt in found.doubts)
    assert same == "ticket A (entry 1, 2): told twice with the same content; counted once. Take one back."
    assert "two entries differ (net_g 100 and 101); the first one counts" in differing
    assert "more than a week apart" in apart


def test_gross_less_tare_is_net_or_it_is_told() -> None:
    (doubt,) = tickets_in_force([said(1, "A", {"net_g": 10, "gross_g": 30, "tare_g": 21})]).doubts
    assert doubt.found == "gross 30 g less tare 21 g is not net 10 g; net counts"


def test_entries_of_other_subjects_are_left_alone_and_order_is_by_loading() -> None:
    entries = [
        Said(Subject.SILO, "north", {"word": "emptied"}, "QC", 1, 1),
        said(2, "B", {"net_g": 1}, at_us=200), said(3, "A", {"net_g": 1}, at_us=150),
    ]  # fmt: skip
    assert [one.number for one in tickets_in_force(entries).loads] == ["A", "B"]
