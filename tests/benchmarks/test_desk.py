"""The benchmark of the desk judges what it measured: percentile, interval over pairs, age of a change."""

import random
from typing import Any

import pytest

from tests.benchmarks.desk import PAIRS, change, judge, p99_us, words


def figures(added_us: float, *, pairs: int = PAIRS, age_s: float = 0.2, drawn_s: float = 0.3) -> dict[str, Any]:
    """Windows of a hundred scans about 8 ms; those with pages are later by so much."""
    chance = random.Random(1)
    none = [[8000.0 + 500.0 * chance.random() for _ in range(100)] for _ in range(pairs)]
    fifty = [[8000.0 + 500.0 * chance.random() + added_us for _ in range(100)] for _ in range(pairs)]
    return {
        "seed": 7, "window_s": 20.0, "late_us": {"none": none, "fifty": fifty}, "ages_s": [0.05, age_s],
        "shown_s": [0.1, drawn_s],
    }  # fmt: skip


def test_the_percentile_is_that_of_all_scans_of_the_windows() -> None:
    assert p99_us([list(range(1, 51)), list(range(51, 101))]) == 99
    assert p99_us([[5.0]]) == 5.0


@pytest.mark.parametrize("added_us", [0.0, 400.0, 3000.0])
def test_the_interval_holds_what_was_added(added_us: float) -> None:
    found = change(figures(added_us))
    assert found["low_us"] <= found["change_us"] <= found["high_us"]
    assert found["low_us"] - 60.0 <= added_us <= found["high_us"] + 60.0


@pytest.mark.parametrize(
    ("added_us", "age_s", "drawn_s", "met"),
    [
        (0.0, 0.2, 0.3, True), (700.0, 0.5, 0.5, True), (3000.0, 0.2, 0.3, False), (0.0, 0.51, 0.3, False),
        (0.0, 0.2, 0.51, False),
    ],
)  # fmt: skip
def test_every_target_must_be_met(added_us: float, age_s: float, drawn_s: float, met: bool) -> None:
    assert judge(figures(added_us, age_s=age_s, drawn_s=drawn_s)).met is met


def test_the_section_says_what_was_run() -> None:
    text = "\n".join(words(figures(0.0)))
    assert "12 pairs of windows of 20 s, with 40 streams that read and 10 that do not" in text
    assert "at most 0.200 s" in text
    assert "has drawn it 0.300 s after the latch (median of 2), at most 0.300 s" in text
