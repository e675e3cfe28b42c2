"""A plan's JSON: what is repeated of it, and what is no plan."""

import json
from pathlib import Path

import pytest

from crumbmeter.commission.plan_file import PlanFileError, read_plan

PLAN = {
    "title": "Job plan", "period": "one night", "blocks": [
        {"block": "facts", "facts": [{"label": "mix", "value": 800, "unit": "short_ton"}]},
        {"block": "table", "rows": [["air velocity", "fails", 12.0, None], ["turndown", "passes", 4.0, None]]},
    ],
}  # fmt: skip


def test_facts_and_failed_checks_are_repeated(tmp_path: Path) -> None:
    file = tmp_path / "plan.json"
    file.write_text(json.dumps(PLAN))
    found = read_plan(file)
    assert found.facts == (("mix", "800 short ton"),)
    assert found.failed == ("air velocity, fails, 12.0",)
    assert len(found.sha256) == 64


@pytest.mark.parametrize("content", ["", "[]", '{"title": "x"}', '{"title": "x", "blocks": [{}]}'])
def test_what_is_no_plan_is_refused_with_what_is_expected(content: str, tmp_path: Path) -> None:
    file = tmp_path / "plan.json"
    file.write_text(content)
    with pytest.raises(PlanFileError, match="expected the JSON that `crumbmeter plan` writes"):
        read_plan(file)
