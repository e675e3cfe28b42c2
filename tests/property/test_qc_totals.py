"""One mix, told four ways: parcels, sublots, trucks with silos, and the report. The grams are the same in each."""

from datetime import UTC, time

from hypothesis import given, settings
from hypothesis import strategies as st

from crumbmeter.model.quality import Quality
from crumbmeter.qc.booked import Booked
from crumbmeter.qc.calendar import Calendar
from crumbmeter.qc.drawing import draw
from crumbmeter.qc.lots import By, LotRule, lots
from crumbmeter.qc.made import Masses, joined
from crumbmeter.qc.portions import Portion
from crumbmeter.qc.silos import Silo, fill
from crumbmeter.qc.tickets import Ticket
from crumbmeter.report.frame import Frame, RestsOn
from crumbmeter.report.making import masses_table
from crumbmeter.site.zones import TZDATA_VERSION, time_zone
from tests.booked_parcels import NOON_US, US_PER_S, booked

SILOS = (Silo("north", 40_000_000, 2_000_000, 30.0, diverter_code=1), Silo("south", 40_000_000, 0, diverter_code=2))
FRAME = Frame("Plant", True, False, UTC, RestsOn("s", "", "0", TZDATA_VERSION, 1, 2, 2, "record:2:00"))
CALENDAR = Calendar(time_zone("America/Denver"), TZDATA_VERSION, (time(6), time(18)), time(0))
ONE = st.tuples(
    st.integers(0, 2500), st.integers(0, 200_000), st.sampled_from(["mix A", "mix B"]), st.sampled_from(Quality)
)


@st.composite
def shifts(draw_: st.DrawFn) -> list[Booked]:
    """Parcels one behind the other; rubber, aggregate, mix and quality as they come."""
    made, at_us = [], NOON_US
    for number, (rubber_g, aggregate_g, mix_id, quality) in enumerate(
        draw_(st.lists(ONE, min_size=1, max_size=120)), 1
    ):
        one = booked(
            number, began_us=at_us, rubber_g=rubber_g, dry_aggregate_g=aggregate_g, mix_id=mix_id, quality=quality
        )
        made.append(one)
        at_us = one.ended_us + US_PER_S * draw_(st.sampled_from([0, 0, 0, 7200]))
    return made


def grams(portions: list[Portion]) -> tuple[int, int, int]:
    """[g] Mix, rubber and rubber asked for of what is known of some portions."""
    known = [one.masses for one in portions if one.source is not None and not one.loose]
    return (
        sum(one.mix_g for one in known),
        sum(one.rubber_g for one in known),
        sum(one.target_rubber_g for one in known),
    )


@given(
    shifts(),
    st.sampled_from([By.TONNES, By.DAY, By.SHIFT, By.MIX]),
    st.lists(
        st.tuples(st.integers(0, 400), st.integers(1, 30_000_000), st.sampled_from(["north", "south"])), max_size=8
    ),
    st.lists(st.tuples(st.integers(0, 400), st.sampled_from([1, 2])), max_size=5),
)
@settings(max_examples=150, deadline=None)
def test_parcels_sublots_trucks_and_report_hold_the_same_grams(
    parcels: list[Booked], by: By, loads: list[tuple[int, int, str]], gates: list[tuple[int, int]]
) -> None:
    told = tuple(sum(getattr(one.parcel, name) for one in parcels) for name in ("mix_g", "rubber_g", "target_rubber_g"))

    rule = LotRule(by, lot_g=9_000_000, sublot_g=2_000_000, calendar=CALENDAR)
    made = list(lots(parcels, rule))
    sublots = [sublot for lot in made for sublot in lot.sublots]
    masses = sum((one.made.masses for one in sublots), Masses())
    assert (masses.mix_g, masses.rubber_g, masses.target_rubber_g) == told
    assert joined([one.made for one in made]).masses == masses

    diverter = [(0, 1), *sorted((NOON_US + at_s * US_PER_S, code) for at_s, code in gates)]
    tickets = [
        Ticket(f"T{place}", NOON_US + at_s * US_PER_S, net_g, silo) for place, (at_s, net_g, silo) in enumerate(loads)
    ]
    flow = draw(fill(parcels, diverter, SILOS), tickets, (), SILOS)
    axes = [portion for axis in flow.axes.values() for portion in axis]
    carried = [piece for load in flow.loads for piece in load.pieces]
    assert grams([*axes, *flow.written_off, *flow.anywhere, *flow.on_the_way]) == told
    left_g = sum(flow.left_g.values())
    assert grams(carried)[0] + left_g + grams([*flow.written_off, *flow.anywhere])[0] == told[0]
    assert all(sum(piece.mix_g for piece in load.pieces) + load.short_g == load.ticket.net_g for load in flow.loads)

    total = masses_table(FRAME, sublots).total
    assert total is not None
    assert (total[3], total[4], total[5]) == told
