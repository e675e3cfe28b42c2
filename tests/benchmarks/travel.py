"""Travel found in recorded runs of plants that are not as their site believes: errors, and intervals that hold."""

from concurrent.futures import ProcessPoolExecutor
from math import sqrt
from multiprocessing import get_context
from typing import Any

from crumbmeter.estimation.travel.discharge import Doubts
from crumbmeter.estimation.travel.findings import Findings, find
from crumbmeter.estimation.travel.joining import Span, Travels
from crumbmeter.estimation.travel.record import DrumRun
from tests.benchmarks import travel_runs
from tests.benchmarks.section import POOL, Figures, Section, Verdict, table

COVERAGE = 0.95
DRAWS = 40
SCAN_S = 0.2
LINE_TARGET_S = 2.0 * SCAN_S
INSTRUMENTS = ("discharge current", "discharge temperature")
QUANTITIES = ("to_instrument", "to_outlet", "to_injection")


def judged(overrides: dict[str, float], drum: DrumRun, found: Findings) -> list[dict[str, Any]]:
    """Hold every figure against the truth of its plant."""
    rows: list[dict[str, Any]] = []
    flows = [_flowing(stream.mass_kg) / drum.cell_s for stream in drum.streams]
    truth = travel_runs.truth_of(overrides, flows[0], flows[1], _flowing(drum.injected_kg) / drum.cell_s)
    for travels in found.travels:
        rows += _of_drum(travels, truth)
    for what, seen, true_s in (("line", found.line, truth.line_s), ("auger", found.auger, truth.auger_s)):
        if seen is not None:
            rows.append(_row(what, "", seen.time, true_s))
    return rows


def _flowing(masses: tuple[float, ...]) -> float:
    there = [mass for mass in masses if mass > 0.1 * max(masses)]
    return sum(there) / len(there)


def _of_drum(travels: Travels, truth: travel_runs.Truth) -> list[dict[str, Any]]:
    lag_s = truth.current_lag_s if travels.instrument == INSTRUMENTS[0] else truth.temperature_lag_s
    rows = []
    for stream in travels.streams:
        # What the scale shows is late by its averaging: by then the material is that much further.
        injection_s = truth.belt_s[stream.stream_id] - truth.averaging_s + truth.before_s[stream.stream_id]
        outlet_s = injection_s + truth.after_s
        true = {
            "to_instrument": outlet_s + truth.drag_s + lag_s, "to_outlet": outlet_s, "to_injection": injection_s,
        }  # fmt: skip
        rows += [
            _row(f"{travels.instrument}: {stream.stream_id}", name, getattr(stream, name), true[name])
            for name in QUANTITIES
        ]
    return rows


def _row(what: str, quantity: str, seen: Span, true_s: float) -> dict[str, Any]:
    return {
        "what": what, "quantity": quantity, "true_s": round(true_s, 3), "found_s": round(seen.value, 3),
        "standard_s": round(seen.standard, 3), "holds": seen.holds(true_s),
    }  # fmt: skip


def play(number: int) -> dict[str, Any]:
    """Draw a plant, play its run, find its travel."""
    overrides = travel_runs.draw(number)
    record = travel_runs.gather(travel_runs.loop_of(overrides, seed=100 + number))
    drum = record.drum()
    found = find(drum, record.instruments(), record.line(), record.auger(), Doubts(), COVERAGE)
    return {
        "seed": 100 + number, "overrides": {key: round(value, 6) for key, value in overrides.items()},
        "withheld": [f"{unseen.what}: {unseen.why}" for unseen in found.withheld],
        "rows": judged(overrides, drum, found),
    }  # fmt: skip


def measure(quick: bool) -> Figures:
    """Play all draws."""
    with ProcessPoolExecutor(POOL, get_context("spawn")) as pool:
        played = list(pool.map(play, range(1, 3 if quick else DRAWS + 1)))
    return {
        "draws_seed": travel_runs.DRAWS_SEED, "seed": [case["seed"] for case in played], "coverage": COVERAGE,
        "cases": played, "sums": sums(played),
    }  # fmt: skip


