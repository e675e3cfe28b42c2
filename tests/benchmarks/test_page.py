"""The page is the command's own, and what it says follows from the figures."""

from pathlib import Path
from random import Random
from typing import Any

import pytest

from crumbmeter.control.step import StepResult
from crumbmeter_sim.plantfile import load_plant
from crumbmeter_sim.scenario import load_scenario
from tests.benchmarks import control_page, dose, page, plants, replays, scenarios, scores
from tests.benchmarks.made_journal import over_and_over
from tests.benchmarks.mutation_groups import BESIDE, DEMANDS, GROUPS, MODULES, suite_of, target_of
from tests.benchmarks.section import DOCS, ROOT, SCENARIOS, quantile
from tests.benchmarks.sections import SECTIONS
from tests.benchmarks.watch import Step, stepping_through
from tests.closed_loop import loop_for

BEST = {"within_5_percent": 100.0, "rms_percent": 0.30, "total_error_percent": -0.12}
TOLD = {
    "quick": False, "date": "2026-11-25 08:00 UTC", "commit": "c" * 40, "dirty": True, "took_s": 12.3,
    "load_before": 0.1, "load_after": 1.0,
    "machine": {"cores": 2, "processor": "one", "system": "Linux", "python": "3.11.7", "loop_of_a_million_ms": 9.0},
}  # fmt: skip


def test_the_page_is_what_the_command_makes_of_its_files() -> None:
    made = page.render(page.load_files(DOCS / "benchmarks"))
    there = (DOCS / "benchmarks.md").read_text("utf-8")
    assert there == made, "only the command writes it: python -m tests.benchmarks --page"


def test_the_figures_on_the_control_page_are_the_benchmarks() -> None:
    told = page.load_files(DOCS / "benchmarks").get("dose")
    text = (DOCS / "control.md").read_text("utf-8")
    if told is None:  # not measured yet: then the page shows none
        assert f"{control_page.BEGIN}\n{control_page.END}" in text
        return
    rows = dose.rows_of(told["figures"])
    assert control_page.filled(text, rows) == text, "python -m tests.benchmarks --page"
    assert (DOCS / control_page.PICTURE).read_text("utf-8") == control_page.picture(rows)


def windows(rms: float, within: float = 100.0) -> dict[str, list[float]]:
    figures = [10, within, 100.0, rms, 0.0, rms]
    return {f"{size} {kind}": figures for size in ("1_t", "5_t", "20_t") for kind in ("metering", "true")}


def dose_run(scenario: str = "refill", tonne: float = 0.0, kg: float = 0.0, **rms: float) -> dict[str, Any]:
    of = {"crumbmeter": 0.7, "best_achievable": 0.3, "fixed_delay_follower": 9.0, "plain_follower": 12.0} | rms
    controllers = {
        name: {
            "windows": windows(value), "tonne_without_rubber": tonne if name == "crumbmeter" else 0.0,
            "rubber_without_mix_kg": kg if name == "crumbmeter" else 0.0, "wanted_kg_per_tonne": 5.0,
        }
        for name, value in of.items()
    }  # fmt: skip
    return {
        "scenario": scenario,
        "plant": "demo_drum",
        "seed": 1,
        "outputs_outside_limits": 0,
        "controllers": controllers,
    }


@pytest.mark.parametrize(
    ("run", "missed"),
    [
        (dose_run(), []),
        (dose_run(crumbmeter=0.81), ["+0.51 points over the best achievable"]),
        (dose_run(crumbmeter=0.79, fixed_delay_follower=0.78), []),  # less than a point from the best: no rival
        (dose_run(crumbmeter=0.75, best_achievable=0.4, fixed_delay_follower=1.5), []),
        (dose_run("full_drum_stop", tonne=0.5, kg=0.6), []),
        (dose_run("full_drum_stop", tonne=0.6), ["+0.60 t of mix without rubber over the best achievable"]),
        (dose_run("full_drum_stop", kg=0.7), ["+2.2 s of feed on no mix over the best achievable"]),
        (dose_run("refill", tonne=3.0, kg=9.0), []),  # no unannounced stop
    ],
)
def test_each_target_of_a_scenario_is_judged(run: dict[str, Any], missed: list[str]) -> None:
    (row,) = dose.rows_of({"runs": [run]})
    assert row.missed == missed
    assert dose.judge({"runs": [run]}).met is (not missed)


def test_a_scenario_must_beat_the_follower_set_up_by_hand() -> None:
    (row,) = dose.rows_of({"runs": [dose_run(crumbmeter=1.4, best_achievable=0.3, fixed_delay_follower=1.35)]})
    assert row.missed == ["+1.10 points over the best achievable", "RMS 1.40 %, the fixed-delay follower 1.35 %"]


