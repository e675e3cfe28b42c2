"""Trucks and silos over random shifts: no gram is lost or carried twice, and what is called sure is sure.

The last test makes a silo out of single grams that really mix within the band, and holds the trace against it.
"""

from bisect import insort
from collections import Counter
from collections.abc import Sequence
from itertools import chain, pairwise
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from crumbmeter.qc.bag_lots import Supply, lots_in_mix
from crumbmeter.qc.booked import Booked
from crumbmeter.qc.outflow import Outflow
from crumbmeter.qc.portions import NOTHING, Masses, Portion, cut, of_parcel, shared_out
from crumbmeter.qc.rubber_entries import BagLoad, RubberEntry, RubberWord
from crumbmeter.qc.silos import Silo, SiloEntry, SiloWord, fill
from crumbmeter.qc.tickets import Ticket
from crumbmeter.qc.tracing import trace_deviation
from tests.unit.qc.loads import SECOND_US, booked, emptied, ticket, traced

SILOS = (
    Silo("north", 40_000, 1500, travel_s=20.0, diverter_code=1),
    Silo("south", 60_000, 0, travel_s=45.0, diverter_code=2, mismatch_share=0.01),
)
BY_MASS = tuple(Silo(one.silo_id, one.capacity_g, 700, 0.0, 1800, one.diverter_code) for one in SILOS)
masses = st.integers(1, 2000)


@st.composite
def parcels(draw: st.DrawFn) -> list[Booked]:
    made = []
    at_s = 100.0
    for number in range(draw(st.integers(1, 25))):
        mix_g, lasts_s = draw(masses), draw(st.sampled_from([0.0, 3.7, 10.0, 31.25]))
        rubber_g = draw(st.integers(0, mix_g))
        at_s += draw(st.sampled_from([0.0, 0.0, 60.0]))
        made.append(booked(number, mix_g, rubber_g, at_s, lasts_s=lasts_s, uncertainty_g=draw(st.integers(0, 50))))
        at_s += lasts_s
    return made


times_s = st.integers(0, 700)
tickets = st.lists(st.tuples(times_s, st.integers(1, 5000), st.sampled_from(["north", "south", ""])), max_size=12).map(
    lambda found: [ticket(f"T{at}", when_s, net_g, silo) for at, (when_s, net_g, silo) in enumerate(found)]
)
diverters = st.lists(st.tuples(times_s, st.sampled_from([1, 2, 2, 9, None])), max_size=6).map(
    lambda found: sorted(((at_s * SECOND_US, code) for at_s, code in found), key=lambda one: one[0])
)
said = st.lists(
    st.builds(
        SiloEntry,
        st.sampled_from(["north", "south", "none"]),
        times_s.map(lambda at_s: at_s * SECOND_US),
        st.sampled_from(SiloWord),
        st.integers(0, 9000),
        st.integers(0, 300),
        st.integers(1, 9),
    ),
    max_size=5,
)
shift: dict[str, Any] = {
    "made": parcels(), "loads": tickets, "entries": said, "diverter": diverters,
    "silos": st.sampled_from([SILOS, BY_MASS, SILOS[:1], ()]),
}  # fmt: skip


def summed(portions: Sequence[Portion]) -> Masses:
    return sum((one.masses for one in portions), NOTHING)


@given(st.integers(0, 10**9), st.lists(st.integers(0, 10**6), min_size=1, max_size=6))
def test_shares_add_up_and_none_is_more_than_a_gram_from_its_exact_one(total: int, weights: list[int]) -> None:
    of_all = sum(weights)
    if not of_all:
        return
    shares = shared_out(total, tuple(weights))
    assert sum(shares) == total
    assert all(abs(share * of_all - total * weight) < of_all for share, weight in zip(shares, weights, strict=True))


@given(masses, masses, st.data())
def test_a_cut_loses_nothing_and_makes_nothing(mix_g: int, other_g: int, data: st.DataObject) -> None:
    whole = of_parcel(booked(1, mix_g, min(mix_g, other_g), uncertainty_g=7), 0)
    head_g = data.draw(st.integers(0, mix_g))
    head, rest = cut(whole, head_g)
    assert head.masses + rest.masses == whole.masses
    for part, part_g in ((head, head_g), (rest, mix_g - head_g)):
        assert part.mix_g == part.masses.mix_g == part_g
        assert part.masses.recycle_binder_g <= part.masses.recycle_g
        assert min(
            part.masses.dry_aggregate_g, part.masses.recycle_g, part.masses.virgin_binder_g, part.masses.rubber_g,
            part.masses.recycle_binder_g, part.masses.target_rubber_g, part.masses.rubber_uncertainty_g,
        ) >= 0  # fmt: skip