def sums(played: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Sum up over the draws: by what was sought."""
    found: dict[tuple[str, str], list[dict[str, Any]]] = {}
    for case in played:
        for row in case["rows"]:
            found.setdefault((row["what"], row["quantity"]), []).append(row)
    return [
        {
            "what": what, "quantity": quantity, "found": len(rows), "of": len(played),
            "mean_error_s": round(sum(row["found_s"] - row["true_s"] for row in rows) / len(rows), 3),
            "rms_error_s": round(sqrt(sum((row["found_s"] - row["true_s"]) ** 2 for row in rows) / len(rows)), 3),
            "largest_error_s": round(max(abs(row["found_s"] - row["true_s"]) for row in rows), 3),
            "mean_standard_s": round(sum(row["standard_s"] for row in rows) / len(rows), 3),
            "holding": sum(row["holds"] for row in rows),
        }
        for (what, quantity), rows in found.items()
    ]  # fmt: skip


def judge(figures: Figures) -> Verdict:
    """Count the intervals that hold the truth, and look at the line's error."""
    lines = figures["sums"]
    found, holding = sum(line["found"] for line in lines), sum(line["holding"] for line in lines)
    worst = min(lines, key=lambda line: line["holding"] / line["found"])
    rubber = next((line for line in lines if line["what"] == "line"), None)
    error = "not found" if rubber is None else f"RMS error {rubber['rms_error_s']:.2f} s"
    reached = (
        f"{100.0 * holding / found:.0f} % of {found} intervals hold the truth (the least: "
        f"{worst['holding']} of {worst['found']}, {_name(worst)}); line {error}"
    )
    met = holding / found >= COVERAGE - 0.03 and worst["holding"] / worst["found"] >= COVERAGE - 0.10
    return Verdict(reached, met and rubber is not None and rubber["rms_error_s"] <= LINE_TARGET_S)


NAMES = {"to_instrument": "at the instrument", "to_outlet": "at the outlet", "to_injection": "at the injection point"}


def _name(line: dict[str, Any]) -> str:
    what, quantity = line["what"], line["quantity"]
    return f"{what}, {NAMES[quantity]}" if quantity else str(what)


def words(figures: Figures) -> list[str]:
    """Write the section."""
    rows = [
        (
            _name(line), f"{line['found']} of {line['of']}", f"{line['mean_error_s']:+.2f}",
            f"{line['rms_error_s']:.2f}", f"{line['largest_error_s']:.2f}", f"{line['mean_standard_s']:.2f}",
            f"{line['holding']} ({100.0 * line['holding'] / line['found']:.0f} %)",
        )
        for line in figures["sums"]
    ]  # fmt: skip
    withheld = sorted({why for case in figures["cases"] for why in case["withheld"]})
    return [
        (
            "The core in closed loop with the plant on virtual time; a start of the plant, a start of the rubber, two "
            "rate changes, a stop of each. Drum travel, back-mixing, load effect, line, auger and instruments differ "
            f"from the demonstration plant's by up to ±{100 * travel_runs.SPREAD:.0f} %, what is geometry by its own "
            f"doubt (seed of the draws {figures['draws_seed']}; drawn values in the JSON). The site file is the "
            "demonstration's: it is not told. Truth is what the drawn drum holds at these rates over what flows."
        ),
        "",
        *table(
            (
                "arrival, time", "found", "mean error [s]", "RMS error [s]", "largest [s]", "standard uncertainty [s]",
                f"{100 * figures['coverage']:g} % intervals that hold",
            ),
            rows,
        ),
        *(["", *[f"- withheld: {why}" for why in withheld]] if withheld else []),
    ]  # fmt: skip


SECTION = Section(
    "travel", "Finding the travel",
    f"{100 * COVERAGE:g} % intervals hold the truth about as often as they say (at least {100 * COVERAGE - 3:g} % of "
    f"all, {100 * COVERAGE - 10:g} % of each); RMS error of the line's travel <= {LINE_TARGET_S:g} s",
    measure, judge, words,
)  # fmt: skip
