"""Bag lots in parcels, and the recall of one down to trucks and projects: hand-worked."""

from crumbmeter.model.frozen import replace
from crumbmeter.qc.bag_lots import Supply, lots_in_mix
from crumbmeter.qc.recall import recall
from crumbmeter.qc.rubber_entries import BagLoad, RubberEntry, RubberWord
from crumbmeter.qc.silos import Silo
from crumbmeter.qc.tracing import Mark
from tests.unit.qc.loads import SECOND_US, booked, emptied, ticket, traced

PARCELS = [booked(number, 1000, 10) for number in range(1, 31)]
"""Parcels 1 to 30 with 10 g of rubber each, sequences 3 to 90."""
BAGS = [BagLoad("A", 0, 100, 1), BagLoad("B", 0, 100, 2), BagLoad("C", 150 * SECOND_US, 100, 4)]


def numbers(parcels: tuple[object, ...]) -> list[int]:
    return [one.parcel.number for one in parcels]  # type: ignore[attr-defined]


def test_lots_follow_each_other_and_mix_at_their_borders() -> None:
    found = lots_in_mix(PARCELS, BAGS, [], Supply(mixing_g=20))
    use = found.use_of("B")
    # B lies at [100, 200). Parcel 11 takes [100, 110) and may take from [80, 130): parcels 13 to 18 are all of B.
    assert numbers(use.surely) == [13, 14, 15, 16, 17, 18]
    assert numbers(use.possibly) == [9, 10, 11, 12, 19, 20, 21, 22]
    assert (use.bags, use.loaded_g, use.in_parcels_g, use.left_g) == (1, 100, 100, 0)
    assert use.surely_runs == ((39, 54),)
    assert use.all_runs == ((27, 66),)
    assert found.lots_of(27, 27) == ("A", "B")
    # Nothing lies in front of the first bag: parcel 1 is A for certain.
    assert numbers(found.use_of("A").surely) == list(range(1, 9))


def test_a_bag_is_in_no_parcel_that_was_made_before_it() -> None:
    late = [BAGS[0], BAGS[1], replace(BAGS[2], loaded_us=205 * SECOND_US)]
    use = lots_in_mix(PARCELS, late, [], Supply(mixing_g=50)).use_of("C")
    assert min(numbers((*use.surely, *use.possibly))) == 20  # parcel 20 ends at 210 s


def test_waste_takes_its_turn_and_what_is_left_is_the_next_opening() -> None:
    gone = [RubberEntry(RubberWord.WASTE, 105 * SECOND_US, 30)]
    found = lots_in_mix(PARCELS[:12], BAGS[:2], gone, Supply(0, opening=(("Z", 50),)))
    assert found.use_of("Z").in_parcels_g == 50
    use = found.use_of("A")
    assert (use.in_parcels_g, use.taken_out_g, use.left_g) == (70, 30, 0)
    assert found.left() == (("B", 100),)


def test_more_fed_than_loaded_is_told_and_widens() -> None:
    found = lots_in_mix(PARCELS[:15], BAGS[:1], [], Supply(0))
    assert (found.short_g, found.left_g, found.mismatch_g) == (50, 0, None)
    closed = lots_in_mix(PARCELS[:9], BAGS[:2], [], Supply(0, closing_g=80))
    assert closed.mismatch_g == 30
    # 30 g more than was fed are gone: B may have begun up to 30 g sooner.
    assert numbers(closed.use_of("B").possibly) == [8, 9]


def test_an_opening_that_is_not_exact_takes_certainty_from_what_lies_behind_it() -> None:
    found = lots_in_mix(PARCELS, BAGS, [], Supply(0, opening=(("Z", 50),), opening_within_g=20))
    assert numbers(found.use_of("Z").surely) == [3]
    assert numbers(found.use_of("A").surely) == [8, 9, 10, 11, 12, 13]


def test_a_recall_names_mix_lots_tickets_and_projects() -> None:
    in_mix = lots_in_mix(PARCELS, BAGS, [], Supply(mixing_g=20))
    loads = [replace(ticket(str(at), 400.0, 4000, "one"), project=f"P{at // 3}") for at in range(7)]
    trace = traced(PARCELS, loads, [Silo("one", 50_000, 1000)], [emptied("one")])
    found = recall("B", in_mix, trace, lambda one: f"lot {(one.parcel.number - 1) // 12}")
    # Parcels 13 to 18 are the mix at [12, 18) kg, 9 to 22 that at [8, 22) kg; loads are of 4 kg, the band is 1 kg.
    assert [(one.touched.ticket.number, one.mark) for one in found.tickets] == [
        ("1", Mark.POSSIBLY), ("2", Mark.POSSIBLY), ("3", Mark.SURELY), ("4", Mark.SURELY), ("5", Mark.POSSIBLY),
    ]  # fmt: skip
    assert (found.projects(Mark.SURELY), found.projects(Mark.POSSIBLY)) == (("P1",), ("P0",))
    assert [(one.lot_id, one.mark, one.mix_g, one.rubber_g) for one in found.mix_lots] == [
        ("lot 1", Mark.SURELY, 10_000, 100), ("lot 0", Mark.POSSIBLY, 4000, 40),
    ]  # fmt: skip
    assert (found.surely_mix_g, found.possibly_mix_g, found.in_silos_g, found.simulated) == (6000, 8000, 0, False)


def test_a_recall_of_an_unknown_lot_finds_nothing() -> None:
    found = recall("Q", lots_in_mix(PARCELS, BAGS, [], Supply(20)), traced(PARCELS, []), lambda _: "x")
    assert (found.use.bags, found.tickets, found.mix_lots) == (0, (), ())
