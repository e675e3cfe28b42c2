"""Which truck carries what: small cases reckoned by hand, and what happens where the books are out."""

from math import sqrt

import pytest

from crumbmeter.model.frozen import replace
from crumbmeter.model.quality import Quality
from crumbmeter.qc.silos import Silo, SiloEntry, SiloWord
from crumbmeter.qc.tracing import Mark, UnknownTicketError, dose_of_ticket, trace_deviation
from tests.unit.qc.loads import SECOND_US, booked, content, emptied, ticket, traced

ONE = Silo("one", 100_000, 500)
TEN = [booked(number, 1000, 5) for number in range(1, 11)]
"""Parcels 1 to 10 with sequences 3 to 30, 1000 g each, in the silo from 10 s on."""
LOADS = [ticket(name, 200.0, 2000, "one") for name in "ABCDE"]


def masses(found: list[tuple[str, Mark, int, int, int]], name: str) -> tuple[int, int, int]:
    return next((one[2], one[3], one[4]) for one in found if one[0] == name)


def shown(trace_of: list[tuple[int, int]], mixing_g: int = ONE.mixing_g) -> list[tuple[str, Mark, int, int, int]]:
    silo = replace(ONE, mixing_g=mixing_g)
    found = trace_deviation(traced(TEN, LOADS, [silo], [emptied("one")]), trace_of)
    return [(one.ticket.number, one.mark, one.surely_g, one.nominal.mix_g, one.most_g) for one in found.tickets]


def test_a_deviation_of_one_parcel_within_a_load() -> None:
    # Parcel 3 is [2000, 3000) on the axis, ticket B is [2000, 4000). Core of B: [2500, 3500). Ticket A reaches to 2500.
    assert shown([(9, 9)]) == [("A", Mark.POSSIBLY, 0, 0, 500), ("B", Mark.SURELY, 500, 1000, 1000)]


def test_a_deviation_over_a_whole_load_and_its_neighbours_band_is_all_of_it() -> None:
    # Parcels 2 to 5 are [1000, 5000): more than all from which B can be filled, [1500, 4500).
    found = shown([(6, 15)])
    assert masses(found, "B") == (2000, 2000, 2000)
    # A is filled out of [0, 2500), for the silo was empty before. All of parcel 1 must be in it, and cannot fill it.
    assert masses(found, "A") == (1000, 1000, 1000)
    # C is filled out of [3500, 6500); its core is [4500, 5500).
    assert masses(found, "C") == (500, 1000, 1500)


def test_without_mixing_surely_nominally_and_at_most_are_the_same() -> None:
    for _, mark, surely_g, nominal_g, most_g in shown([(6, 15)], mixing_g=0):
        assert mark is Mark.SURELY
        assert surely_g == nominal_g == most_g


def test_a_band_as_large_as_a_load_leaves_nothing_certain_of_one_parcel() -> None:
    assert {mark for _, mark, *_ in shown([(15, 15)], mixing_g=2000)} == {Mark.POSSIBLY}


def test_an_unknown_opening_content_takes_certainty_away_as_far_back_as_the_silo_holds() -> None:
    silo = replace(ONE, capacity_g=3000)
    trace = traced(TEN, LOADS, [silo])
    found = {one.ticket.number: one for one in trace_deviation(trace, [(9, 9)]).tickets}
    # Anything up to 3000 g may have lain in front: parcel 3 may come out as late as 6500 g.
    assert {name: one.mark for name, one in found.items()} == dict.fromkeys("ABCD", Mark.POSSIBLY)
    assert dose_of_ticket(trace, "B").foreign_g == 3000


def test_tickets_draw_an_opening_content_first() -> None:
    trace = traced(TEN, LOADS, [ONE], [content("one", 0.0, 3000)])
    assert (dose_of_ticket(trace, "A").unknown_g, dose_of_ticket(trace, "B").unknown_g) == (2000, 1000)
    assert dose_of_ticket(trace, "A").dose is None
    assert dose_of_ticket(trace, "A").quality is Quality.BAD
    assert dose_of_ticket(trace, "B").seqs == ((3, 3),)


def test_more_drawn_than_there_is_is_told_and_never_negative() -> None:
    trace = traced(TEN[:3], LOADS, [ONE], [emptied("one"), emptied("one", 300.0)])
    assert [load.short_g for load in trace.outflow.loads] == [0, 1000, 2000, 2000, 2000]
    (drift,) = trace.outflow.drifts
    assert (drift.booked_g, drift.drawn_g, drift.short_g, drift.mismatch_g) == (3000, 10_000, 7000, -7000)
    assert trace.outflow.left_g == {"one": 0}


def test_mix_left_in_the_books_of_an_empty_silo_is_written_off_and_its_tickets_reach_further() -> None:
    trace = traced(TEN, LOADS[:4], [replace(ONE, mixing_g=0)], [emptied("one"), emptied("one", 300.0)])
    (drift,) = trace.outflow.drifts
    assert (drift.left_g, drift.mismatch_g, drift.mismatch_share) == (2000, 2000, 0.25)
    found = trace_deviation(trace, [(27, 27)])  # parcel 9, nominally never loaded
    assert [(one.ticket.number, one.mark, one.most_g) for one in found.tickets] == [("D", Mark.POSSIBLY, 1000)]
    assert found.written_off.mix_g == 1000


