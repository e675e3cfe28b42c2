"""What a demonstration came to: beside the truth, beside the yardsticks, and against what the scenario expects."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from crumbmeter.cli.demo_batch import batch_figures, batch_words
from crumbmeter.cli.demo_parts import Expectations, Shift
from crumbmeter.site import Site

COLUMNS = 100
NAMES = {
    "crumbmeter": "crumbmeter",
    "best_achievable": "best achievable",
    "fixed_delay_follower": "fixed-delay follower",
    "plain_follower": "plain follower",
}
"""Rows of the table, best last only by chance; the yardsticks are defined in docs/decisions/0002-yardsticks.md."""

Score = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Verdict:
    """Whether everything that the scenario expects came true."""

    met: bool
    failures: tuple[str, ...]
    events_expected: int
    events_seen: int
    end_state: str


def judge(shift: Shift, score: Score, expected: Expectations, end_state: str) -> Verdict:
    """Hold a run against its scenario."""
    failures: list[str] = []
    if score["played_s"] < shift.duration_s - 1.0:
        failures.append(
            f"ended after {score['played_s'] / 60.0:.1f} of {shift.duration_s / 60.0:.1f} min of plant time"
        )
    missing = expected.missing
    if missing is not None:
        failures.append(f"event not seen in its place and time: {missing}")
    end = shift.expected_end
    if "run_state" in end and end_state != end["run_state"]:
        failures.append(f"run state at the end is {end_state!r}, expected {end['run_state']!r}")
    failures += _limits(score, end)
    gap_kg = float(score["oracle"]["rubber_gap_kg"])
    if abs(gap_kg) > 1e-6:
        failures.append(f"the simulator's own mass balance does not close: {gap_kg} kg of rubber")
    return Verdict(not failures, tuple(failures), len(expected.expected), expected.seen, end_state)


def _drum_figures(score: Score) -> dict[str, Any]:
    window = score["windows"]["5_t"]["true"]
    return {
        "min_windows_within_percent": window.get("within_5_percent"),
        "max_rms_percent": window.get("rms_percent"),
        "max_total_error_percent": abs(score["total"]["error_percent"] or 0.0),
        "max_rubber_without_mix_kg": score["rubber_without_mix"]["largest_burst_kg"],
        "max_without_rubber_tonne": score["tonne_without_rubber"],
        "max_catch_kg": score["wasted"]["catch_kg"],
        "min_fed_kg": score["feeder"]["fed_kg"],
        "max_fed_kg": score["feeder"]["fed_kg"],
        "min_refills": score["feeder"]["refills"],
        "min_bags_changed": score["feeder"]["bags_changed"],
    }


def _limits(score: Score, end: Mapping[str, Any]) -> list[str]:
    found = batch_figures(score) if "batches" in score else _drum_figures(score)
    failures = []
    for key, limit in end.items():
        if key not in found:
            continue
        value = found[key]
        if value is None or (value < limit if key.startswith("min_") else value > limit):
            failures.append(f"{key}: {value}, expected {'at least' if key.startswith('min_') else 'at most'} {limit}")
    return failures


def report_words(score: Score, yardsticks: Mapping[str, Score], verdict: Verdict, site: Site) -> str:
    """Write the report for a person."""
    lines = [
        "",
        f"{score['scenario']} on {score['plant']}, seed {score['seed']} (SIMULATED)",
        *(batch_words(score) if "batches" in score else _drum_words(score, yardsticks)),
        (
            f"Events expected by the scenario: {verdict.events_seen} of {verdict.events_expected} seen in order; "
            f"run state at the end: {verdict.end_state}."
        ),
        f"Mass balance of the simulator closes to {abs(score['oracle']['rubber_gap_kg']):.1e} kg.",
        "",
        *(f"NOT MET: {failure}" for failure in verdict.failures),
        "Everything that the scenario expects came true." if verdict.met else "Not everything came true.",
        "",
        f"The record: crumbmeter verify {site.journal.folder}; crumbmeter replay {site.journal.folder}",
        f"For QC: crumbmeter quality ask {site.path} day --record {site.journal.folder}",
        "",
    ]
    return "\n".join(lines)


def _drum_words(score: Score, yardsticks: Mapping[str, Score]) -> list[str]:
    total = score["total"]
    lines = [
        (
            f"{total['mix_tonne']:.1f} t of mix, {total['rubber_kg']:.1f} kg of rubber in it, "
            f"{total['wanted_kg']:.1f} kg wanted; {score['feeder']['refills']} refills, "
            f"{score['feeder']['bags_changed']} bags changed."
        ),
        "",
        "True dose error of the mix that left the drum, in windows of 5 t:",
        _heading("windows", "within 5 %", "RMS", "worst", "total", "t without", "kg without"),
        _heading("", "", "", "", "error", "rubber", "mix"),
    ]
    lines += [_row(NAMES[name], {"crumbmeter": score, **yardsticks}.get(name)) for name in NAMES]
    metering = score["windows"]["5_t"]["metering"]
    lines += [
        "",
        (
            f"Metering error (against the mix that the plant's scales indicate): "
            f"RMS {_figure(metering.get('rms_percent'), '.2f', ' %')}, "
            f"total {_figure(total['metering_error_percent'], '+.2f', ' %')}."
        ),
    ]
    return lines


def _heading(*words: str) -> str:
    widths = (8, 12, 9, 9, 9, 11, 12)
    return " " * 24 + "".join(f"{word:>{width}}" for word, width in zip(words, widths, strict=True))


def _row(name: str, score: Score | None) -> str:
    if score is None:
        return f"  {name:22}{'(not run)':>8}"
    window = score["windows"]["5_t"]["true"]
    without = score["rubber_without_mix"]
    astray_kg = without["standing_drum_kg"] + without["empty_drum_kg"]
    return (
        f"  {name:22}{window['n']:>8}{_figure(window.get('within_5_percent'), '.1f', ' %'):>12}"
        f"{_figure(window.get('rms_percent'), '.2f', ' %'):>9}{_figure(window.get('worst_percent'), '+.1f', ' %'):>9}"
        f"{_figure(score['total']['error_percent'], '+.2f', ' %'):>9}"
        f"{score['tonne_without_rubber']:>11.1f}{astray_kg:>12.2f}"
    )


def _figure(value: float | None, form: str, unit: str) -> str:
    """Write a figure, or a dash where a run was too short to have one."""
    return "-" if value is None else f"{value:{form}}{unit}"
