"""Travel in closed loop on a handful of drawn plants: figures near the truth, and intervals that hold it."""

from typing import Any

import pytest

from tests.benchmarks import travel, travel_runs


@pytest.mark.slow
@pytest.mark.parametrize("number", [101, 102, 103])
def test_travel_of_a_drawn_plant(number: int) -> None:
    case = travel.play(number)
    assert case["withheld"] == []
    rows = case["rows"]
    assert len(rows) == 2 * 2 * 3 + 2  # two instruments, two streams, three places; line and auger
    # A run's intervals share their errors, so they miss together: three of fourteen are let pass, none by far.
    assert sum(not row["holds"] for row in rows) <= 3
    assert all(abs(row["found_s"] - row["true_s"]) <= 4.0 * row["standard_s"] for row in rows)
    line = next(row for row in rows if row["what"] == "line")
    assert abs(line["found_s"] - line["true_s"]) <= travel.LINE_TARGET_S
    arrival = next(row for row in rows if row["what"] == "discharge current: aggregate")
    assert abs(arrival["found_s"] - arrival["true_s"]) <= 1.5


def test_draws_differ_and_come_again() -> None:
    first, again, other = travel_runs.draw(1), travel_runs.draw(1), travel_runs.draw(2)
    assert first == again
    assert all(first[key] != other[key] for key in first if not key.startswith("drum.cells"))
    drum = {key: value for key, value in first.items() if key.startswith("drum.")}
    whole_s = drum["drum.inlet_to_injection_s"] + drum["drum.injection_to_outlet_s"]
    assert 0.75 * 107.0 <= whole_s <= 1.25 * 107.0


def row(*, found_s: float, holds: bool, what: str = "line") -> dict[str, Any]:
    return {
        "what": what, "quantity": "", "true_s": 4.0, "found_s": found_s, "standard_s": 0.1, "holds": holds,
    }  # fmt: skip


def test_the_section_sums_and_judges() -> None:
    good: list[dict[str, Any]] = [{"rows": [row(found_s=4.1, holds=True)], "withheld": []} for _ in range(20)]
    summed = travel.sums(good)
    assert summed[0]["rms_error_s"] == pytest.approx(0.1)
    assert (summed[0]["found"], summed[0]["holding"]) == (20, 20)
    figures: dict[str, Any] = {"sums": summed, "cases": good, "coverage": 0.95, "draws_seed": 1}
    assert travel.judge(figures).met
    missed: list[dict[str, Any]] = [{"rows": [row(found_s=6.0, holds=False)], "withheld": ["drum: x"]}] * 4
    bad = [*good[:16], *missed]
    figures = {"sums": travel.sums(bad), "cases": bad, "coverage": 0.95, "draws_seed": 1}
    verdict = travel.judge(figures)
    assert not verdict.met
    assert verdict.reached.startswith("80 % of 20 intervals")
    assert any("withheld: drum: x" in line for line in travel.words(figures))
