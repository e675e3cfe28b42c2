"""What is gathered from scans: every kilogram and every metre, on even grids."""

import pytest

from crumbmeter.runtime.travelrecord import TravelRecord
from tests.closed_loop import loop_for


@pytest.fixture(scope="module")
def gathered() -> tuple[TravelRecord, float, float]:
    """Return a record of three minutes from a start, with what the scans themselves add up to."""
    loop = loop_for("start_up")
    loop.jitter_s = 0.05
    record, fed_kg, dry_kg = TravelRecord(loop.site.params), 0.0, 0.0
    while loop.rig.now_s < 180.0:
        result = loop.scan()
        record.take(result)
        fed_kg += result.shown.flow.fed_kg
        dry_kg += result.shown.demand.dry_kg_s[0] * result.dt_s
    return record, fed_kg, dry_kg


def test_nothing_is_lost_between_scans_and_cells(gathered: tuple[TravelRecord, float, float]) -> None:
    record, fed_kg, dry_kg = gathered
    drum, line = record.drum(), record.line()
    assert line is not None
    assert [stream.stream_id for stream in drum.streams] == ["aggregate", "rap"]
    assert sum(drum.streams[0].mass_kg) == pytest.approx(dry_kg, rel=0.01)
    assert sum(line.fed_kg) == pytest.approx(fed_kg, rel=0.01)
    assert sum(drum.turned_s) == pytest.approx(155.0, abs=8.0)  # it runs from 20 s on, after running up
    assert record.scans > 800


def test_instruments_are_read_between_their_polls(gathered: tuple[TravelRecord, float, float]) -> None:
    record = gathered[0]
    current, temperature = record.instruments()
    assert (current.unit, temperature.unit) == ("A", "degC")
    assert sum(value is not None for value in current.seen) > 0.95 * len(current.seen)
    first = [value for value in current.seen[5:60] if value is not None]
    assert sum(first) / len(first) == pytest.approx(38.0, abs=0.5)  # nothing has arrived yet
    auger = record.auger()
    assert auger is not None
    assert any(auger.controlled)
    assert max(auger.asked_rev_s) > 0.1
