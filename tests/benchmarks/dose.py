"""Every drum scenario on three plants and five seeds, beside the yardsticks: how closely the mix follows the dose.

Scenarios are those with sound instruments. Their rates are those of the demonstration plant and are scaled to what the
plant at hand is made for, so that a scenario means the same on each.
"""

import math
import re
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from crumbmeter import site as sites
from crumbmeter_sim import yardsticks
from crumbmeter_sim.plantfile import load_plant
from crumbmeter_sim.rig import Rig
from tests.benchmarks.section import POOL, ROOT, SCENARIOS, Figures, Section, Verdict, table
from tests.closed_loop import ClosedLoop

PLANTS = {
    "demo_drum": "demonstration plant",
    "small_drum": "small plant",
    "second_drum": "second plant (hold-out)",
}
RUNS = (
    "start_up", "rate_change", "rate_ramp", "low_rate", "high_rate", "stop_and_go", "demo_shift", "refill",
    "bag_change", "full_drum_stop", "silo_full", "mix_without_rubber", "recycle_late", "recycle_alone", "binder_late",
    "fines_surge",
)  # fmt: skip
SEEDS = range(1, 6)
CONTROLLERS = ("crumbmeter", "best_achievable", "fixed_delay_follower", "plain_follower")
SCENARIOS_ARE_FOR = 250.0
"""[short ton/h] Nominal rate of the plant that the scenarios' rates were written for."""
MOST_OVER_BEST_POINTS = 0.5
BEATEN_FROM_POINTS = 1.0
UNANNOUNCED = ("full_drum_stop", "silo_full")
"""Stops with a full drum that nobody announced."""
MOST_MORE_TONNE, MOST_MORE_S = 0.5, 2.0
NOMINAL_TONNE_S = {"demo_drum": 0.0630, "small_drum": 0.0353, "second_drum": 0.0806}
"""[t/s] Mix at the plants' nominal rates: 250, 140 and 320 short ton/h."""
WITHIN_5_PERCENT = 98.0
TARGET = (
    f"in every scenario RMS (5 t; metering and true dose) <= best achievable + {MOST_OVER_BEST_POINTS:g} point, and "
    f"below the fixed-delay follower wherever that one is more than {BEATEN_FROM_POINTS:g} point from the best; a stop "
    f"with a full drum costs <= best + {MOST_MORE_TONNE:g} t without rubber and + {MOST_MORE_S:g} s of feed on no mix; "
    f">= {WITHIN_5_PERCENT:g} % of mix within ±5 %"
)
_RATE = re.compile(r"^(mix_short_ton_h = )([0-9.]+)$", re.MULTILINE)
_PLANT = re.compile(r'^plant = ".*"$', re.MULTILINE)

FIGURES = ("n", "within_5_percent", "within_10_percent", "rms_percent", "mean_percent", "worst_percent")
"""What is kept of the windows of one size and kind, in this order."""


@dataclass(frozen=True, slots=True)
class Case:
    """One run to play. Has to travel to another process."""

    scenario: str
    plant: str
    seed: int


def scaled(scenario: Path, plant: Path, folder: Path) -> Path:
    """Write the scenario anew with its rates in proportion to the plant."""
    factor = load_plant(plant).nominal.mix_short_ton_h / SCENARIOS_ARE_FOR
    path = folder / scenario.name
    path.write_text(at_rates(scenario.read_text("utf-8"), factor, plant), encoding="utf-8")
    return path


def at_rates(text: str, factor: float, plant: Path) -> str:
    """Return the text of a scenario with its rates times a factor, on another plant."""
    text = _RATE.sub(lambda found: f"{found[1]}{round(float(found[2]) * factor, 1)}", text)
    return _PLANT.sub(f'plant = "{plant}"', text)


def play(case: Case) -> dict[str, Any]:
    """Play the daemon's core and the three yardsticks through one case."""
    plant = ROOT / "config" / "plants" / f"{case.plant}.toml"
    with TemporaryDirectory() as folder:
        path = scaled(SCENARIOS / f"{case.scenario}.toml", plant, Path(folder))
        site = sites.load(ROOT / "config" / "sites" / f"{case.plant}.toml")
        loop = ClosedLoop(site, Rig.from_scenario(path, seed=case.seed))
        scores = {"crumbmeter": loop.play()}
        scores |= yardsticks.run_all(path, seed=case.seed)
    return {
        "scenario": case.scenario, "plant": case.plant, "seed": case.seed, "outputs_outside_limits": loop.unsafe,
        "rubber_gap_kg": scores["crumbmeter"]["oracle"]["rubber_gap_kg"],
        "controllers": {name: figures_of(scores[name]) for name in CONTROLLERS},
    }  # fmt: skip


