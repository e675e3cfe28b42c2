"""The pure computation of one scan, timed in closed loop through the demonstration shift."""

import gc
import time
from array import array
from typing import Any

from crumbmeter.control.step import StepResult
from tests.benchmarks.section import Figures, Section, Verdict, quantile, table
from tests.benchmarks.watch import Step, stepping_through
from tests.closed_loop import loop_for

TARGET_P99_US = 1000.0
WARM_UP = 200
"""Scans at the start that are not counted."""
SEEDS = (7, 8)
RUNS = ((True, "collector on, as the product runs"), (False, "collector off"))


def time_steps(seed: int, scans: int | None) -> "tuple[array[int], array[int]]":
    """Play the shift, or its first scans; return [ns] of the wall clock and of this thread's processor time."""
    wall, cpu = array("q"), array("q")

    def timed(step: Step, arguments: tuple[Any, ...]) -> StepResult:
        cpu_began, began = time.thread_time_ns(), time.perf_counter_ns()
        result = step(*arguments)
        wall.append(time.perf_counter_ns() - began)
        cpu.append(time.thread_time_ns() - cpu_began)
        return result

    with stepping_through(timed):
        loop = loop_for("demo_shift", seed=seed)
        while not loop.rig.finished and (scans is None or loop.scans < scans):
            loop.scan()
    return wall[WARM_UP:], cpu[WARM_UP:]


def _figures(taken: "array[int]") -> dict[str, float]:
    ordered = sorted(taken)
    return {
        "p50_us": quantile(ordered, 0.50) / 1e3,
        "p99_us": quantile(ordered, 0.99) / 1e3,
        "p999_us": quantile(ordered, 0.999) / 1e3,
        "max_us": ordered[-1] / 1e3,
        "mean_us": sum(ordered) / len(ordered) / 1e3,
    }


def measure(quick: bool) -> Figures:
    """Time two shifts with the collector as it is, and one without it."""
    runs = []
    for collector, title in RUNS:
        wall, cpu = array("q"), array("q")
        for seed in SEEDS if collector else SEEDS[:1]:
            if not collector:
                gc.disable()
            try:
                some_wall, some_cpu = time_steps(seed, 2000 if quick else None)
            finally:
                gc.enable()
                gc.collect()
            wall.extend(some_wall)
            cpu.extend(some_cpu)
        runs.append({"title": title, "scans": len(wall), "wall": _figures(wall), "cpu": _figures(cpu)})
    return {"seed": list(SEEDS), "runs": runs}


def judge(figures: Figures) -> Verdict:
    """Hold the wall clock of the run as the product runs against the target."""
    run = figures["runs"][0]
    p99_us = run["wall"]["p99_us"]
    reached = (
        f"p99 {p99_us / 1e3:.3f} ms by the wall clock ({run['cpu']['p99_us'] / 1e3:.3f} ms of processor time) over "
        f"{run['scans']} scans"
    )
    return Verdict(reached, p99_us <= TARGET_P99_US)


def words(figures: Figures) -> list[str]:
    """Write the section."""
    rows = [
        (
            f"{run['title']}, {run['scans']} scans: {clock}",
            *(f"{run[key][name] / 1e3:.3f}" for name in ("p50_us", "mean_us", "p99_us", "p999_us", "max_us")),
        )
        for run in figures["runs"]
        for key, clock in (("wall", "wall clock"), ("cpu", "processor time"))
    ]
    return [
        (
            "`step(state, image, commands, core, dt)` alone, in closed loop with the plant through the demonstration "
            "shift in one process. Reading, writing, recording and the simulator are not in it, though the "
            "simulator's objects are in the same heap. Where the machine is shared, the wall clock also holds the "
            "slices that the system gave to others (some 4 ms each); processor time does not."
        ),
        "",
        *table(("[ms]", "p50", "mean", "p99", "p99.9", "max"), rows),
    ]


SECTION = Section("step", "Pure computation of one scan", "p99 <= 1 ms", measure, judge, words)
