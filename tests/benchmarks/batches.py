"""Batch plants: every batch scenario with several seeds, also on plants that their site is not told of."""

from collections.abc import Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from random import Random
from typing import Any

from crumbmeter_sim.batch_file import BatchPlantTruth, load_batch_plant
from tests.benchmarks.section import POOL, ROOT, SCENARIOS, Figures, Section, Verdict, table
from tests.closed_loop import loop_for

FOLDER = SCENARIOS / "batch"
SITE = "demo_batch"
SEEDS = (1, 2, 3, 4, 5)
DRAWS_SEED = 20_262
SPREAD = 0.10
DRAWN = (
    "line.travel_s", "line.spread_s", "line.blower_run_down_s", "auger.feed_factor_kg_rev", "auger.lag_s",
    "auger.aeration_percent", "auger.empty_loss", "hopper.noise_kg", "hopper.vibration_kg", "hopper.filter_s",
    "hopper.refill_kg_s", "vessel.release_kg_s", "vessel.release_spread_percent", "vessel.valve_s", "vessel.noise_kg",
    "vessel.filter_s", "vessel.zero_kg", "tower.drop_s", "tower.wet_mix_s", "tower.aggregate.overrun_percent",
    "tower.recycle.moisture_percent",
)  # fmt: skip
MOST_DUST_KG = 0.001
"""[kg] Less than a gram after a window is dust, not rubber."""
TARGET = (
    "every complete batch within ±5 % of its rubber target, nothing blown outside the window, aborted batches recovered"
)
TITLES = {"demo_batch": "demonstration plant", "perturbed": "perturbed plants"}


@dataclass(frozen=True, slots=True)
class Case:
    """One run. Has to travel to another process."""

    scenario: str
    group: str
    seed: int
    overrides: dict[str, float]


def draw(truth: BatchPlantTruth, random: Random) -> dict[str, float]:
    """Draw a plant around the given one: each parameter by its own factor. The site file is not told."""
    return {place: round(_at(truth, place) * random.uniform(1.0 - SPREAD, 1.0 + SPREAD), 6) for place in DRAWN}


def _at(truth: Any, dotted: str) -> float:
    for part in dotted.split("."):
        truth = getattr(truth, part)
    return float(truth)


def cases(quick: bool) -> list[Case]:
    """List the runs: each scenario with every seed, on the demonstration plant and on one drawn plant a seed."""
    truth = load_batch_plant(ROOT / "config" / "plants" / "demo_batch.toml")
    random = Random(DRAWS_SEED)
    drawn = {seed: draw(truth, random) for seed in SEEDS}
    names = sorted(path.stem for path in FOLDER.glob("*.toml"))
    names, seeds = (["counter_rolls_over", "partial_batches"], SEEDS[:1]) if quick else (names, SEEDS)
    own = [Case(name, "demo_batch", seed, {}) for name in names for seed in seeds]
    return own + [Case(name, "perturbed", 100 + seed, drawn[seed]) for name in names for seed in seeds]


def play(case: Case) -> dict[str, Any]:
    """Play one case."""
    loop = loop_for(f"batch/{case.scenario}", SITE, seed=case.seed, overrides=dict(case.overrides))
    score = loop.play()
    batches, window = score["batches"], score["window"]
    complete = batches["complete"]
    return {
        "scenario": case.scenario, "group": case.group, "seed": case.seed, "overrides": case.overrides,
        "complete": complete, "within": round(complete * batches.get("within_5_percent", 0.0) / 100.0),
        "worst_percent": batches.get("worst_percent", 0.0), "rms_percent": batches.get("rms_percent", 0.0),
        "aborted": batches["aborted"], "recovered": score["after_aborts"]["recovered"],
        "released_outside_kg": window["released_outside_kg"], "in_reaction_kg": window["released_in_reaction_kg"],
        "strayed_kg": window["arrived_outside_kg"] - window["of_it_into_aborted_kg"],
        "into_aborted_kg": window["of_it_into_aborted_kg"], "longest_window_s": window["longest_s"],
        "gap_kg": max(abs(gap) for gap in score["oracle"].values()), "outputs_outside_limits": loop.unsafe,
    }  # fmt: skip


def measure(quick: bool) -> Figures:
    """Play all cases."""
    with ProcessPoolExecutor(POOL, get_context("spawn")) as pool:
        played = list(pool.map(play, cases(quick)))
    return {"draws_seed": DRAWS_SEED, "seed": sorted({one["seed"] for one in played}), "cases": played}


