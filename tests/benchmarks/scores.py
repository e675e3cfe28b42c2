"""The simulator's score in one row, and the three targets of a shift (docs/decisions/0002-yardsticks.md)."""

from collections.abc import Mapping, Sequence
from typing import Any

from tests.benchmarks.section import table

MIN_WITHIN_PERCENT = 95.0
MAX_RMS_OVER_BEST_POINTS = 1.5
MAX_TOTAL_ERROR_PERCENT = 0.5
TARGET = (
    f">= {MIN_WITHIN_PERCENT:g} % of the 5 t windows within ±5 % of dose, RMS <= best achievable + "
    f"{MAX_RMS_OVER_BEST_POINTS:g} points, total error <= {MAX_TOTAL_ERROR_PERCENT:g} %"
)
SCORE_ROUNDED_KG = 1e-6
HEAD = (
    "", "windows", "within ±5 % [%]", "RMS [%]", "worst [%]", "total error [%]", "metering RMS [%]",
    "without rubber [t]", "rubber without mix [kg]",
)  # fmt: skip

Row = Mapping[str, Any]


def row_of(score: Mapping[str, Any]) -> dict[str, Any]:
    """Take out of a score what a row of the page shows."""
    window = score["windows"]["5_t"]
    without = score["rubber_without_mix"]
    return {
        "windows": window["true"]["n"],
        "within_5_percent": window["true"]["within_5_percent"],
        "rms_percent": window["true"]["rms_percent"],
        "worst_percent": window["true"]["worst_percent"],
        "total_error_percent": score["total"]["error_percent"],
        "metering_rms_percent": window["metering"]["rms_percent"],
        "tonne_without_rubber": score["tonne_without_rubber"],
        "rubber_without_mix_kg": without["standing_drum_kg"] + without["empty_drum_kg"],
        "largest_burst_kg": without["largest_burst_kg"],
    }


def failures(own: Row, best: Row) -> list[str]:
    """Name the targets of a shift that were missed."""
    over_points = own["rms_percent"] - best["rms_percent"]
    missed = {
        f"only {own['within_5_percent']:.1f} % within ±5 %": own["within_5_percent"] < MIN_WITHIN_PERCENT,
        f"RMS {over_points:+.2f} points over the best": over_points > MAX_RMS_OVER_BEST_POINTS,
        f"total error {own['total_error_percent']:+.2f} %": abs(own["total_error_percent"]) > MAX_TOTAL_ERROR_PERCENT,
    }
    return [words for words, is_missed in missed.items() if is_missed]


def cells(name: str, row: Row) -> tuple[str, ...]:
    """Write one row."""
    return (
        name, str(row["windows"]), f"{row['within_5_percent']:.1f}", f"{row['rms_percent']:.2f}",
        f"{row['worst_percent']:+.1f}", f"{row['total_error_percent']:+.2f}", f"{row['metering_rms_percent']:.2f}",
        f"{row['tonne_without_rubber']:.1f}", f"{row['rubber_without_mix_kg']:.2f}",
    )  # fmt: skip


def gap_words(gap_kg: float) -> str:
    """Write what the simulator's mass balance is open by; its score is rounded to a milligram."""
    return f"{abs(gap_kg):.1e} kg" if abs(gap_kg) >= SCORE_ROUNDED_KG else "less than 1 mg"


def score_table(rows: Sequence[tuple[str, Row]]) -> list[str]:
    """Write rows under their head."""
    return table(HEAD, [cells(name, row) for name, row in rows])
