"""Aggregates against the example data of OPC UA Part 13 v1.04, annex A (informative): Historians 1, 2 and 3.

Each table is named beside its values. Two things differ on purpose: the standard counts one millisecond behind the last
sample as data (A.29 prints 10001 ms for 10 s), and its simple bounds give the value of that millisecond for an interval
that begins with the last sample (A.5: 90 at 12:01:30); here what follows the last sample is not known.
"""

import pytest

from crumbmeter.model.quality import Quality
from crumbmeter.qc.aggregates import Kind, aggregate, coverage, integral, time_average
from crumbmeter.qc.series import Bounds, How, Sample, Series

S = 1_000_000
GOOD, UNCERTAIN, BAD = Quality.GOOD, Quality.UNCERTAIN, Quality.BAD


def series(*samples: tuple[int, float | None, Quality]) -> Series:
    return Series(Sample(at_s * S, value, quality) for at_s, value, quality in samples)


HISTORIAN_1 = series(
    (0, None, BAD), (10, 10, GOOD), (20, 20, GOOD), (30, 30, GOOD), (40, 40, BAD), (50, 50, GOOD), (60, 60, GOOD),
    (70, 70, UNCERTAIN), (80, 80, GOOD), (90, 90, GOOD),
)  # fmt: skip
"""A.1.1, seconds from 12:00:00. Sloped; Uncertain is used."""
HISTORIAN_2 = series(
    (0, None, BAD), (2, 10, GOOD), (25, 20, GOOD), (28, 25, GOOD), (39, 30, GOOD), (42, None, BAD), (48, 40, GOOD),
    (52, 50, GOOD), (72, 60, GOOD), (77, 70, UNCERTAIN), (83, 70, GOOD), (86, 80, GOOD), (90, 90, GOOD),
)  # fmt: skip
"""A.1.2. Sloped; Uncertain counts as Bad. A.1.3, Historian 3: the same samples, stepped."""


def how(bounds: Bounds, *, historian: int) -> How:
    return How(stepped=historian == 3, bounds=bounds, uncertain_is_bad=historian > 1, least_good_percent=0.0)


A2_HISTORIAN_1 = (
    None, None, 10, 15, 20, 25, 30, 35, 40, 45, 50, 55, 60, 65, 70, 75, 80, 85, 90, 90
)  # fmt: skip
A2_HISTORIAN_2 = (
    None, 11.304, 13.478, 15.652, 17.826, 20, 25.909, 28.182, 31.111, 36.667, 45, 51.5, 54, 56.5, 59, 62.727, 67.273,
    76.667, 90,
)  # fmt: skip
A2_QUALITY_1 = "BB" + "GGGGG" + "UUU" + "GGG" + "UUU" + "GGG" + "U"
A2_QUALITY_2 = "B" + "GGGGGGG" + "UU" + "GGGGG" + "UU" + "GG"


@pytest.mark.parametrize(
    ("data", "historian", "values", "qualities"),
    [(HISTORIAN_1, 1, A2_HISTORIAN_1, A2_QUALITY_1), (HISTORIAN_2, 2, A2_HISTORIAN_2, A2_QUALITY_2)],
)
def test_a2_interpolative(data: Series, historian: int, values: tuple[float | None, ...], qualities: str) -> None:
    found = [data.value_at(at * 5 * S, how(Bounds.INTERPOLATED, historian=historian)) for at in range(len(values))]
    assert [value for value, _ in found] == [
        None if value is None else pytest.approx(value, abs=0.0005) for value in values
    ]
    assert "".join(quality.name[0] for _, quality in found) == qualities


A4_HISTORIAN_1 = (
    None, None, 12.5, 17.5, 22.5, 27.5, 32.5, 37.5, 42.5, 47.5, 52.5, 57.5, 62.5, 67.5, 72.5, 77.5, 82.5, 87.5, 90, 90
)  # fmt: skip
A4_QUALITY_1 = "BB" + "GGGG" + "UUUU" + "GG" + "UUUU" + "GG" + "UU"
A5_HISTORIAN_1 = (
    None, None, 12.5, 17.5, 22.5, 27.5, 30, 30, None, None, 52.5, 57.5, 62.5, 67.5, 72.5, 77.5, 82.5, 87.5
)  # fmt: skip
A5_QUALITY_1 = "BB" + "GGGG" + "UU" + "BB" + "GG" + "UUUU" + "GG"
A5_HISTORIAN_2 = (
    10.652, 12.391, 14.565, 16.739, 18.913, 23.682, 27.046, 29.273, 30, 42.5, 49.45, 52.75, 55.25, 57.75, 59.8
)  # fmt: skip
A5_QUALITY_2 = "U" + "GGGGGG" + "UUU" + "GGGG" + "U"
A5_HISTORIAN_3 = (10, 10, 10, 10, 10, 22, 25, 26, 30, 40, 46, 50, 50, 50, 56)
"""As corrected in the standard body's public issue 6227 on Part 13 (stepped: the value holds)."""


