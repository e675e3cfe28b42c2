"""The trend: twelve hours in a ring; what is missing is null; thinning keeps every least and greatest value."""

import itertools
import math
import sys

import pytest

from crumbmeter.web.trend import COLUMNS, KEPT_S, MOST_POINTS, Sample, Trend, sample_of
from tests.fakes import FakeClock
from tests.unit.web.making import Bench

NOW = 1_800_000_000


def flat(value: float | None) -> Sample:
    return (value,) * len(COLUMNS)


def filled(seconds: int) -> Trend:
    trend = Trend()
    for back in range(seconds):
        trend.put(NOW - back, flat(float(back)))
    return trend


def test_every_second_of_ten_minutes_is_there() -> None:
    body = filled(2000).body(NOW, 10)
    assert body["period_s"] == 1
    assert body["columns"]["t_s"] == list(range(NOW - 599, NOW + 1))
    assert body["columns"]["fed_kg_s"] == [float(back) for back in range(599, -1, -1)]
    assert set(body["columns"]) == {"t_s", *COLUMNS}


def test_what_never_came_or_was_bad_or_not_finite_is_null() -> None:
    trend = Trend()
    trend.put(NOW, (0.0, None, math.inf, math.nan, 1.0, -2.0))
    columns = trend.body(NOW, 10)["columns"]
    assert [columns[name][-1] for name in COLUMNS] == [0.0, None, None, None, 1.0, -2.0]
    assert [columns[name][0] for name in COLUMNS] == [None] * 6
    assert trend.knows(NOW)
    assert not trend.knows(NOW - 1)


def test_what_is_older_than_twelve_hours_is_gone_and_not_taken_for_new() -> None:
    trend = Trend()
    trend.put(NOW - KEPT_S, flat(1.0))
    assert set(trend.body(NOW, 720)["columns"]["fed_kg_s"]) == {None}


@pytest.mark.parametrize("minutes", [10, 25, 26, 60, 241, 720])
def test_there_are_never_more_rows_than_can_be_drawn_and_time_goes_on_evenly(minutes: int) -> None:
    body = filled(KEPT_S).body(NOW, minutes)
    times = body["columns"]["t_s"]
    assert {len(column) for column in body["columns"].values()} == {len(times)}
    assert len(times) <= MOST_POINTS
    assert {round(after - before, 6) for before, after in itertools.pairwise(times)} == {body["period_s"]}
    assert times[0] == NOW - minutes * 60 + 1
    assert NOW - times[-1] < 2 * body["period_s"] + 1


def test_a_peak_of_one_second_is_seen_in_twelve_hours_and_order_is_kept() -> None:
    trend = filled(KEPT_S)
    trend.put(NOW - 20_000, flat(1e9))
    trend.put(NOW - 30_000, flat(-1e9))
    found = trend.body(NOW, 720)["columns"]["hopper_kg"]
    assert max(found) == 1e9
    assert min(found) == -1e9
    falling = filled(KEPT_S).body(NOW, 720)["columns"]["hopper_kg"]
    assert falling == sorted(falling, reverse=True)


def test_a_gap_of_half_a_bucket_shows() -> None:
    """Twelve hours: buckets of 58 s."""
    trend = Trend()
    for back in range(KEPT_S):
        if not 20_000 <= back < 20_120:
            trend.put(NOW - back, flat(1.0))
    assert trend.body(NOW, 720)["columns"]["fed_kg_s"].count(None) >= 2


def test_memory_is_that_of_the_ring() -> None:
    trend = Trend()
    assert sum(sys.getsizeof(column) for column in (trend._second, *trend._values)) < 3_000_000


async def test_a_sample_is_taken_from_the_view_and_a_bad_reading_is_none(tmp_path: object) -> None:
    bench = Bench(tmp_path, FakeClock())  # type: ignore[arg-type]
    bench.hear()
    assert bench.link.view is not None
    assert sample_of(bench.link.view) == (0.005, 0.249, 0.25, 50.0, 0.00498, 412.0)
    view = bench.link.view | {"fed_kg_s": {"value": None, "quality": "Bad"}}
    assert sample_of(view)[1] is None
