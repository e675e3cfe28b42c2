"""Under which conditions something was measured: commit, date, machine, and how busy the machine was."""

import os
import platform
import subprocess
import time
from pathlib import Path
from typing import Any

from tests.benchmarks.section import ROOT

OWN = (":!docs/benchmarks", ":!docs/benchmarks.md")
"""What this command writes itself makes no tree dirty."""


def _git(*words: str) -> str:
    return subprocess.run(["git", *words], cwd=ROOT, capture_output=True, text=True, check=True).stdout.strip()


def tree() -> dict[str, Any]:
    """Return the commit of the checkout, and whether files of it differ from that commit."""
    return {"commit": _git("rev-parse", "HEAD"), "dirty": bool(_git("status", "--porcelain", "--", ".", *OWN))}


def machine() -> dict[str, Any]:
    """Describe the machine, with one figure by which another machine's times can be scaled."""
    return {
        "cores": os.cpu_count(),
        "processor": _processor(),
        "system": f"{platform.system()} {platform.release()}",
        "python": platform.python_version(),
        "loop_of_a_million_ms": round(_loop_ms(), 2),
    }


def _processor() -> str:
    with Path("/proc/cpuinfo").open(encoding="utf-8") as told:
        names = [line.partition(":")[2].strip() for line in told if line.startswith("model name")]
    return names[0] if names else platform.machine()


def _loop_ms() -> float:
    """[ms] Return the best of five empty loops of a million turns."""
    took = []
    for _ in range(5):
        began = time.perf_counter()
        for _ in range(1_000_000):
            pass
        took.append(time.perf_counter() - began)
    return 1e3 * min(took)


def load() -> float:
    """Return how many processes wanted a core in the last minute, this one among them."""
    return round(os.getloadavg()[0], 2)


def date() -> str:
    """Return the present date and time, UTC."""
    return time.strftime("%Y-%m-%d %H:%M UTC", time.gmtime())