@given(**shift)
def test_every_gram_is_in_one_silo_or_in_any_or_on_its_way(
    made: list[Booked], loads: list[Ticket], entries: list[SiloEntry], diverter: list[Any], silos: Sequence[Silo]
) -> None:
    filled = fill(made, diverter, silos, entries)
    by_parcel: dict[int, Masses] = {one.seq: NOTHING for one in made}
    for portion in [*chain(*filled.into.values()), *filled.anywhere, *filled.on_the_way]:
        assert portion.mix_g == portion.masses.mix_g > 0
        by_parcel[portion.seq] += portion.masses
    assert by_parcel == {one.seq: of_parcel(one, 0).masses for one in made}
    for into in filled.into.values():
        assert all(one.arrived_us <= other.arrived_us for one, other in pairwise(into))
    if len(silos) < 2 and not diverter and not entries:
        assert not filled.anywhere


def conserved(outflow: Outflow, made: Sequence[Booked]) -> None:
    on_axes = [one for axis in outflow.axes.values() for one in axis if not one.loose]
    known = [one for one in on_axes if one.source is not None]
    everything = [*known, *outflow.anywhere, *outflow.on_the_way]
    assert summed(everything) == sum((of_parcel(one, 0).masses for one in made), NOTHING)
    carried = [one for load in outflow.loads for one in load.pieces]
    left = Counter({silo_id: left_g for silo_id, left_g in outflow.left_g.items() if left_g})
    assert summed(carried).mix_g + summed(outflow.written_off).mix_g + left.total() == summed(on_axes).mix_g
    assert all(left_g >= 0 for left_g in outflow.left_g.values())


@given(**shift)
def test_parcels_tickets_and_what_is_left_are_the_same_grams(
    made: list[Booked], loads: list[Ticket], entries: list[SiloEntry], diverter: list[Any], silos: Sequence[Silo]
) -> None:
    outflow = traced(made, loads, silos, entries, diverter).outflow
    conserved(outflow, made)
    assert {load.ticket.number for load in outflow.loads} == {one.number for one in loads}
    for load in outflow.loads:
        assert summed(load.pieces).mix_g + load.short_g == load.ticket.net_g
        for reach in load.reaches:
            assert reach.possible_from_g <= reach.from_g <= reach.to_g <= reach.possible_to_g


@given(**shift)
def test_the_oldest_mix_of_a_silo_leaves_first(
    made: list[Booked], loads: list[Ticket], entries: list[SiloEntry], diverter: list[Any], silos: Sequence[Silo]
) -> None:
    for axis in traced(made, loads, silos, entries, diverter).outflow.axes.values():
        seqs = [one.seq for one in axis if one.source is not None and not one.loose]
        assert seqs == sorted(seqs)


@given(cuts=st.lists(st.integers(0, 25), min_size=2, max_size=2), **shift)
def test_every_gram_of_a_deviation_is_on_a_ticket_or_told_where_it_is(
    cuts: list[int], made: list[Booked], loads: list[Ticket], entries: list[SiloEntry], diverter: list[Any],
    silos: Sequence[Silo],
) -> None:  # fmt: skip
    first, last = sorted(cuts)
    found = trace_deviation(traced(made, loads, silos, entries, diverter), [(3 * first, 3 * last)])
    assert found.mix_g == sum(one.parcel.mix_g for one in made if first <= one.parcel.number <= last)
    for one in found.tickets:
        assert 0 <= one.surely_g <= one.most_g <= one.ticket.net_g
        assert one.nominal.mix_g <= one.most_g