@pytest.mark.parametrize(
    ("data", "historian", "bounds", "values", "qualities"),
    [
        (HISTORIAN_1, 1, Bounds.INTERPOLATED, A4_HISTORIAN_1, A4_QUALITY_1),
        (HISTORIAN_1, 1, Bounds.SIMPLE, A5_HISTORIAN_1, A5_QUALITY_1),
        (HISTORIAN_2, 2, Bounds.SIMPLE, A5_HISTORIAN_2, A5_QUALITY_2),
        (HISTORIAN_2, 3, Bounds.SIMPLE, A5_HISTORIAN_3, ""),
    ],
)
def test_a4_and_a5_time_weighted_averages_over_five_seconds(
    data: Series, historian: int, bounds: Bounds, values: tuple[float | None, ...], qualities: str
) -> None:
    found = [
        aggregate(data, at * 5 * S, (at + 1) * 5 * S, Kind.TIME_AVERAGE, how(bounds, historian=historian))
        for at in range(len(values))
    ]
    expected = [None if value is None else pytest.approx(value, abs=0.0006) for value in values]
    assert [one.value for one in found] == expected
    assert "".join(one.quality.name[0] for one in found[: len(qualities)]) == qualities


def test_a4_interpolated_average_over_a_bad_sample() -> None:
    """Historian 2, 12:00:45: 36.667 to 40 in 3 s and 40 to 45 in 2 s are 40 (table A.4, explained by its editors)."""
    pieces = HISTORIAN_2.pieces(45 * S, 50 * S, how(Bounds.INTERPOLATED, historian=2))
    assert time_average(pieces) == pytest.approx(40.0, abs=0.0005)
    assert integral(pieces) == pytest.approx(200.0, abs=0.0025)


@pytest.mark.parametrize(
    ("data", "historian", "good_ms"),
    [
        (HISTORIAN_1, 1, (6000, 16000, 0, 14000, 0, 10001)),
        (HISTORIAN_2, 2, (14000, 16000, 10000, 16000, 13000, 7001)),
        (HISTORIAN_2, 3, (14000, 16000, 10000, 16000, 13000, 7001)),
    ],
)
def test_a29_duration_good_over_sixteen_seconds(data: Series, historian: int, good_ms: tuple[int, ...]) -> None:
    found = [
        coverage(data, at * 16 * S, (at + 1) * 16 * S, how(Bounds.SIMPLE, historian=historian)).good_s
        for at in range(len(good_ms))
    ]
    assert found == pytest.approx([good / 1000.0 for good in good_ms], abs=0.0011)


@pytest.mark.parametrize(
    ("data", "kind", "expected"),
    [
        (HISTORIAN_1, Kind.MINIMUM, ((10, 10), (20, 20), None, (50, 50), None, (80, 80), None)),
        (HISTORIAN_1, Kind.MAXIMUM, ((10, 10), (30, 30), None, (60, 60), None, (90, 90), None)),
        (HISTORIAN_2, Kind.MINIMUM, ((10, 2), (20, 25), (30, 39), (40, 48), (60, 72), (70, 83), None)),
        (HISTORIAN_2, Kind.MAXIMUM, ((10, 2), (25, 28), (30, 39), (50, 52), (60, 72), (90, 90), None)),
    ],
)
def test_a10_and_a11_minimum_and_maximum_with_their_times(
    data: Series, kind: Kind, expected: tuple[tuple[int, int] | None, ...]
) -> None:
    historian = 1 if data is HISTORIAN_1 else 2
    found = [
        aggregate(data, at * 16 * S, (at + 1) * 16 * S, kind, how(Bounds.SIMPLE, historian=historian))
        for at in range(len(expected))
    ]
    seen = [None if one.value is None or one.at_us is None else (one.value, one.at_us // S) for one in found]
    assert seen == list(expected)