def figures_of(score: dict[str, Any]) -> dict[str, Any]:
    """Keep of a score what this section judges and shows."""
    without = score["rubber_without_mix"]
    windows = {
        f"{size} {kind}": [round(figures.get(key, 0.0), 4) for key in FIGURES]
        for size, kinds in score["windows"].items()
        for kind, figures in kinds.items()
    }
    return {
        "windows": windows,
        "tonne_without_rubber": score["tonne_without_rubber"],
        "rubber_without_mix_kg": without["standing_drum_kg"] + without["empty_drum_kg"],
        "wanted_kg_per_tonne": score["total"]["wanted_kg"] / score["total"]["mix_tonne"],
    }


def cases(quick: bool) -> list[Case]:
    """List the runs, the longest first."""
    if quick:
        return [Case("rate_change", "demo_drum", 1), Case("rate_change", "small_drum", 1)]
    order = sorted(RUNS, key=lambda name: name not in ("demo_shift", "stop_and_go"))
    return [Case(name, plant, seed) for name in order for plant in PLANTS for seed in SEEDS]


def measure(quick: bool) -> Figures:
    """Play all runs."""
    with ProcessPoolExecutor(POOL, get_context("spawn")) as pool:
        played = list(pool.map(play, cases(quick)))
    return {"seed": sorted({one["seed"] for one in played}), "runs": played}


@dataclass(frozen=True, slots=True)
class Row:
    """One scenario on one plant, over its seeds."""

    plant: str
    scenario: str
    runs: Sequence[dict[str, Any]]

    def figures(self, controller: str, size: str, kind: str) -> list[dict[str, float]]:
        """Return the figures of each seed that has such windows."""
        found = [run["controllers"][controller]["windows"][f"{size} {kind}"] for run in self.runs]
        return [dict(zip(FIGURES, one, strict=True)) for one in found if one[0]]

    def rms(self, controller: str, size: str = "5_t", kind: str = "metering") -> float:
        """[%] Return the root mean square over the windows of all seeds."""
        found = self.figures(controller, size, kind)
        count = sum(one["n"] for one in found)
        return math.sqrt(math.fsum(one["n"] * one["rms_percent"] ** 2 for one in found) / count) if count else 0.0

    def share(self, controller: str, key: str) -> float:
        """[%] Return the share of 5 t windows whose true dose is within a band."""
        found = self.figures(controller, "5_t", "true")
        count = sum(one["n"] for one in found)
        return math.fsum(one["n"] * one[key] for one in found) / count if count else 100.0

    def worst(self, controller: str) -> float:
        """[%] Return the worst 5 t window, metering."""
        return max([one["worst_percent"] for one in self.figures(controller, "5_t", "metering")], key=abs, default=0.0)

    def mean(self, controller: str, key: str) -> float:
        """Return the mean over the seeds."""
        return float(math.fsum(run["controllers"][controller][key] for run in self.runs) / len(self.runs))

    @property
    def over_points(self) -> float:
        """[points] Return by how much RMS is over the best achievable's: the worse of metering and true dose."""
        return max(
            self.rms("crumbmeter", kind=kind) - self.rms("best_achievable", kind=kind) for kind in ("metering", "true")
        )

    @property
    def missed(self) -> list[str]:
        """Name the targets that this row misses."""
        own, best, fixed = (self.rms(name) for name in CONTROLLERS[:3])
        found = []
        if self.over_points > MOST_OVER_BEST_POINTS:
            found.append(f"{self.over_points:+.2f} points over the best achievable")
        if fixed > best + BEATEN_FROM_POINTS and own >= fixed:
            found.append(f"RMS {own:.2f} %, the fixed-delay follower {fixed:.2f} %")
        if self.scenario in UNANNOUNCED:
            more_t = self.mean("crumbmeter", "tonne_without_rubber") - self.mean(
                "best_achievable", "tonne_without_rubber"
            )
            if more_t > MOST_MORE_TONNE:
                found.append(f"{more_t:+.2f} t of mix without rubber over the best achievable")
            if self.feed_on_no_mix_s > MOST_MORE_S:
                found.append(f"{self.feed_on_no_mix_s:+.1f} s of feed on no mix over the best achievable")
        return found

    @property
    def feed_on_no_mix_s(self) -> float:
        """[s] Return how much longer than the best achievable it fed on no mix, at the plant's nominal rate."""
        key = "rubber_without_mix_kg"
        more_kg = self.mean("crumbmeter", key) - self.mean("best_achievable", key)
        rate_kg_s = self.mean("crumbmeter", "wanted_kg_per_tonne") * NOMINAL_TONNE_S[self.plant]
        return more_kg / rate_kg_s