@pytest.mark.parametrize("plant", dose.PLANTS)
def test_a_scenario_is_scaled_to_its_plant(plant: str, tmp_path: Path) -> None:
    path = ROOT / "config" / "plants" / f"{plant}.toml"
    nominal = load_plant(path).nominal.mix_short_ton_h
    assert dose.NOMINAL_TONNE_S[plant] == pytest.approx(nominal * 0.90718474 / 3600.0, rel=2e-3)
    scenario = load_scenario(dose.scaled(SCENARIOS / "rate_change.toml", path, tmp_path))
    original = load_scenario(SCENARIOS / "rate_change.toml")
    rates = [step.values["mix_short_ton_h"] for step in scenario.at if "mix_short_ton_h" in step.values]
    assert rates == pytest.approx(
        [step.values["mix_short_ton_h"] * nominal / 250.0 for step in original.at if "mix_short_ton_h" in step.values],
        abs=0.05,
    )
    assert scenario.plant == path


@pytest.mark.parametrize(
    ("change", "missed"),
    [
        ({}, []),
        ({"within_5_percent": 95.0, "rms_percent": 1.80, "total_error_percent": -0.5}, []),
        ({"within_5_percent": 94.9}, ["only 94.9 % within ±5 %"]),
        ({"rms_percent": 1.81}, ["RMS +1.51 points over the best"]),
        ({"total_error_percent": -0.51}, ["total error -0.51 %"]),
    ],
)
def test_each_target_of_a_shift_is_judged(change: dict[str, float], missed: list[str]) -> None:
    assert scores.failures({**BEST, **change}, BEST) == missed


def test_one_shift_that_misses_makes_the_section_miss() -> None:
    good = {"group": "demo_drum", "crumbmeter": BEST, "best_achievable": BEST}
    bad = {"group": "perturbed", "crumbmeter": {**BEST, "rms_percent": 9.0}, "best_achievable": BEST}
    assert plants.judge({"cases": [good]}).met
    verdict = plants.judge({"cases": [good, bad]})
    assert not verdict.met
    assert verdict.reached == "1 of 2 shifts meet all three (demonstration plant 1 of 1, perturbed plant 0 of 1)"


def test_perturbed_plants_are_near_the_demonstration_plant_and_not_it() -> None:
    truth = load_plant(ROOT / "config" / "plants" / "demo_drum.toml")
    drawn = plants.draw(truth, Random(3))
    assert drawn == plants.draw(truth, Random(3))
    for place, value in drawn.items():
        base = plants._at(truth, place)
        assert value != base
        assert abs(value / base - 1.0) <= plants.SPREAD + 1e-6
    assert (
        plants._at(load_plant(ROOT / "config" / "plants" / "demo_drum.toml", dict(drawn)), "belt.1.speed_m_s")
        == (drawn["belt.1.speed_m_s"])
    )


def scenario(**change: Any) -> dict[str, Any]:
    base = {
        "failures": (),
        "largest_burst_kg": 1.0,
        "line_held_at_most_kg": 1.4,
        "largest_burst_of_best_kg": 0.0,
        "rubber_gap_kg": 1e-12,
    }
    return {**base, "outputs_outside_limits": 0, **change}


@pytest.mark.parametrize(
    "change",
    [
        {"failures": ("event not seen",)},
        {"largest_burst_kg": 1.5},
        {"largest_burst_kg": 1.5, "largest_burst_of_best_kg": 1.45},
        {"rubber_gap_kg": -0.01},
        {"outputs_outside_limits": 1},
    ],
)
def test_a_scenario_misses_by_each_of_its_marks(change: dict[str, Any]) -> None:
    assert scenarios.judge({"scenarios": [scenario()]}).met
    assert len(scenarios.failures(scenario(**change))) == 1
    assert not scenarios.judge({"scenarios": [scenario(), scenario(**change)]}).met


def test_a_burst_may_be_as_large_as_the_best_achievable_has() -> None:
    assert scenarios.failures(scenario(largest_burst_kg=1.5, largest_burst_of_best_kg=1.5)) == []


def test_a_scenario_is_judged_by_what_its_own_run_came_to() -> None:
    played = scenarios.play("start_up")
    assert played["events_seen"] == played["events_expected"] > 0
    assert len(played["expected_times_s"]) == played["events_seen"]
    assert 0.0 < played["line_held_at_most_kg"] < 3.0


