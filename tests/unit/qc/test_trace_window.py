"""The hours that a trace reads, and that they are enough."""

from crumbmeter.qc.silos import Silo
from crumbmeter.qc.trace_window import HOUR_US, LONGEST_US, window_of
from crumbmeter.qc.tracing import dose_of_ticket, trace_deviation
from tests.unit.qc.loads import booked, content, emptied, ticket, traced

H = 3600.0
NORTH = Silo("north", 40_000, 300, travel_s=60.0)
SOUTH = Silo("south", 40_000, 300, travel_s=90.0)


def test_it_begins_where_the_silos_were_last_empty_and_ends_where_they_are_again() -> None:
    said = [emptied("north", at * H) for at in (1, 5, 20)] + [emptied("south", at * H) for at in (3, 9, 30)]
    said.append(emptied("south", 9 * H + 60.0))  # the last mix is still on its way there
    said += [content("north", 6 * H, 5), emptied("west", 6 * H)]
    found = window_of(said, [NORTH, SOUTH], 8 * HOUR_US, 9 * HOUR_US)
    assert found.empty_us == {"north": 5 * HOUR_US, "south": 3 * HOUR_US}
    assert found.unknown == ()
    assert found.from_us == 3 * HOUR_US
    assert found.parcels_from_us == 3 * HOUR_US - 90_000_000
    assert found.before_us == 30 * HOUR_US + 1


def test_without_an_empty_silo_it_is_as_long_as_allowed_and_says_so() -> None:
    found = window_of([emptied("north", 1.0)], [NORTH, SOUTH], 100 * HOUR_US, 101 * HOUR_US)
    assert found.unknown == ("north", "south")
    assert found.from_us == 100 * HOUR_US - LONGEST_US
    assert found.before_us == 101 * HOUR_US + LONGEST_US + 1
    assert window_of([], [], 0, 0, HOUR_US).from_us == -HOUR_US


def test_a_trace_of_the_window_says_what_one_of_all_time_says() -> None:
    """Three days, each ending with an empty silo: parcels of 1 kg each 10 s for some minutes, tickets of 4 kg."""
    days = [day * 24 * H for day in range(3)]
    parcels = [
        booked(60 * day + at, 1000, 3 + at % 5, began_s + 10.0 * at)
        for day, began_s in enumerate(days, 1) for at in range(60)
    ]  # fmt: skip
    tickets = [
        ticket(f"{day}-{at}", began_s + 200.0 + 40.0 * at, 4000, "north")
        for day, began_s in enumerate(days) for at in range(14)
    ]  # fmt: skip
    said = [emptied("north", began_s - 1800.0) for began_s in [*days, 3 * 24 * H]]
    whole = traced(parcels, tickets, [NORTH], said)
    runs = [(parcels[80].seq, parcels[90].seq)]
    hours = window_of(said, [NORTH], parcels[80].began_us, parcels[90].ended_us)
    part = traced(
        [one for one in parcels if hours.parcels_from_us <= one.began_us < hours.before_us],
        [one for one in tickets if hours.from_us <= one.loaded_us < hours.before_us],
        [NORTH],
        [one for one in said if hours.from_us <= one.at_us < hours.before_us],
    )
    assert len(part.outflow.loads) == 14
    assert trace_deviation(part, runs) == trace_deviation(whole, runs)
    assert dose_of_ticket(part, "1-7") == dose_of_ticket(whole, "1-7")