def test_nothing_mixes_over_a_moment_at_which_the_silo_was_empty() -> None:
    parcels = [booked(1), booked(2), booked(40), booked(41)]
    loads = [ticket("A", 100.0, 2000, "one"), ticket("B", 500.0, 2000, "one")]
    trace = traced(parcels, loads, [ONE], [emptied("one"), emptied("one", 200.0)])
    (only,) = trace_deviation(trace, [(120, 123)]).tickets
    assert (only.ticket.number, only.surely_g, only.most_g) == ("B", 2000, 2000)


def test_a_ticket_whose_silo_nobody_knows_possibly_carries_what_any_had_at_its_turn() -> None:
    silos = [Silo("n", 50_000, 0, diverter_code=1), Silo("s", 50_000, 0, diverter_code=2)]
    loads = [ticket("X", 200.0, 2000), ticket("N", 210.0, 1000, "n"), ticket("W", 220.0, 10, "west")]
    entries = [emptied("n"), emptied("s")]
    trace = traced(TEN, loads, silos, entries, [(0, 1), (60 * SECOND_US, 2)])
    found = {one.ticket.number: (one.mark, one.most_g) for one in trace_deviation(trace, [(3, 3)]).tickets}
    assert found == {"X": (Mark.POSSIBLY, 1000), "N": (Mark.POSSIBLY, 1000)}
    assert trace.outflow.loads[0].short_g == 2000
    assert "no silo 'west'" in trace.outflow.refused[0]


def test_mix_that_came_with_the_diverter_unknown_is_possibly_in_either_silo() -> None:
    silos = [Silo("n", 50_000, 0, diverter_code=1), Silo("s", 50_000, 0, diverter_code=2)]
    diverter = [(0, 1), (30 * SECOND_US, None), (40 * SECOND_US, 2)]
    loads = [ticket("N", 200.0, 2000, "n"), ticket("S", 200.0, 7000, "s")]
    found = trace_deviation(traced(TEN, loads, silos, [emptied("n"), emptied("s")], diverter), [(9, 9)])
    assert [(one.ticket.number, one.mark, one.most_g) for one in found.tickets] == [
        ("N", Mark.POSSIBLY, 1000), ("S", Mark.POSSIBLY, 1000),
    ]  # fmt: skip
    assert found.anywhere.mix_g == found.mix_g == 1000


def test_what_left_on_no_ticket_is_out_of_the_order() -> None:
    gone = SiloEntry("one", 150 * SECOND_US, SiloWord.WITHDRAWN, 1500)
    trace = traced(TEN, LOADS, [replace(ONE, mixing_g=0)], [emptied("one"), gone])
    found = trace_deviation(trace, [(3, 6)])
    assert found.written_off.mix_g == 1500
    assert [(one.ticket.number, one.nominal.mix_g) for one in found.tickets] == [("A", 500)]


def test_a_lasting_difference_of_scales_widens_the_reach_with_what_was_drawn() -> None:
    silo = replace(ONE, mixing_g=0, mismatch_share=0.05)
    first, *_, last = (load.reaches[0] for load in traced(TEN, LOADS, [silo], [emptied("one")]).outflow.loads)
    assert first.possible_to_g - first.to_g == 100  # 5 % of 2000 g
    assert last.from_g - last.possible_from_g == 500  # 5 % of 10 000 g


def test_the_dose_of_a_ticket_with_its_uncertainty() -> None:
    # Doses 0.4 %, 0.6 %, 0.6 %, 0.8 %, each 1000 g; the ticket is the middle two, and may be 1000 g sooner or later.
    parcels = [booked(at, 1000, rubber_g, uncertainty_g=1) for at, rubber_g in enumerate([4, 6, 6, 8], 1)]
    loads = [ticket("0", 100.0, 1000, "one"), ticket("A", 100.0, 2000, "one")]
    trace = traced(parcels, loads, [replace(ONE, mixing_g=1000)], [emptied("one")])
    found = dose_of_ticket(trace, "A")
    assert (found.dose, found.target, found.lowest, found.highest) == (0.006, 0.006, 0.005, 0.007)
    assert found.mixing_uncertainty == pytest.approx(0.001 / sqrt(3.0))
    # d = R / (B + R): u = u(R) B / M^2, both parcels erring together: 2 g * 1988 g / (2000 g)^2.
    assert found.weighing_uncertainty == pytest.approx(2 * 1988 / 2000**2)
    assert found.uncertainty == pytest.approx(sqrt(found.mixing_uncertainty**2 + found.weighing_uncertainty**2))
    assert found.seqs == ((6, 9),)
    assert (found.in_silo_least_s, found.in_silo_most_s) == (70.0, 80.0)
    assert (found.quality, found.simulated, found.unknown_g, found.foreign_g) == (Quality.GOOD, False, 0, 0)


def test_without_silos_trucks_are_loaded_under_the_drum() -> None:
    trace = traced(TEN, [ticket("A", 45.0, 4000), ticket("B", 105.0, 6000)])
    found = trace_deviation(trace, [(12, 15)])
    assert [(one.ticket.number, one.surely_g, one.most_g) for one in found.tickets] == [
        ("A", 1000, 1000),
        ("B", 1000, 1000),
    ]


def test_a_ticket_that_was_not_read_is_named() -> None:
    with pytest.raises(UnknownTicketError, match="no ticket 'Z'"):
        dose_of_ticket(traced(TEN, LOADS, [ONE]), "Z")
