"""Every scenario of the repository: its events in their order, its end, and no rubber beyond the line's content.

At a stop that nobody announced the auger's run-down adds to what the line holds, whoever controls it: where a burst is
larger than the line ever held, the best achievable is played as well, and a burst may be as large as its own.
"""

from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict
from multiprocessing import get_context
from pathlib import Path
from typing import Any

from crumbmeter.cli.demo_parts import Expectations, read_shift
from crumbmeter.cli.demo_report import judge as hold_against
from crumbmeter_sim import yardsticks
from tests.benchmarks.scores import gap_words
from tests.benchmarks.section import POOL, SCENARIOS, Figures, Section, Verdict, table
from tests.closed_loop import loop_for

TARGET = (
    "every scenario shows its expected events in order and its expected end state; no rubber without mix beyond what "
    "the line holds, or the best achievable has"
)
LARGEST_GAP_KG = 1e-6


def play(name: str) -> dict[str, Any]:
    """Play one scenario and judge it as the demonstration judges."""
    loop = loop_for(name)
    shift = read_shift(SCENARIOS / f"{name}.toml", seed=None, plant=None, rate=1.0, folder=Path())
    expected = Expectations(shift.expected)
    line = loop.rig.plant.line
    end_state, most_kg, told = "", 0.0, 0
    while not loop.rig.finished:
        loop.scan()
        for at_s, happened in loop.events[told:]:
            expected.take(at_s, happened)
        told = len(loop.events)
        if loop.view is not None and loop.view.in_service:
            end_state = loop.view.run_state
        if not line.plugged:  # what piles up behind a plug is not what a line holds
            most_kg = max(most_kg, line.content_kg)
    score = loop.rig.score()
    burst_kg = score["rubber_without_mix"]["largest_burst_kg"]
    best_kg = best_burst_kg(name) if burst_kg > most_kg else 0.0
    return {
        "scenario": name, "title": shift.title, "seed": score["seed"], "played_s": score["played_s"],
        "line_held_at_most_kg": most_kg, "outputs_outside_limits": loop.unsafe,
        "largest_burst_kg": burst_kg, "largest_burst_of_best_kg": best_kg,
        "rubber_gap_kg": score["oracle"]["rubber_gap_kg"],
        "expected_times_s": [round(at_s, 1) for at_s in expected.times_s],
        **asdict(hold_against(shift, score, expected, end_state)),
    }  # fmt: skip


def best_burst_kg(name: str) -> float:
    """[kg] Return the largest burst of the best achievable in a scenario."""
    score = yardsticks.run("best_achievable", SCENARIOS / f"{name}.toml")
    return float(score["rubber_without_mix"]["largest_burst_kg"])


def measure(quick: bool) -> Figures:
    """Play all of them, the longest first."""
    names = sorted(path.stem for path in SCENARIOS.glob("*.toml"))
    names = ["start_up", "rate_change"] if quick else sorted(names, key=lambda name: name != "demo_shift")
    with ProcessPoolExecutor(POOL, get_context("spawn")) as pool:
        played = sorted(pool.map(play, names), key=lambda one: str(one["scenario"]))
    return {"seed": "each scenario's own", "scenarios": played}


def failures(one: dict[str, Any]) -> list[str]:
    """Name what a scenario missed."""
    missed = [str(failure) for failure in one["failures"]]
    if one["largest_burst_kg"] > max(one["line_held_at_most_kg"], one["largest_burst_of_best_kg"]):
        missed.append(
            f"a burst of {one['largest_burst_kg']:.2f} kg of rubber without mix; the line held at most "
            f"{one['line_held_at_most_kg']:.2f} kg, and the best achievable's was {one['largest_burst_of_best_kg']:.2f}"
        )
    if abs(one["rubber_gap_kg"]) > LARGEST_GAP_KG:
        missed.append(f"the simulator's mass balance is open by {one['rubber_gap_kg']} kg")
    if one["outputs_outside_limits"]:
        missed.append(f"{one['outputs_outside_limits']} scans put out a value beyond its limits")
    return missed


def burst_words(one: dict[str, Any]) -> str:
    """Say the largest burst, and the best achievable's where it was asked."""
    best_kg = one["largest_burst_of_best_kg"]
    return f"{one['largest_burst_kg']:.2f}" + (f" (best achievable {best_kg:.2f})" if best_kg > 0.0 else "")


def judge(figures: Figures) -> Verdict:
    """Count the scenarios that went as written."""
    played = figures["scenarios"]
    good = sum(not failures(one) for one in played)
    return Verdict(f"{good} of {len(played)} scenarios met", good == len(played))


def words(figures: Figures) -> list[str]:
    """Write the section."""
    rows, missed = [], []
    for one in figures["scenarios"]:
        wrong = failures(one)
        missed += [f"- not met: {one['scenario']}: {failure}" for failure in wrong]
        rows.append(
            (
                f"`{one['scenario']}`",
                str(one["seed"]),
                f"{one['events_seen']} of {one['events_expected']}",
                one["end_state"],
                burst_words(one),
                f"{one['line_held_at_most_kg']:.2f}",
                gap_words(one["rubber_gap_kg"]),
                "no" if wrong else "yes",
            )
        )
    head = (
        "scenario", "seed", "events in order", "state at the end", "largest burst [kg]", "line held at most [kg]",
        "mass balance open by", "met",
    )  # fmt: skip
    return [
        (
            "Each file of `config/scenarios/` in closed loop on virtual time, judged by what is written in it, with "
            "the same code by which the demonstration judges itself. A burst is rubber that reached a standing or "
            "empty drum in one go. Where one is larger than the line ever held, for the auger runs down besides, the "
            "best achievable was played as well: it has the same auger."
        ),
        "",
        *table(head, rows),
        "",
        *missed,
    ]


SECTION = Section("scenarios", "Scenarios", TARGET, measure, judge, words)
