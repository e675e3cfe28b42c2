"""Figures in reports: half to even through decimals, empty where missing, times with their offset."""

from datetime import UTC, datetime
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from crumbmeter.report.figures import NoFigureError, Value, iso, iso_utc, moment, rounded, shown, unit_words
from crumbmeter.site.zones import time_zone


@pytest.mark.parametrize(
    ("value", "decimals", "text"),
    [
        (4.65, 1, "4.6"),
        (4.75, 1, "4.8"),
        (Decimal("4.6500"), 1, "4.6"),
        (Decimal("4.7500"), 1, "4.8"),
        (2.675, 2, "2.68"),
        (1.005, 2, "1.00"),
        (0.125, 2, "0.12"),
        (0.1 + 4.55, 1, "4.6"),
        (-0.04, 1, "0.0"),
        (-2.5, 0, "-2"),
        (7, 2, "7.00"),
        (1e22, 1, "10000000000000000000000.0"),
        (12.0, 3, "12.000"),
    ],
)
def test_half_goes_to_the_even_digit(value: float | Decimal, decimals: int, text: str) -> None:
    """4.65 and 4.75: Ohio DOT CMS 403.06, FAA workshop; as binary floats they lie above and at the half."""
    assert shown(value, decimals) == text


@given(st.integers(-(10**9), 10**9), st.integers(0, 4))
def test_a_typed_half_is_a_half_whatever_its_binary_form(whole: int, decimals: int) -> None:
    exact = (Decimal(whole) + Decimal("0.5")).scaleb(-decimals)
    assert rounded(float(exact), decimals) == rounded(exact, decimals)
    assert rounded(exact, decimals).scaleb(decimals) % 2 == 0


@pytest.mark.parametrize("value", [float("nan"), float("inf"), Decimal("NaN")])
def test_what_is_no_number_is_refused(value: float | Decimal) -> None:
    with pytest.raises(NoFigureError, match="missing value is None"):
        shown(value, 1)


@pytest.mark.parametrize(
    ("value", "text"), [(None, ""), (0, "0"), (True, "yes"), ("x", "x"), (0.25, "0.25"), (1e-7, "0.0000001")]
)
def test_other_values(value: Value, text: str) -> None:
    assert shown(value) == text


def test_times_carry_their_offset() -> None:
    denver = time_zone("America/Denver")
    before, after = moment(1_793_518_200_000_000, denver), moment(1_793_521_800_000_000, denver)
    assert (iso(before), iso(after)) == ("2026-11-01T01:30:00-06:00", "2026-11-01T01:30:00-07:00")
    assert (iso_utc(before), iso_utc(after)) == ("2026-11-01T07:30:00Z", "2026-11-01T08:30:00Z")
    assert iso_utc(datetime(2026, 1, 2, 3, 4, 5, 250_000, tzinfo=UTC)) == "2026-01-02T03:04:05.250Z"


@pytest.mark.parametrize(
    ("code", "words"),
    [("short_ton/h", "short ton/h"), ("percent of mix", "% of mix"), ("degF", "°F"), ("m3/s", "m³/s"), ("kg", "kg")],
)
def test_units_as_people_write_them(code: str, words: str) -> None:
    assert unit_words(code) == words