def failures(one: Mapping[str, Any]) -> list[str]:
    """Name what a run missed."""
    missed = []
    if one["within"] < one["complete"]:
        missed.append(f"{one['complete'] - one['within']} batches beyond ±5 %, worst {one['worst_percent']:+.1f} %")
    if one["released_outside_kg"] > 0.0:
        missed.append(f"{1000.0 * one['released_outside_kg']:.1f} g let out of the vessel with no window open")
    if one["strayed_kg"] > MOST_DUST_KG:
        missed.append(f"{1000.0 * one['strayed_kg']:.1f} g arrived with no window open")
    if one["recovered"] < one["aborted"]:
        missed.append(f"{one['aborted'] - one['recovered']} aborted batches not recovered")
    if one["gap_kg"] > 1e-6:
        missed.append(f"the simulator's mass balance is open by {one['gap_kg']} kg")
    if one["outputs_outside_limits"]:
        missed.append(f"{one['outputs_outside_limits']} scans put out a value beyond its limits")
    return missed


def judge(figures: Figures) -> Verdict:
    """Count batches and runs."""
    played = figures["cases"]
    complete, within = (sum(one[key] for one in played) for key in ("complete", "within"))
    aborted, recovered = (sum(one[key] for one in played) for key in ("aborted", "recovered"))
    outside_g = 1000.0 * sum(one["released_outside_kg"] for one in played)
    words = (
        f"{within} of {complete} complete batches within ±5 %, {outside_g:.1f} g blown outside a window, "
        f"{recovered} of {aborted} aborted batches recovered"
    )
    return Verdict(words, not any(failures(one) for one in played))


def words(figures: Figures) -> list[str]:
    """Write the section: a row for each scenario and group of plants, and under it what was missed."""
    rows, missed = [], []
    played = figures["cases"]
    for scenario, group in sorted({(one["scenario"], one["group"]) for one in played}):
        runs = [one for one in played if (one["scenario"], one["group"]) == (scenario, group)]
        rows.append(_row(scenario, TITLES[group], runs))
        missed += [
            f"- not met: {scenario}, {TITLES[group]}, seed {one['seed']}: {failure}"
            for one in runs
            for failure in failures(one)
        ]
    head = (
        "scenario", "plant", "runs", "complete batches", "within ±5 %", "RMS [%]", "worst [%]", "outside a window [g]",
        "aborted", "recovered", "longest window [s]",
    )  # fmt: skip
    return [
        (
            "Each file of `config/scenarios/batch/` in closed loop on virtual time. Errors are of the rubber that was "
            "blown in, against the target by the plant's own weigh hoppers. Perturbed plants differ from the "
            f"demonstration plant by up to ±{100 * SPREAD:.0f} % in each of line, blower, feed factor, aeration, "
            "auger's lag, load cells, fills, vessel, valve, the tower's times, weighing and moisture (seed of the "
            f"draws {figures['draws_seed']}; drawn values in the JSON); their site file is the demonstration's. "
            "*Outside a window* is what was let out of the vessel while none was open. Where a plant closes its window "
            "without notice (an abort, an emergency stop), what was under way still arrives, in the batch that is "
            "thrown away: "
            f"at most {max(one['into_aborted_kg'] for one in played):.1f} kg, of which the valve let out at most "
            f"{1000.0 * max(one['in_reaction_kg'] for one in played):.0f} g while it was being shut."
        ),
        "",
        *table(head, rows),
        "",
        *missed,
    ]


def _row(scenario: str, plant: str, runs: list[Mapping[str, Any]]) -> tuple[str, ...]:
    complete = sum(one["complete"] for one in runs)
    within = sum(one["within"] for one in runs)
    rms = (sum(one["rms_percent"] ** 2 * one["complete"] for one in runs) / max(1, complete)) ** 0.5
    return (
        f"`{scenario}`",
        plant,
        str(len(runs)),
        str(complete),
        str(within),
        f"{rms:.2f}",
        f"{max((one['worst_percent'] for one in runs), key=abs):+.2f}",
        f"{1000.0 * sum(one['released_outside_kg'] for one in runs):.1f}",
        str(sum(one["aborted"] for one in runs)),
        str(sum(one["recovered"] for one in runs)),
        f"{max(one['longest_window_s'] for one in runs):.0f}",
    )


SECTION = Section("batches", "Batch plants", TARGET, measure, judge, words)
