"""Quick scenarios on plants drawn at random: how often the target of the dose is met where nothing was tuned."""

import math
import re
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
NUMBERS = range(1, 13)
SEEDS = (1, 2)


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
