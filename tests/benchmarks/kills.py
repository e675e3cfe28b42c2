"""`kill -9` under load, at random and at named points: the run of tests/system/test_kill.py, counted."""

import random
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.benchmarks.section import ROOT, Figures, Section, Verdict
from tests.system.test_kill import KILLS, POINTS, Shift

SEED = 2


def measure(quick: bool) -> Figures:
    """Kill, look, and go on; a kill after which the journal is not as promised ends the run."""
    wanted = 10 if quick else KILLS
    problem = ""
    with TemporaryDirectory() as folder:
        shift = Shift(Path(folder) / "journal.db", ROOT, random.Random(SEED))
        for kill in range(wanted):
            try:
                shift.run(POINTS[kill // 2 % len(POINTS)] if kill % 2 else "")
                shift.check()
            except AssertionError as broken:
                problem = f"kill {kill + 1}: {broken}"
                break
    return {
        "seed": SEED, "kills": sum(shift.killed_at.values()), "wanted": wanted, "killed_at": shift.killed_at,
        "acknowledgements": shift.acknowledgements, "entries_found_and_held": len(shift.seen), "problem": problem,
    }  # fmt: skip


def judge(figures: Figures) -> Verdict:
    """All kills, and no promise broken."""
    if figures["problem"]:
        return Verdict(f"broken: {figures['problem']}", met=False)
    reached = f"{figures['kills']} kills: 0 acknowledged entries lost, 0 unacknowledged or dropped ones back as another"
    return Verdict(reached, figures["kills"] == figures["wanted"])


def words(figures: Figures) -> list[str]:
    """Write the section."""
    points = ", ".join(f"{count} {point.replace('_', ' ')}" for point, count in sorted(figures["killed_at"].items()))
    return [
        (
            f"One journal over {figures['kills']} deaths of its process ({points}), with segments and retention so "
            f"small that every point is passed. {figures['acknowledgements']} acknowledgements were heard. After "
            "each death: the newest acknowledged heads and the last twenty of earlier runs verify, sequences and "
            "scan numbers have no hole, parcel numbers come once and in order, and none of "
            f"{figures['entries_found_and_held']} entries that were ever found on the disk was another entry later. "
            "A kill ends the process, not the machine: it says nothing about a disk that lies about its cache (that "
            "is tried in `tests/unit/journal/`)."
        ),
    ]


SECTION = Section(
    "kill", "kill -9 under load", "100 kills, nothing acknowledged lost, nothing resurrected", measure, judge, words
)