def rows_of(figures: Figures) -> list[Row]:
    """Gather the runs by plant and scenario."""
    runs = figures["runs"]
    return [
        Row(plant, scenario, there)
        for plant in PLANTS
        for scenario in RUNS
        if (there := [run for run in runs if run["plant"] == plant and run["scenario"] == scenario])
    ]


def judge(figures: Figures) -> Verdict:
    """Count the rows that meet the targets."""
    rows = rows_of(figures)
    by_plant = ", ".join(
        f"{title} {sum(not row.missed for row in there)} of {len(there)}"
        for plant, title in PLANTS.items()
        if (there := [row for row in rows if row.plant == plant])
    )
    within = _share(rows)
    good = sum(not row.missed for row in rows)
    return Verdict(
        f"{good} of {len(rows)} scenarios met ({by_plant}); {within:.1f} % of mix within ±5 %",
        good == len(rows) and within >= WITHIN_5_PERCENT,
    )


def _share(rows: Iterable[Row]) -> float:
    found = [one for row in rows for one in row.figures("crumbmeter", "5_t", "true")]
    count = sum(one["n"] for one in found)
    return math.fsum(one["n"] * one["within_5_percent"] for one in found) / count if count else 100.0


def words(figures: Figures) -> list[str]:
    """Write the section: one table a plant and one of what was wasted."""
    rows = rows_of(figures)
    outside = sum(run["outputs_outside_limits"] for run in figures["runs"])
    lines = [
        (
            f"{len(figures['runs'])} runs in closed loop on virtual time: {len({row.scenario for row in rows})} "
            f"scenarios with sound instruments, seeds {figures['seed'][0]} to {figures['seed'][-1]}, rates scaled to "
            "each plant's own. Windows are of the mix at the drum's outlet, over all seeds together. `fines_surge` "
            "changes the mix behind the belts' backs: its true error is nobody's to follow. Values put out beyond "
            f"their limits: {outside}."
        ),
        "",
    ]
    for plant, title in PLANTS.items():
        there = [row for row in rows if row.plant == plant]
        if there:
            lines += [f"**{title[0].upper()}{title[1:]}**, windows of 5 t, metering error unless said otherwise.", ""]
            lines += [*_error_table(there), "", *_waste_table(there), ""]
    lines += [f"- not met: {PLANTS[row.plant]}, {row.scenario}: {'; '.join(row.missed)}" for row in rows if row.missed]
    return lines


def _error_table(rows: Sequence[Row]) -> list[str]:
    head = (
        "scenario", "RMS [%]", "best achievable", "fixed delay", "plain", "worst [%]", "true dose RMS [%]", "best",
        "within ±5 % [%]", "±10 % [%]", "20 t RMS [%]", "best", "1 t RMS [%]",
    )  # fmt: skip
    own = "crumbmeter"

    def cells(row: Row) -> tuple[str, ...]:
        return (
            f"`{row.scenario}`", *(f"{row.rms(name):.2f}" for name in CONTROLLERS), f"{row.worst(own):+.1f}",
            f"{row.rms(own, kind='true'):.2f}", f"{row.rms('best_achievable', kind='true'):.2f}",
            f"{row.share(own, 'within_5_percent'):.1f}", f"{row.share(own, 'within_10_percent'):.1f}",
            f"{row.rms(own, '20_t'):.2f}", f"{row.rms('best_achievable', '20_t'):.2f}", f"{row.rms(own, '1_t'):.2f}",
        )  # fmt: skip

    return table(head, [cells(row) for row in rows])


def _waste_table(rows: Sequence[Row]) -> list[str]:
    head = ("mean of the seeds", *(f"{name.replace('_', ' ')}: t / kg" for name in CONTROLLERS))
    return [
        "Mix without rubber [t] / rubber without mix [kg]:",
        "",
        *table(
            head,
            [
                (
                    f"`{row.scenario}`",
                    *(
                        f"{row.mean(name, 'tonne_without_rubber'):.1f} / {row.mean(name, 'rubber_without_mix_kg'):.2f}"
                        for name in CONTROLLERS
                    ),
                )
                for row in rows
            ],
        ),
    ]


SECTION = Section("dose", "Dose in every scenario", TARGET, measure, judge, words)
