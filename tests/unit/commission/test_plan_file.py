"""A plan's JSON, as the program writes it: what is repeated of it; and what is no plan."""

import json
from pathlib import Path

import pytest

from crumbmeter.cli.plan import plan
from crumbmeter.commission.plan_file import PlanFileError, read_plan
from tests.quality_site import ROOT


def test_facts_and_checks_that_do_not_pass_are_repeated(tmp_path: Path) -> None:
    file = tmp_path / "plan.json"
    plan(ROOT / "config/jobs/imaginary_flats.toml", output=file)
    found = read_plan(file)
    assert found.period == "17 checks: 2 fail, 1 cannot be judged, 14 pass"
    assert ("Rubber in a bag", "2000.0 lb") in found.facts
    assert [words.split(", ")[0] for words in found.failed] == [
        "lowest auger speed",
        "electric supply",
        "pressure drop",
    ]
    assert len(found.sha256) == 64


@pytest.mark.parametrize(
    "content",
    ["", "[]", '{"title": "x"}', '{"kind": "plan", "title": "x", "blocks": [{}]}', '{"kind": "day", "blocks": []}'],
)
def test_what_is_no_plan_is_refused_with_what_is_expected(content: str, tmp_path: Path) -> None:
    file = tmp_path / "plan.json"
    file.write_text(content)
    with pytest.raises(PlanFileError, match="expected the JSON that `crumbmeter plan` writes"):
        read_plan(file)


def test_another_document_of_the_program_is_no_plan(tmp_path: Path) -> None:
    file = tmp_path / "day.json"
    file.write_text(json.dumps({"kind": "day", "title": "Day", "period": "", "blocks": []}))
    with pytest.raises(PlanFileError, match="'day'"):
        read_plan(file)
