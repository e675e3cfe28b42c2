"""Every scenario of the repository over Modbus TCP: real daemon, real simulator, real sockets.

    python -m tests.benchmarks.sockets NAME... [--rate 2]

plays some of them anew, for all of them take most of an hour, and puts their rows in place of the old ones. The page
says at which commit such a row was made.
"""

import argparse
import json
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Any

from tests.benchmarks import stamp
from tests.benchmarks.protocols import play
from tests.benchmarks.section import ROOT, SCENARIOS, Figures, Section, Verdict, table

RATE = 2.0
AT_ONCE = 10
"""Each is idle most of the time."""
TARGET = "every scenario shows its expected events in order and its expected end state over Modbus TCP"


def measure(quick: bool) -> Figures:
    """Play several at a time, the longest first."""
    names = sorted((path.stem for path in SCENARIOS.glob("*.toml")), key=lambda name: (name != "demo_shift", name))
    return {"runs": _played(["start_up"] if quick else names, RATE)}


def _played(names: Sequence[str], rate: float) -> list[dict[str, Any]]:
    with ThreadPoolExecutor(AT_ONCE) as pool:
        played = list(pool.map(lambda name: play(name, "tcp", rate, yardsticks=False), names))
    return sorted(played, key=lambda one: str(one["scenario"]))


def judge(figures: Figures) -> Verdict:
    """Count the scenarios that went as written."""
    runs = figures["runs"]
    good = sum(one["verdict"]["met"] for one in runs)
    return Verdict(f"{good} of {len(runs)} scenarios met", good == len(runs))


def words(figures: Figures) -> list[str]:
    """Write the section."""
    rows = [
        (
            f"`{one['scenario']}`", str(one["seed"]),
            f"{one['verdict']['events_seen']} of {one['verdict']['events_expected']}", one["verdict"]["end_state"],
            "-" if one["metering_rms_percent"] is None else f"{one['metering_rms_percent']:.2f}",
            f"{one['largest_burst_kg']:.2f}", "yes" if one["verdict"]["met"] else "no",
        )
        for one in figures["runs"]
    ]  # fmt: skip
    missed = [
        f"- not met: {one['scenario']}: {failure}" for one in figures["runs"] for failure in one["verdict"]["failures"]
    ]
    anew = [
        f"- played anew: {one['scenario']} at {one['rate']:g}x, {one['anew']['date']}, `{one['anew']['commit'][:10]}`"
        f"{' with changes' if one['anew']['dirty'] else ''}"
        for one in figures["runs"]
        if "anew" in one
    ]
    head = (
        "scenario", "seed", "events in order", "state at the end", "metering RMS [%]", "largest burst [kg]", "met",
    )  # fmt: skip
    told = f"Each file of `config/scenarios/` by `crumbmeter demo` at {RATE:g}x, {AT_ONCE} at a time."
    return [told, "", *table(head, rows), "", *anew, *missed]


def main() -> None:
    """Play the scenarios named at the command line anew."""
    parser = argparse.ArgumentParser(description="Play scenarios over Modbus TCP anew.")
    parser.add_argument("names", nargs="+", metavar="NAME")
    parser.add_argument("--rate", type=float, default=RATE)
    options = parser.parse_args()
    file = ROOT / "docs" / "benchmarks" / "sockets.json"
    anew = {"date": stamp.date(), **stamp.tree()}
    played = {one["scenario"]: one | {"anew": anew} for one in _played(options.names, options.rate)}
    told = json.loads(file.read_text("utf-8"))
    told["figures"]["runs"] = [played.get(one["scenario"], one) for one in told["figures"]["runs"]]
    file.write_text(json.dumps(told, indent=1) + "\n", encoding="utf-8")


SECTION = Section("sockets", "Scenarios over Modbus TCP", TARGET, measure, judge, words)

if __name__ == "__main__":
    main()
