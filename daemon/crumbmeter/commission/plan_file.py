"""A plan made before the truck left, out of its own JSON: which checks failed is all that a commissioning repeats."""

import json
from hashlib import sha256
from pathlib import Path
from typing import Any, Final

from crumbmeter.model.faults import CrumbmeterError
from crumbmeter.planning.verdicts import Verdict
from crumbmeter.qc.acceptance import PlanSummary
from crumbmeter.report.plan_checks import TITLES

MOST_FACTS: Final = 16
MOST_FAILED: Final = 40
KIND: Final = "plan"
OPEN: Final = (TITLES[Verdict.FAILS], TITLES[Verdict.NOT_JUDGED])
"""Titles of the plan's tables that are repeated whole."""


class PlanFileError(CrumbmeterError):
    """The file is no plan; the words say what is expected."""


def read_plan(path: Path) -> PlanSummary:
    """Read the JSON of a plan: a document as every report of this program writes it.

    Raises:
        PlanFileError: it cannot be read, or is no such document.
    """
    try:
        raw = path.read_bytes()
        held = json.loads(raw)
        if held["kind"] != KIND:
            raise ValueError(f"a document of kind {held['kind']!r}")  # noqa: TRY301 - told with the others below
        blocks = held["blocks"]
        facts = [_fact(one) for block in blocks if block["block"] == "facts" for one in block["facts"]]
        failed = [
            words for title in OPEN for block in blocks if block["block"] == "table" and block["title"] == title
            for words in _rows(block)
        ]  # fmt: skip
        period, title = str(held.get("period", "")), str(held["title"])
    except (OSError, ValueError, KeyError, TypeError) as problem:
        raise PlanFileError(
            f"{path}: {type(problem).__name__}: {problem}; expected the JSON that `crumbmeter plan` writes"
        ) from problem
    return PlanSummary(title, sha256(raw).hexdigest(), period, tuple(facts[:MOST_FACTS]), tuple(failed[:MOST_FAILED]))


def _fact(one: dict[str, Any]) -> tuple[str, str]:
    value = one["value"]
    shown = "" if value is None else f"{value} {one.get('unit', '')}".strip().replace("_", " ")
    return str(one["label"]), shown


def _rows(block: dict[str, Any]) -> list[str]:
    """Write each row of a table of checks on one line, its remedy last."""
    return [", ".join(str(cell) for cell in row if cell not in (None, "")) for row in block["rows"]]
