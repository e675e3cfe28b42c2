"""Aggregates with their gaps (field lessons, REQ-22). Examples worked by hand (DERIVED) unless said otherwise."""

import pytest

from crumbmeter.model.quality import Quality
from crumbmeter.qc.aggregates import Coverage, Kind, SpanError, aggregate, coverage, totals_against_rate
from crumbmeter.qc.series import Bounds, How, Sample, SampleOrderError, Series

S = 1_000_000
GOOD, UNCERTAIN, BAD = Quality.GOOD, Quality.UNCERTAIN, Quality.BAD
SLOPED, STEPPED = How(stepped=False), How(stepped=True)


def series(
    *values: float | None, quality: Quality = GOOD, every_s: int = 10, longest_gap_us: int | None = None
) -> Series:
    """Make samples of one quality every ten seconds; None is Bad."""
    samples = [
        Sample(place * every_s * S, value, BAD if value is None else quality) for place, value in enumerate(values)
    ]
    return Series(samples, longest_gap_us)


def test_straight_lines_and_steps() -> None:
    rising = series(0.0, 10.0, 20.0)
    assert aggregate(rising, 0, 20 * S, Kind.TIME_AVERAGE, SLOPED).value == 10.0
    assert aggregate(rising, 0, 20 * S, Kind.TIME_AVERAGE, STEPPED).value == 5.0
    assert aggregate(rising, 5 * S, 15 * S, Kind.TOTAL, SLOPED).value == pytest.approx(100.0)


def test_time_weights_and_not_samples() -> None:
    """One second at 100 among nine at 0 are 10, however the samples lie."""
    uneven = Series([Sample(0, 0.0, GOOD), Sample(9 * S, 100.0, GOOD), Sample(10 * S, 0.0, GOOD)])
    assert aggregate(uneven, 0, 10 * S, Kind.TIME_AVERAGE, STEPPED).value == 10.0


def test_below_the_configured_per_cent_good_there_is_no_number() -> None:
    gappy = series(1.0, 1.0, None, None, 1.0, 1.0)
    found = aggregate(gappy, 0, 50 * S, Kind.TIME_AVERAGE, STEPPED)
    assert (found.value, found.sufficient) == (None, False)
    assert found.coverage.good_percent == 60.0
    assert found.text(str) == "insufficient data (60.0 % good)"
    enough = aggregate(gappy, 0, 50 * S, Kind.TIME_AVERAGE, How(stepped=True, least_good_percent=60.0))
    assert enough.text(lambda value: f"{value:.2f} kg/s") == "1.00 kg/s (60.0 % good)"
    assert enough.method == "time-weighted average (stepped, simple bounds), 60.0 % good"
    most = aggregate(gappy, 0, 50 * S, Kind.MAXIMUM, STEPPED)
    assert (most.value, most.at_us) == (None, None)


def test_gaps_are_listed_and_joined() -> None:
    found = coverage(series(1.0, None, None, 1.0, None, 1.0), 0, 60 * S, STEPPED)
    assert found.gaps == ((10 * S, 30 * S), (40 * S, 60 * S))
    assert (found.good_s, found.bad_s) == (20.0, 40.0)


def test_before_the_first_and_behind_the_last_sample_nothing_is_known() -> None:
    assert coverage(series(1.0, 1.0), -10 * S, 30 * S, STEPPED) == Coverage(
        -10 * S, 30 * S, 10.0, 30.0, ((-10 * S, 0), (10 * S, 30 * S))
    )
    assert coverage(Series([]), 0, S, STEPPED).gaps == ((0, S),)
    assert coverage(series(1.0), 5 * S, 6 * S, STEPPED).good_percent == 0.0


def test_missing_rows_are_a_gap_although_no_sample_says_so() -> None:
    """Rows every second, none for a minute: behind the longest gap the signal is not known."""
    samples = [Sample(0, 1.0, GOOD), Sample(S, 1.0, GOOD), Sample(61 * S, 1.0, GOOD), Sample(62 * S, 1.0, GOOD)]
    assert coverage(Series(samples), 0, 62 * S, STEPPED).good_percent == 100.0
    found = coverage(Series(samples, 2 * S), 0, 62 * S, STEPPED)
    assert found.gaps == ((3 * S, 61 * S),)
    assert found.good_s == 4.0


def test_uncertain_is_neither_good_nor_bad_unless_it_counts_as_bad() -> None:
    doubtful = series(1.0, 1.0, quality=UNCERTAIN)
    assert coverage(doubtful, 0, 10 * S, STEPPED) == Coverage(0, 10 * S, 0.0, 0.0, ())
    strict = How(stepped=True, uncertain_is_bad=True)
    assert coverage(doubtful, 0, 10 * S, strict).gaps == ((0, 10 * S),)
    assert strict.words == "stepped, simple bounds, Uncertain counts as Bad"


