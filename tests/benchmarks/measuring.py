"""Measures one section in this process and writes its file: figures, and the conditions they were taken under.

    python -m tests.benchmarks.measuring NAME FILE [--quick]

Started by the benchmark command, a process a section: no section has another's heap, caches or threads.
"""

import argparse
import json
import time
import traceback
from pathlib import Path
from typing import Any

from tests.benchmarks import stamp
from tests.benchmarks.sections import SECTIONS


def measured(name: str, *, quick: bool) -> dict[str, Any]:
    """Measure a section; a section that cannot be measured says why instead."""
    section = SECTIONS[name]
    if section.measure is None:
        raise ValueError(f"section {name} is written by another command")
    told: dict[str, Any] = {
        "section": name, "quick": quick, "date": stamp.date(), **stamp.tree(), "machine": stamp.machine(),
        "load_before": stamp.load(),
    }  # fmt: skip
    began = time.perf_counter()
    try:
        told["figures"] = section.measure(quick)
    except Exception as failed:  # noqa: BLE001 - the page then says so, and the other sections are still measured
        traceback.print_exc()
        told["failed"] = f"{type(failed).__name__}: {failed}"
    told |= {"took_s": round(time.perf_counter() - began, 1), "load_after": stamp.load()}
    after = stamp.tree()
    if after["commit"] != told["commit"]:
        told["commit_after"] = after["commit"]
    return told


def main() -> None:
    """Measure and write."""
    parser = argparse.ArgumentParser()
    parser.add_argument("name", choices=SECTIONS)
    parser.add_argument("file", type=Path)
    parser.add_argument("--quick", action="store_true")
    options = parser.parse_args()
    told = measured(options.name, quick=options.quick)
    options.file.write_text(json.dumps(told, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