@pytest.mark.parametrize(
    ("change", "met"),
    [
        ({}, True),
        ({"took_s": 60.1}, False),
        ({"exit_code": 1}, False),
        ({"replay": {"scans": 9, "gaps": 0, "skipped": 0, "differing": 0}}, False),
        ({"replay": {"scans": 10, "gaps": 1, "skipped": 0, "differing": 0}}, False),
    ],
)
def test_a_replay_has_to_be_in_time_whole_and_the_same(change: dict[str, Any], met: bool) -> None:
    figures = {
        "hours": 8.0, "took_s": 59.9, "processor_s": 59.0, "exit_code": 0, "made": {"scans": 10},
        "replay": {"scans": 10, "gaps": 0, "skipped": 0, "differing": 0},
    }  # fmt: skip
    assert replays.judge({**figures, **change}).met is met


def test_the_long_shift_is_the_hour_again_and_again() -> None:
    hour = load_scenario(SCENARIOS / "demo_shift.toml")
    long = over_and_over(hour, 2.5 * 3600.0)
    stops = [step.t_s for step in long.at if step.do == "drum_stop"]
    assert stops == [1740.0, 5340.0, 8940.0]
    assert [step.t_s for step in long.at if step.do == "plant_start"] == [20.0]
    assert max(step.t_s for step in long.at) < long.duration_s == 9000.0


def test_watching_steps_changes_nothing() -> None:
    seen = []

    def watch(step: Step, arguments: tuple[Any, ...]) -> StepResult:
        seen.append(arguments)
        return step(*arguments)

    plain, watched = loop_for("start_up"), loop_for("start_up")
    for _ in range(50):
        plain.scan()
    with stepping_through(watch):
        for _ in range(50):
            watched.scan()
    assert watched.state == plain.state
    assert len(seen) == 50
    watched.scan()
    assert len(seen) == 50


GOOD, BAD = {"killed": 17, "survived": 3, "timeout": 0}, {"killed": 15, "survived": 4, "timeout": 1}


def mutated(**change: dict[str, int]) -> dict[str, Any]:
    """Every module at exactly its target but those told otherwise, by the name of the file."""
    at_target = {0.85: GOOD, 0.90: {"killed": 17, "survived": 2, "timeout": 1}}
    modules = {module: at_target[target_of(module)] for module in MODULES}
    modules |= {module: change[Path(module).stem] for module in MODULES if Path(module).stem in change}
    return {"modules": modules}


def test_every_module_has_to_reach_the_mutation_score_of_its_demand() -> None:
    older, field = SECTIONS["mutation"], SECTIONS["mutation_field"]
    assert (older.judge(mutated()).met, field.judge(mutated()).met) == (True, True)
    assert (older.judge(mutated(words=GOOD)).met, field.judge(mutated(words=GOOD)).met) == (True, False)
    assert (older.judge(mutated(chain=BAD)).met, field.judge(mutated(chain=BAD)).met) == (False, True)
    assert field.judge(mutated(plan=BAD)).reached.endswith("at or above; field/plan.py 80.0 %")


def test_a_module_without_a_mutation_score_has_not_reached_it() -> None:
    figures = mutated()
    del figures["modules"]["signals/totaliser.py"]
    assert SECTIONS["mutation"].judge(figures).met
    assert not SECTIONS["mutation_field"].judge(figures).met


def test_a_module_is_mutated_in_one_group_and_what_it_is_run_with_is_there() -> None:
    assert len(set(MODULES)) == len(MODULES)
    assert all((ROOT / "daemon/crumbmeter" / module).is_file() for module in MODULES)
    assert all((ROOT / test).is_file() for test in (*BESIDE, *suite_of(MODULES)))
    for name, demand in DEMANDS.items():
        assert SECTIONS[name].target == f">= {100.0 * demand.target:g} % on {demand.of}"
        assert all(GROUPS[group].target >= demand.target for group in demand.groups)


def test_quantile_is_the_nearest_rank() -> None:
    ordered = list(range(1, 101))
    assert [quantile(ordered, share) for share in (0.0, 0.5, 0.99, 1.0)] == [1, 50, 99, 100]


def test_a_section_without_figures_says_so(tmp_path: Path) -> None:
    (tmp_path / "kill.json").write_text('{"failed": "OSError: no room"}', "utf-8")
    made = page.render(page.load_files(tmp_path))
    assert "could not be measured: OSError: no room" in made
    assert "| met |" not in made
    assert made.count("Reached: not measured.") == len(SECTIONS) - 1


def test_commit_load_and_a_short_run_are_told() -> None:
    figures = {"kills": 3, "wanted": 3, "problem": "", "killed_at": {"random": 3}, "acknowledgements": 9}
    told = {**TOLD, "quick": True, "figures": {**figures, "entries_found_and_held": 5, "seed": 2}}
    made = page.render({"kill": told})
    assert f"| kill -9 under load | `{'c' * 10}` with changes | 2026-11-25 08:00 UTC | 12 | 0.1 to 1.0 |" in made
    assert "(quick run) 3 kills" in made
