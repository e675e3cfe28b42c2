"""What reports share: exact masses in the site's units, periods with their true length, marks."""

from datetime import UTC, datetime
from decimal import Decimal

import pytest

from crumbmeter.report.figures import rounded
from crumbmeter.report.frame import length, percent
from tests.unit.report.production import FRAME, frame


def test_masses_are_exact() -> None:
    """The pound is 453.592 37 g (1959): so is the short ton of 2000."""
    assert FRAME.tons(907_184_740) == 1000
    assert FRAME.smalls(45_359_237) == 100_000
    metric = frame(metric=True)
    assert (metric.tons(1), metric.smalls(1)) == (Decimal("0.000001"), Decimal("0.001"))
    assert rounded(FRAME.tons(3_000_000_000), 2) == Decimal("3306.93")


def test_a_period_has_its_true_length_over_the_change_of_the_clock() -> None:
    begin, end = (round(datetime(2026, 11, 1, hour, tzinfo=UTC).timestamp() * 1e6) for hour in (6, 15))
    assert FRAME.span(begin, end) == "2026-11-01 00:00-06:00 to 2026-11-01 08:00-07:00, 9 h"


@pytest.mark.parametrize(("length_s", "words"), [(0, "0 s"), (300, "5 min"), (3661, "1 h 1 min 1 s"), (86400, "24 h")])
def test_lengths_in_words(length_s: float, words: str) -> None:
    assert length(length_s) == words


def test_marks_and_paper() -> None:
    def made(*, site: bool, some: bool) -> tuple[str, ...]:
        return frame(simulated=site).document("k", "t", "p", (), simulated=some).marks

    assert [made(site=site, some=some) for site in (True, False) for some in (True, False)] == [
        ("SIMULATE",), ("SIMULATE",), ("SIMULATE",), (),
    ]  # fmt: skip
    assert frame(metric=True).document("k", "t", "p", ()).metric
    assert percent(None) is None


def test_identity_says_all_it_rests_on() -> None:
    assert dict(FRAME.rests_on.identity()) == {
        "crumbmeter": "0.1.0", "time zones": FRAME.rests_on.zone_edition, "record entries": "10 to 120000",
        "rows read": "36000", "settings": "9f3a" * 16, "quality plan": "77aa" * 16,
        "head": "record:120000:" + "5f" * 32,
    }  # fmt: skip