def test_total_adds_nothing_for_a_gap_with_simple_bounds_and_all_of_it_with_interpolated() -> None:
    gappy = series(2.0, None, 2.0, 2.0)
    simple = How(stepped=False, least_good_percent=0.0)
    bridged = How(stepped=False, bounds=Bounds.INTERPOLATED, least_good_percent=0.0)
    assert aggregate(gappy, 0, 30 * S, Kind.TOTAL, simple).value == pytest.approx(40.0)
    assert aggregate(gappy, 0, 30 * S, Kind.TOTAL, bridged).value == pytest.approx(60.0)
    assert aggregate(gappy, 0, 30 * S, Kind.TOTAL, bridged).quality is UNCERTAIN


def test_stepped_signal_is_sure_until_a_bad_sample_and_uncertain_over_it() -> None:
    held = series(2.0, None, 4.0)
    how = How(stepped=True, bounds=Bounds.INTERPOLATED)
    pieces = held.pieces(0, 25 * S, how)
    assert [(piece.begin_us // S, piece.begins, piece.quality) for piece in pieces] == [
        (0, 2.0, GOOD), (10, 2.0, UNCERTAIN), (20, 4.0, UNCERTAIN),
    ]  # fmt: skip
    assert held.value_at(10 * S, how) == (2.0, UNCERTAIN)
    assert held.value_at(10 * S, STEPPED) == (None, BAD)


def test_count_and_extremes_are_of_good_samples() -> None:
    samples = [
        Sample(0, 5.0, GOOD), Sample(S, 9.0, UNCERTAIN), Sample(2 * S, 5.0, GOOD), Sample(3 * S, None, BAD),
        Sample(4 * S, 1.0, GOOD), Sample(5 * S, 0.0, GOOD),
    ]  # fmt: skip
    how = How(stepped=True, least_good_percent=0.0)
    count, least, most = [
        aggregate(Series(samples), 0, 5 * S, kind, how) for kind in (Kind.COUNT, Kind.MINIMUM, Kind.MAXIMUM)
    ]
    assert (count.value, count.quality) == (3.0, UNCERTAIN)
    assert (least.value, least.at_us) == (1.0, 4 * S)
    assert (most.value, most.at_us) == (5.0, 0)
    assert aggregate(Series(samples), 6 * S, 7 * S, Kind.MINIMUM, how).quality is BAD


def test_total_comes_from_the_totaliser_and_the_rate_stands_beside_it() -> None:
    """A totaliser from 1000 to 1030 kg, a rate of 1 kg/s of which 10 s are missing: 10 kg short, a third."""
    found = totals_against_rate(series(1000.0, 1010.0, 1020.0, 1030.0), series(1.0, None, 1.0, 1.0), 0, 30 * S)
    assert (found.total_kg, found.why_not, found.integrated_kg) == (30.0, "", 20.0)
    assert found.difference_kg == -10.0
    assert found.difference_percent == pytest.approx(-100.0 / 3.0)
    assert found.rate.gaps == ((10 * S, 20 * S),)


@pytest.mark.parametrize(
    ("counts", "why_not"),
    [
        ((None, 10.0, 20.0), "not known at the beginning"),
        ((0.0, 10.0, None), "not known at the end"),
        ((50.0, 0.0, 20.0), "went back within the span"),
    ],
)
def test_without_a_totaliser_there_is_no_total(counts: tuple[float | None, ...], why_not: str) -> None:
    found = totals_against_rate(series(*counts), series(1.0, 1.0, 1.0), 0, 20 * S)
    assert (found.total_kg, found.difference_kg, found.difference_percent) == (None, None, None)
    assert why_not in found.why_not
    assert found.integrated_kg == 20.0


def test_sloped_rate_may_be_integrated_too() -> None:
    found = totals_against_rate(series(0.0, 0.0), series(0.0, 2.0), 0, 10 * S, rate_stepped=False)
    assert (found.integrated_kg, found.difference_percent) == (10.0, None)


def test_what_is_no_span_or_no_order_is_refused() -> None:
    with pytest.raises(SpanError, match="has no length"):
        coverage(series(1.0), 5, 5, STEPPED)
    with pytest.raises(SampleOrderError, match="a sample at 0 us follows one at 0 us"):
        Series([Sample(0, 1.0, GOOD), Sample(0, 1.0, GOOD)])


def test_parts_of_a_span_add_up_to_it() -> None:
    """Totals with simple bounds over neighbouring spans are the total over both."""
    how = How(stepped=False, least_good_percent=0.0)
    data = series(1.0, 4.0, None, 2.0, 7.0)
    parts = [aggregate(data, a * S, b * S, Kind.TOTAL, how).value or 0.0 for a, b in ((0, 7), (7, 24), (24, 40))]
    whole = aggregate(data, 0, 40 * S, Kind.TOTAL, how).value
    assert sum(parts) == pytest.approx(whole)
