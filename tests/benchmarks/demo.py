"""The demonstration over real sockets, beside the yardsticks on the same plant, scenario and seed."""

import json
import subprocess
import sys
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from crumbmeter.cli.demo_report import NAMES
from crumbmeter.journal.reader import Reader
from crumbmeter.ledger import boots, scans
from crumbmeter.ledger.stamped import BOOT
from tests.benchmarks import scores
from tests.benchmarks.section import DEMO_SITE, ROOT, SCENARIOS, Figures, Section, Verdict

RATE = 10.0
LATE_SHARE = 1.5
"""A scan that took more than this share of its period came late: at 10x the period is 20 ms of real time."""


def measure(quick: bool) -> Figures:
    """Run the command as a user would and take its JSON; then look in its journal for scans that came late."""
    scenario = "start_up" if quick else "demo_shift"
    with TemporaryDirectory() as folder:
        done = subprocess.run(
            [
                sys.executable, "-m", "crumbmeter", "demo", "--json", "--rate", str(RATE), "--folder", folder,
                "--scenario", str(SCENARIOS / f"{scenario}.toml"), "--site", str(DEMO_SITE),
            ],
            cwd=ROOT, capture_output=True, text=True, check=False,
        )  # fmt: skip
        try:
            told = json.loads(done.stdout)
        except json.JSONDecodeError as nothing:
            raise RuntimeError(f"the demonstration ended with {done.returncode}: {done.stderr[-800:]}") from nothing
        timing = _timing(Path(folder))
    return {"scenario": scenario, "seed": told["score"]["seed"], "rate": RATE, "timing": timing, **told}


def _timing(folder: Path) -> dict[str, Any]:
    with Reader(next(folder.glob("run-*/journal.db"))) as reader:
        stored = reader.last(BOOT)
        if stored is None:
            raise RuntimeError("the demonstration's journal holds no run")
        spans_s = sorted(record.dt_s for _, _, record in scans.iterate(reader, boots.read(stored).boot_id))
    period_s = spans_s[len(spans_s) // 2]
    late = sum(span_s > LATE_SHARE * period_s for span_s in spans_s)
    return {"scans": len(spans_s), "median_dt_s": period_s, "longest_dt_s": spans_s[-1], "late_scans": late}


def _rows(figures: Figures) -> dict[str, scores.Row]:
    return {
        name: scores.row_of(score) for name, score in {"crumbmeter": figures["score"], **figures["yardsticks"]}.items()
    }


def judge(figures: Figures) -> Verdict:
    """Hold the shift against its three targets and its scenario's expectations."""
    rows = _rows(figures)
    own, best = rows["crumbmeter"], rows["best_achievable"]
    missed = scores.failures(own, best) + list(figures["verdict"]["failures"])
    reached = (
        f"{own['within_5_percent']:.1f} % within ±5 %, RMS {own['rms_percent']:.2f} % (best achievable "
        f"{best['rms_percent']:.2f} %), total error {own['total_error_percent']:+.2f} %"
    )
    return Verdict("; ".join([reached, *missed]), not missed)


def words(figures: Figures) -> list[str]:
    """Write the section."""
    rows, verdict, timing = _rows(figures), figures["verdict"], figures["timing"]
    score = figures["score"]
    return [
        (
            f"`crumbmeter demo --json`: {score['scenario']} on {score['plant']}, {score['played_s'] / 60.0:.0f} min "
            f"of plant time at {figures['rate']:g}x, over real sockets. True dose error of the mix at the drum's "
            "outlet, windows of 5 t."
        ),
        "",
        *scores.score_table([(NAMES[name], rows[name]) for name in NAMES if name in rows]),
        "",
        (
            f"{verdict['events_seen']} of {verdict['events_expected']} expected events seen in order; run state at "
            f"the end: {verdict['end_state']}; {score['feeder']['refills']} refills, "
            f"{score['feeder']['bags_changed']} bags changed; largest burst of rubber without mix "
            f"{score['rubber_without_mix']['largest_burst_kg']:.2f} kg; the simulator's mass balance is open by "
            f"{scores.gap_words(score['oracle']['rubber_gap_kg'])}."
        ),
        *(f"- not met: {failure}" for failure in verdict["failures"]),
        "",
        (
            f"{timing['scans']} scans; {timing['late_scans']} of them took more than {LATE_SHARE:g} periods; the "
            f"longest was {timing['longest_dt_s']:.2f} s of plant time, "
            f"{1e3 * timing['longest_dt_s'] / figures['rate']:.0f} ms of real time."
        ),
    ]


SECTION = Section("demo", "Demonstration over real sockets", scores.TARGET, measure, judge, words)
