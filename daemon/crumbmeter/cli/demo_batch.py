"""What a demonstration on a batch plant came to, from the simulator's score. Pure."""

from collections.abc import Mapping
from typing import Any

Score = Mapping[str, Any]


def batch_figures(score: Score) -> dict[str, Any]:
    """Return what a scenario of a batch plant may set limits to."""
    batches, feeder = score["batches"], score["feeder"]
    worst = batches.get("worst_percent")
    return {
        "min_batches_complete": batches["complete"],
        "min_batches_aborted": batches["aborted"],
        "min_recovered": score["after_aborts"]["recovered"],
        "max_batch_error_percent": None if worst is None else abs(worst),
        "max_outside_window_kg": score["window"]["released_outside_kg"],
        "max_catch_kg": feeder["catch_kg"],
        "min_fed_kg": feeder["fed_kg"],
        "max_fed_kg": feeder["fed_kg"],
        "min_refills": feeder["refills"],
        "min_bags_changed": feeder["bags_changed"],
    }


def batch_words(score: Score) -> list[str]:
    """Write what the batches got."""
    batches, window, after = score["batches"], score["window"], score["after_aborts"]
    fills, bags = score["feeder"]["refills"], score["feeder"]["bags_changed"]
    made = f"{batches['complete']} complete batches, {batches['aborted']} aborted"
    lines = [f"{made}; {fills} refills, {bags} bags changed."]
    if "rms_percent" in batches:
        lines.append(
            f"Rubber of the complete batches against their targets: {batches['within_5_percent']:.1f} % within 5 %, "
            f"RMS {batches['rms_percent']:.2f} %, worst {batches['worst_percent']:+.2f} %."
        )
    lines.append(
        f"Let into the line with no window open: {1000.0 * window['released_outside_kg']:.1f} g; longest window "
        f"{window['longest_s']:.0f} s; {after['recovered']} of {batches['aborted']} aborted batches recovered."
    )
    return lines
