"""What the campaigns share: where results go, what is noted beside them, and how a bound is said."""

import json
import multiprocessing
import platform
import subprocess
import sys
from collections import Counter
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import pymodbus

ROOT = Path(__file__).resolve().parents[2]
RESULTS = ROOT / "docs" / "benchmarks"
Result = dict[str, Any]


def upper_bound(count: int, exposures: int) -> float | None:
    """[1] Return the 95 % upper bound of a rate of which nothing was seen (3/n); None where something was."""
    return 3.0 / exposures if not count and exposures else None


def commit() -> str:
    """Name the state of the checkout; `-dirty` where it differs from what was committed."""
    told = subprocess.run(
        ["git", "describe", "--always", "--dirty", "--abbrev=12"], cwd=ROOT, check=False, capture_output=True, text=True
    )
    return told.stdout.strip() or "unknown"


BEGUN_AT = commit()
"""When the run began: what is committed meanwhile had no part in it."""


def note(name: str, result: Mapping[str, Any], folder: Path = RESULTS) -> Path:
    """Write a result with what it was made with."""
    folder.mkdir(parents=True, exist_ok=True)
    made_with = {"commit": BEGUN_AT, "python": platform.python_version(), "pymodbus": pymodbus.__version__}
    path = folder / f"{name}.json"
    path.write_text(json.dumps({**result, **made_with}, indent=2, sort_keys=False) + "\n", "utf-8")
    return path


def say(text: str) -> None:
    """Say one line to whoever runs it."""
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def side_by_side(work: Callable[..., Result], jobs: list[tuple[Any, ...]]) -> list[Result]:
    """Run jobs in processes of their own, one each, and return what they give."""
    if len(jobs) == 1:
        return [work(*jobs[0])]
    with multiprocessing.get_context("spawn").Pool(len(jobs)) as pool:
        return pool.starmap(work, jobs, chunksize=1)


def total(results: list[Result], key: str) -> dict[str, int]:
    """Add up one table of counts over several results."""
    counts: Counter[str] = Counter()
    for result in results:
        counts.update(result[key])
    return dict(sorted(counts.items()))
