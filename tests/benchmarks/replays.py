"""An 8-hour shift from its journal through the same core, by the command, on one core."""

import asyncio
import json
import os
import resource
import subprocess
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.benchmarks.made_journal import SEED, make
from tests.benchmarks.section import ROOT, Figures, Section, Verdict

HOURS = 8.0
TARGET_S = 60.0


def measure(quick: bool) -> Figures:
    """Make the journal, then time the command from start to end."""
    hours = 0.2 if quick else HOURS
    with TemporaryDirectory() as folder:
        began = time.perf_counter()
        made = asyncio.run(make(Path(folder), hours))
        making_s = time.perf_counter() - began
        core = min(os.sched_getaffinity(0))
        used_before = resource.getrusage(resource.RUSAGE_CHILDREN)
        began = time.perf_counter()
        command = [sys.executable, "-m", "crumbmeter", "replay", "--json", folder]
        with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
            os.sched_setaffinity(process.pid, {core})
            out, said = process.communicate()
        took_s = time.perf_counter() - began
        used = resource.getrusage(resource.RUSAGE_CHILDREN)
    if process.returncode not in (0, 1):
        raise RuntimeError(f"the replay ended with {process.returncode}: {said[-800:]}")
    processor_s = used.ru_utime + used.ru_stime - used_before.ru_utime - used_before.ru_stime
    return {
        "seed": SEED, "hours": hours, "made": made, "making_s": round(making_s, 1), "took_s": round(took_s, 2),
        "processor_s": round(processor_s, 2), "exit_code": process.returncode, "replay": json.loads(out),
    }  # fmt: skip


def judge(figures: Figures) -> Verdict:
    """In time, all of it, and the same."""
    told = figures["replay"]
    whole = told["scans"] == figures["made"]["scans"] and not told["gaps"] and not told["skipped"]
    same = figures["exit_code"] == 0 and told["differing"] == 0
    reached = (
        f"{figures['hours']:g} h ({told['scans']} scans) in {figures['took_s']:.1f} s ({figures['processor_s']:.1f} "
        f"s of processor time), {'the same bit for bit' if same else str(told['differing']) + ' scans differ'}"
    )
    return Verdict(
        reached if whole else f"{reached}; not all scans were replayed",
        whole and same and figures["took_s"] <= TARGET_S,
    )


def words(figures: Figures) -> list[str]:
    """Write the section."""
    made, told = figures["made"], figures["replay"]
    return [
        (
            f"{figures['hours']:g} hours of the demonstration site on virtual time, the demonstration hour once an "
            f"hour ({made['mix_tonne']:.0f} t of mix), recorded by the product's recorder and journal: "
            f"{made['scans']} scans, {made['bytes'] / 1e6:.1f} MB. Making it took {figures['making_s']:.0f} s and is "
            "not counted. Then `crumbmeter replay --json` in a process of its own, bound to one core, from its "
            f"start to its end: {1e6 * figures['took_s'] / told['scans']:.0f} us a scan, {told['gaps']} gaps, "
            f"{told['differing']} scans with other outputs."
        ),
    ]


SECTION = Section(
    "replay", "Replay of a shift", f"8 h in <= {TARGET_S:g} s on one core, the same bit for bit", measure, judge, words
)
