"""A plan made before the truck left, out of its own JSON: which checks failed is all that a commissioning repeats."""

import json
from hashlib import sha256
from pathlib import Path
from typing import Any, Final

from crumbmeter.model.faults import CrumbmeterError
from crumbmeter.qc.acceptance import PlanSummary

MOST_FACTS: Final = 16
MOST_FAILED: Final = 40
FAILED_WORDS: Final = ("fail", "fails", "failed", "not ok", "too high", "too low")


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
        blocks = held["blocks"]
        facts = [_fact(one) for block in blocks if block["block"] == "facts" for one in block["facts"]]
        failed = [words for block in blocks if block["block"] == "table" for words in _failed(block)]
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


def _failed(block: dict[str, Any]) -> list[str]:
    """Return the rows of a table of checks that say that they failed."""
    return [
        ", ".join(str(cell) for cell in row if cell not in (None, ""))
        for row in block["rows"]
        if any(isinstance(cell, str) and cell.strip().lower() in FAILED_WORDS for cell in row)
    ]
