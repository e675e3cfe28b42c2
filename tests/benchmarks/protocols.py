"""The same scenarios over each wire: real daemon, real simulator, real links, judged by what the scenarios expect."""

import json
import subprocess
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from tests.benchmarks.section import ROOT, SCENARIOS, Figures, Section, Verdict, table
from tests.ports import free_port
from tests.wires import WIRES, laid

PLAYED = ("rate_change", "full_drum_stop", "refill")
"""A start and two changes of rate; a stop with a full drum and a restart; two refills of the weigh hopper."""
RATE = 1.0
"""At the plant's own pace, so that time-outs and the serial line's speed are what they are at a plant."""
QUICK_RATE = 5.0
TARGET = "three scenarios show what they expect over Modbus TCP, a serial line and OPC UA alike"


def play(name: str, wire: str, rate: float, *, yardsticks: bool = True) -> dict[str, Any]:
    """Play one scenario over one wire, as a user would, and take what the command says of it."""
    with TemporaryDirectory() as text:
        folder = Path(text)
        with laid(WIRES[wire], folder, free_port) as files:
            # The yardsticks know nothing of the wire: once is enough.
            more = ["--json"] if wire == "tcp" and yardsticks else ["--json", "--no-yardsticks"]
            words = files.demo_words(SCENARIOS / f"{name}.toml", rate, *more)
            done = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, check=False)
            stops = _stops(folder)
    try:
        told = json.loads(done.stdout)
    except json.JSONDecodeError as nothing:
        raise RuntimeError(f"{name} over {wire} ended with {done.returncode}: {done.stderr[-800:]}") from nothing
    score, best = told["score"], told["yardsticks"].get("best_achievable")
    return {
        "scenario": name, "wire": wire, "rate": rate, "seed": score["seed"], "played_s": score["played_s"],
        **_errors(score), "best": None if best is None else _errors(best),
        "refills": score["feeder"]["refills"], "largest_burst_kg": score["rubber_without_mix"]["largest_burst_kg"],
        "total_error_percent": score["total"]["error_percent"], "verdict": told["verdict"],
        "feed_stops": stops,
    }  # fmt: skip


def _stops(folder: Path) -> list[str]:
    """Return why the feed stopped, each time: a machine that stalled shows here, and not as a fault of the wire."""
    lines = [line for log in folder.glob("runs/run-*/log.jsonl") for line in log.read_text().splitlines()]
    told = [json.loads(line) for line in lines if '"feed_stopped"' in line]
    return [str(one.get("cause")) for one in told if one["event"] == "feed_stopped"]


def _errors(score: Mapping[str, Any]) -> dict[str, Any]:
    window = score["windows"]["5_t"]
    return {
        "windows": window["true"]["n"],
        "rms_percent": window["true"].get("rms_percent"),
        "metering_rms_percent": window["metering"].get("rms_percent"),
    }


def measure(quick: bool) -> Figures:
    """Play all of them at once: at this pace each is idle most of the time."""
    names = ("start_up",) if quick else PLAYED
    runs = [(name, wire) for name in names for wire in WIRES]
    with ThreadPoolExecutor(len(runs)) as pool:
        played = list(pool.map(lambda run: play(run[0], run[1], QUICK_RATE if quick else RATE), runs))
    return {"runs": played}


def judge(figures: Figures) -> Verdict:
    """Count the runs that went as written, and say how far apart the wires are."""
    runs = figures["runs"]
    good = sum(one["verdict"]["met"] for one in runs)
    worst = max(one["metering_rms_percent"] or 0.0 for one in runs)
    return Verdict(f"{good} of {len(runs)} runs met; metering RMS at most {worst:.2f} %", good == len(runs))


def words(figures: Figures) -> list[str]:
    """Write the section."""
    best = {one["scenario"]: one["best"] for one in figures["runs"] if one["best"] is not None}
    rows = [
        (
            f"`{one['scenario']}`", WIRES[one["wire"]].title, f"{one['rate']:g}x",
            f"{one['verdict']['events_seen']} of {one['verdict']['events_expected']}", one["verdict"]["end_state"],
            str(one["windows"]), f"{one['rms_percent']:.2f}", f"{best[one['scenario']]['rms_percent']:.2f}",
            f"{one['metering_rms_percent']:.2f}", str(one["refills"]), f"{one['largest_burst_kg']:.2f}",
            "yes" if one["verdict"]["met"] else "no",
        )
        for one in figures["runs"]
    ]  # fmt: skip
    missed = [
        f"- not met: {one['scenario']} over {WIRES[one['wire']].title}: {failure} (the feed stopped for: "
        f"{', '.join(one['feed_stops']) or 'nothing'})"
        for one in figures["runs"]
        for failure in one["verdict"]["failures"]
    ]
    head = (
        "scenario", "over", "played at", "events in order", "state at the end", "windows of 5 t", "RMS [%]",
        "best achievable [%]", "metering RMS [%]", "refills", "largest burst [kg]", "met",
    )  # fmt: skip
    return [
        (
            "`crumbmeter demo` on `config/sites/demo_drum.toml`, `demo_opcua.toml` and `demo_serial.toml`: daemon and "
            "simulator as two programs, sockets and a pseudo-terminal between them, the same plant, scenario and seed."
        ),
        "",
        *table(head, rows),
        "",
        *missed,
    ]


SECTION = Section("protocols", "The same plant over each wire", TARGET, measure, judge, words)
