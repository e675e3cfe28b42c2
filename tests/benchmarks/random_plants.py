"""Quick scenarios on plants drawn at random: how often the target of the dose is met where nothing was tuned."""

import math
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from crumbmeter import site as sites
from crumbmeter_sim import yardsticks
from crumbmeter_sim.rig import Rig
from crumbmeter_sim.scenario import load_scenario
from tests.benchmarks import dose
from tests.benchmarks.drawn_plants import Drawn, draw
from tests.benchmarks.section import POOL, ROOT, SCENARIOS, Figures, Section, Verdict, table
from tests.closed_loop import ClosedLoop

RUNS = ("start_up", "rate_change", "refill", "bag_change", "mix_without_rubber")
NUMBERS = range(25, 49)
"""Causes of errors were looked for on plants 1 to 24, so these are others."""
SEEDS = (1,)


@dataclass(frozen=True, slots=True)
class Case:
    """One run to play. Has to travel to another process."""

    scenario: str
    number: int
    seed: int


def placed(drawn: Drawn, scenario: str, folder: Path) -> tuple[Path, Path, dict[str, Any]]:
    """Write scenario and site file of a drawn plant; return both and what differs from the base plant's file."""
    source = SCENARIOS / f"{scenario}.toml"
    text = dose.at_rates(source.read_text("utf-8"), drawn.rate_factor, drawn.plant)
    (folder / "sites").mkdir(exist_ok=True)
    if not (folder / "devices").exists():
        (folder / "devices").symlink_to(ROOT / "config" / "devices")
    path, site = folder / source.name, folder / "sites" / f"{drawn.base}.toml"
    path.write_text(text, encoding="utf-8")
    site.write_text(drawn.site_text(), encoding="utf-8")
    return path, site, drawn.in_scenario(load_scenario(source).changes)


def play(case: Case) -> dict[str, Any]:
    """Play the daemon's core and the best achievable through one case."""
    with TemporaryDirectory() as folder:
        path, site, changes = placed(draw(case.number), case.scenario, Path(folder))
        loop = ClosedLoop(sites.load(site), Rig.from_scenario(path, seed=case.seed, overrides=dict(changes)))
        scores = {"crumbmeter": loop.play()}
        scores["best_achievable"] = yardsticks.run("best_achievable", path, seed=case.seed, overrides=dict(changes))
    return {
        "scenario": case.scenario, "plant": case.number, "seed": case.seed, "outputs_outside_limits": loop.unsafe,
        "rubber_gap_kg": scores["crumbmeter"]["oracle"]["rubber_gap_kg"],
        "controllers": {name: dose.figures_of(score) for name, score in scores.items()},
    }  # fmt: skip


def cases(quick: bool) -> list[Case]:
    """List the runs."""
    if quick:
        return [Case("start_up", 1, 1), Case("start_up", 2, 1)]
    return [Case(name, number, seed) for name in RUNS for number in NUMBERS for seed in SEEDS]


def measure(quick: bool) -> Figures:
    """Play all runs."""
    with ProcessPoolExecutor(POOL, get_context("spawn")) as pool:
        played = list(pool.map(play, cases(quick)))
    return {"seed": sorted({one["seed"] for one in played}), "runs": played}


def rows_of(figures: Figures) -> list[dose.Row]:
    """Gather the runs by scenario and plant."""
    found: dict[tuple[str, int], list[dict[str, Any]]] = {}
    for run in figures["runs"]:
        found.setdefault((run["scenario"], run["plant"]), []).append(run)
    return [dose.Row(str(plant), scenario, runs) for (scenario, plant), runs in found.items()]


def met(row: dose.Row) -> bool:
    """Tell whether a row is near enough to the best achievable, in metering and in true dose."""
    return row.over_points <= dose.MOST_OVER_BEST_POINTS


def judge(figures: Figures) -> Verdict:
    """Count the rows that meet the target."""
    rows = rows_of(figures)
    good, outside = sum(map(met, rows)), sum(run["outputs_outside_limits"] for run in figures["runs"])
    plants = len({row.plant for row in rows})
    return Verdict(f"{good} of {len(rows)} rows met, on {plants} drawn plants", good == len(rows) and not outside)


def words(figures: Figures) -> list[str]:
    """Write the section: a line a scenario, then the worst rows."""
    rows = rows_of(figures)
    head = (
        "scenario", "plants that meet it", "metering RMS [%]", "best achievable", "true dose RMS [%]", "best",
        "worst plant: over best [points]",
    )  # fmt: skip
    lines = []
    for scenario in dict.fromkeys(row.scenario for row in rows):
        there = [row for row in rows if row.scenario == scenario]
        both = [
            f"{pooled(there, name, kind):.2f}"
            for kind in ("metering", "true")
            for name in ("crumbmeter", "best_achievable")
        ]
        worst = max(there, key=lambda row: row.over_points)
        lines.append(
            (f"`{scenario}`", f"{sum(map(met, there))} of {len(there)}", *both,
             f"{worst.over_points:+.2f} (plant {worst.plant})")
        )  # fmt: skip
    outside = sum(run["outputs_outside_limits"] for run in figures["runs"])
    return [
        (
            "Each plant is drawn by its number around the demonstration plant or the small one: size, dose, belts, "
            "drum, line, feeder, rubber and instruments differ (`tests/benchmarks/drawn_plants.py`). Its site file "
            "believes travel, feed factor, moisture and air with small errors and is not told the rest. Nothing is "
            "tuned on them, and nothing was looked for on them. Windows are of 5 t, over all plants and seeds. Values "
            f"put out beyond their limits: {outside}."
        ),
        "",
        *table(head, lines),
        "",
        *[
            f"- not met: plant {row.plant}, {row.scenario}: {row.over_points:+.2f} points"
            for row in rows
            if not met(row)
        ],
    ]


def pooled(rows: Sequence[dose.Row], controller: str, kind: str) -> float:
    """[%] Return the root mean square over the windows of all rows."""
    found = [one for row in rows for one in row.figures(controller, "5_t", kind)]
    count = sum(one["n"] for one in found)
    return math.sqrt(math.fsum(one["n"] * one["rms_percent"] ** 2 for one in found) / count) if count else 0.0


TARGET = (
    f"in every row RMS (5 t; metering and true dose) <= best achievable + {dose.MOST_OVER_BEST_POINTS:g} point, where "
    "nothing was tuned"
)
SECTION = Section("random_plants", "Plants drawn at random", TARGET, measure, judge, words)