@given(
    st.lists(st.integers(1, 12), min_size=1, max_size=10),
    st.lists(st.tuples(st.integers(0, 60), st.integers(1, 25)), min_size=1, max_size=8),
    st.integers(0, 12), st.integers(0, 15), st.booleans(), st.data(),
)  # fmt: skip
def test_what_a_mixing_silo_really_does_lies_between_surely_and_at_most(
    grams: list[int], loads: list[tuple[int, int]], band_g: int, opening_g: int, empty_at_first: bool,
    data: st.DataObject,
) -> None:  # fmt: skip
    """Each gram may be held back by up to the band against those behind it: so none is displaced by more."""
    opening_g = 0 if empty_at_first else opening_g
    made = [booked(number, mix_g, began_s=6.0 * number, lasts_s=0.0) for number, mix_g in enumerate(grams, 1)]
    queue = [(data.draw(st.integers(0, band_g)) + at, at, 0) for at in range(opening_g)]
    arriving = [(one.began_us, one.seq) for one in made for _ in range(one.parcel.mix_g)]
    keys = [at + opening_g + data.draw(st.integers(0, band_g)) for at in range(len(arriving))]
    queue.sort()
    tickets_made, truly = [], {}
    at = 0
    for number, (loaded_s, net_g) in enumerate(sorted(loads)):
        while at < len(arriving) and arriving[at][0] <= loaded_s * SECOND_US:
            insort(queue, (keys[at], at + opening_g, arriving[at][1]))
            at += 1
        taken, queue = queue[:net_g], queue[net_g:]
        if taken:
            tickets_made.append(ticket(f"T{number}", float(loaded_s), len(taken), "one"))
            truly[f"T{number}"] = Counter(seq for _, _, seq in taken)
    entries = [emptied("one")] if empty_at_first else []
    trace = traced(made, tickets_made, [Silo("one", 15, band_g)], entries)
    first, last = sorted(data.draw(st.tuples(st.integers(1, 10), st.integers(1, 10))))
    found = {one.ticket.number: one for one in trace_deviation(trace, [(3 * first, 3 * last)]).tickets}
    for name, carried in truly.items():
        deviation_g = sum(carried[3 * number] for number in range(first, last + 1))
        least_g, most_g = (found[name].surely_g, found[name].most_g) if name in found else (0, 0)
        assert least_g <= deviation_g <= most_g


bag_loads = st.lists(st.tuples(times_s, st.sampled_from("ABC"), st.integers(1, 3000)), max_size=8).map(
    lambda found: [BagLoad(lot, at_s * SECOND_US, mass_g) for at_s, lot, mass_g in sorted(found)]
)
wastes = st.lists(st.tuples(times_s, st.integers(1, 800)), max_size=3).map(
    lambda found: [RubberEntry(RubberWord.WASTE, at_s * SECOND_US, mass_g) for at_s, mass_g in found]
)


@given(parcels(), bag_loads, wastes, st.integers(0, 400), st.integers(0, 900), st.none() | st.integers(0, 4000))
def test_the_grams_of_bag_lots_are_in_parcels_taken_out_or_left(
    made: list[Booked], bags: list[BagLoad], gone: list[RubberEntry], band_g: int, opening_g: int, closing_g: int | None
) -> None:
    found = lots_in_mix(made, bags, gone, Supply(band_g, (("Z", opening_g),), 0, closing_g, 0.01))
    uses = [found.use_of(lot) for lot in "ABCZ"]
    for use in uses:
        assert use.in_parcels_g + use.taken_out_g + use.left_g == use.loaded_g
        assert not {one.seq for one in use.surely} & {one.seq for one in use.possibly}
    used_g = sum(one.parcel.rubber_g for one in made) + sum(one.mass_g for one in gone)
    assert sum(use.in_parcels_g + use.taken_out_g for use in uses) + found.short_g == used_g
    assert sum(mass_g for _, mass_g in found.left()) == found.left_g
    for one in made:
        sure = [use.lot for use in uses if one in use.surely]
        assert len(sure) <= 1  # a parcel is of one lot for certain, or of none
        if sure:
            assert found.lots_of(one.seq, one.seq) == (sure[0],)


@given(
    st.lists(st.integers(0, 6), min_size=1, max_size=12), st.lists(st.integers(1, 20), min_size=1, max_size=6),
    st.integers(0, 10), st.data(),
)  # fmt: skip
def test_hoppers_that_really_mix_put_no_lot_where_it_is_not_said_to_be(
    rubber: list[int], bags_g: list[int], band_g: int, data: st.DataObject
) -> None:
    made = [booked(number, 100, rubber_g) for number, rubber_g in enumerate(rubber, 1)]
    bags = [BagLoad(lot, 0, mass_g) for lot, mass_g in zip("ABCDEF", bags_g, strict=False)]
    grams = [bag.lot for bag in bags for _ in range(bag.mass_g)]
    order = sorted(range(len(grams)), key=lambda at: (at + data.draw(st.integers(0, band_g)), at))
    found = lots_in_mix(made, bags, [], Supply(band_g))
    at = 0
    for one in made:
        fed = {grams[gram] for gram in order[at : at + one.parcel.rubber_g]}
        at += one.parcel.rubber_g
        for bag in bags:
            use = found.use_of(bag.lot)
            if bag.lot in fed:
                assert one in (*use.surely, *use.possibly)
            if one in use.surely and at <= len(grams):
                assert fed == {bag.lot}
