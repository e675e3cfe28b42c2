"""Finding the register behind a display: random maps of unknown devices, two loads, and what a person typed.

    python -m tests.benchmarks.probe [--seed N ...] [--maps 200] [--readings 3]

prints the figures of any seeds; the benchmark command measures the section's own and several others.
"""

import argparse
import asyncio
import sys
import tempfile
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict
from multiprocessing import get_context
from pathlib import Path
from typing import Any

from crumbmeter.field.ranking import rank
from tests.benchmarks.probe_judge import Score, looks_of, score
from tests.benchmarks.probe_maps import DISTRACTORS, READINGS, draw
from tests.benchmarks.probe_wire import over_the_wire
from tests.benchmarks.section import POOL, Figures, Section, Verdict, table

SEED = 20_261
MAPS = 200
OTHER_SEEDS = tuple(range(501, 520))
OVER_SOCKETS = 10
FIRST_TARGET, THREE_TARGET = 0.95, 0.99


def play(place: tuple[int, int, int]) -> tuple[Score, float]:
    """Play one map of a seed with so many readings a load; also tell how long the engine took [s]."""
    seed, number, readings = place
    drawn = draw(seed, number, readings)
    looks = looks_of(drawn)
    began = time.process_time()
    ranking = rank(looks)
    took_s = time.process_time() - began
    return score(number, drawn, ranking), took_s


def sums(seed: int, played: Sequence[tuple[Score, float]]) -> dict[str, Any]:
    """Sum up one seed."""
    scores = [one for one, _ in played]
    count = len(scores)
    times = sorted(took for _, took in played)
    return {
        "seed": seed, "maps": count,
        "first": sum(one.first_group for one in scores),
        "first_three": sum(one.first_three for one in scores),
        "first_line_itself": sum(one.first_itself for one in scores),
        "first_or_multiple": sum(one.first_group or one.first_multiple for one in scores),
        "unjustified_ties": sum(not one.justified for one in scores),
        "mean_tie_lines": round(sum(one.tie_lines for one in scores) / count, 2),
        "most_tie_lines": max(one.tie_lines for one in scores),
        "mean_tie_places": round(sum(one.tie_places for one in scores) / count, 2),
        "most_tie_places": max(one.tie_places for one in scores),
        "engine_median_s": round(times[count // 2], 3), "engine_most_s": round(times[-1], 3),
    }  # fmt: skip


def seeds_played(seeds: Sequence[int], maps: int, readings: int = READINGS) -> list[tuple[dict[str, Any], list[Score]]]:
    """Play so many maps of each seed."""
    with ProcessPoolExecutor(POOL, get_context("spawn")) as pool:
        return [
            (sums(seed, played), [one for one, _ in played])
            for seed in seeds
            for played in [list(pool.map(play, [(seed, number, readings) for number in range(maps)], chunksize=10))]
        ]


def measure(quick: bool) -> Figures:
    """Play the section's seed, the others, and some maps over real sockets."""
    maps = 20 if quick else MAPS
    own, *others = seeds_played((SEED,) if quick else (SEED, *OTHER_SEEDS), maps)
    ((once, _),) = seeds_played((SEED,), maps, readings=1)
    with tempfile.TemporaryDirectory() as folder:
        wired = [
            asyncio.run(over_the_wire(SEED, number, Path(folder))) for number in range(2 if quick else OVER_SOCKETS)
        ]
    return {
        "seed": SEED, "distractors": DISTRACTORS, "readings": READINGS, "own": own[0], "read_once": once,
        "others": [told for told, _ in others],
        "over_sockets": wired,
        "missed": [asdict(one) for one in own[1] if not one.first_group],
    }  # fmt: skip


def judge(figures: Figures) -> Verdict:
    """Hold the section's own seed, and all the others together, to the targets."""
    own, others = figures["own"], figures["others"]
    parts = [_shares([own]), _shares(others)] if others else [_shares([own])]
    wired = all(one["same"] and one["codes"] in ([3], [4]) for one in figures["over_sockets"])
    ties = not any(told["unjustified_ties"] for told in [own, *others])
    met = all(first >= FIRST_TARGET and three >= THREE_TARGET for first, three in parts) and wired and ties
    words = f"first {100.0 * parts[0][0]:.1f} %, in the first three {100.0 * parts[0][1]:.1f} %"
    if others:
        words += f"; {len(others)} other seeds {100.0 * parts[1][0]:.1f} % and {100.0 * parts[1][1]:.1f} %"
    return Verdict(words, met)


def _shares(told: Sequence[dict[str, Any]]) -> tuple[float, float]:
    maps = sum(one["maps"] for one in told)
    return sum(one["first"] for one in told) / maps, sum(one["first_three"] for one in told) / maps


def words(figures: Figures) -> list[str]:
    """Write the section."""
    rows = [_row(told) for told in [figures["own"], *figures["others"]]]
    head = (
        "seed", "maps", "first", "in the first three", "first line itself", "or a multiple", "tied lines, mean (most)",
        "tied places, mean (most)", "engine, median (most) [s]",
    )  # fmt: skip
    wired = figures["over_sockets"]
    return [
        (
            f"Random maps of unknown devices: one value in any of twelve types and four orders, scale and offset as "
            f"makers choose them, and {figures['distractors']} points beside it (other measurements of similar size, "
            "damped, coarse, held and converted copies, another sensor, setpoints near the value, counters, totals, "
            "status bits, texts, constants). At each of two loads a person types what the display shows "
            f"{figures['readings']} times, at any moments while it is looked at. *First*: a line that gives "
            "the display over the instrument's whole range within its resolution, from the displayed register or a "
            "faithful copy, is the first, or one of those that show the same as the first at every sample (ties). "
            "*First line itself*: it stands at the very top of its ties. "
            "*Or a multiple*: also counted where the first line makes the same value of a register that holds it "
            "in another unit. A tie by value alone counts as one line for each type, order and address; places are "
            "different addresses. Processor time of the engine, one map."
        ),
        "",
        *table(head, rows),
        "",
        (
            f"{sum(one['same'] for one in wired)} of {len(wired)} maps were also surveyed over Modbus TCP, "
            "with a hole, by `crumbmeter survey` itself: the same first line. Function codes on the wire: "
            f"{', '.join(sorted({str(code) for one in wired for code in one['codes']}))}."
        ),
        "",
        (
            f"With one reading at each load in place of {figures['readings']}, seed {figures['seed']}: first "
            f"{_percent(figures['read_once'], 'first')}, in the first three "
            f"{_percent(figures['read_once'], 'first_three')}."
        ),
        "",
        *_missed(figures["missed"]),
    ]  # fmt: skip


def _row(told: dict[str, Any]) -> tuple[str, ...]:
    shares = ("first", "first_three", "first_line_itself", "first_or_multiple")
    return (
        str(told["seed"]), str(told["maps"]), *(_percent(told, key) for key in shares),
        f"{told['mean_tie_lines']:.1f} ({told['most_tie_lines']})",
        f"{told['mean_tie_places']:.1f} ({told['most_tie_places']})",
        f"{told['engine_median_s']:.2f} ({told['engine_most_s']:.2f})",
    )  # fmt: skip


def _percent(told: dict[str, Any], key: str) -> str:
    return f"{100.0 * told[key] / told['maps']:.1f} %"


def _missed(missed: Sequence[dict[str, Any]]) -> list[str]:
    if not missed:
        return []
    lines = ["Missed on the section's own seed:", ""]
    for one in missed:
        truth = one["truth"]
        what = f"{truth['type']} {truth['order']}, scale {truth['scale']:.6g}, offset {truth['offset']:g}"
        shown = " and ".join("/".join(texts) for texts in truth["shown"])
        lines.append(f"- map {one['number']}: {what}; shown {shown} {truth['unit']}; at rank {one['rank'] or 'none'}")
    return lines


TARGET = "right site-file line first ≥ 95 %, in the first three ≥ 99 %"
SECTION = Section("probe", "Finding the register behind a display", TARGET, measure, judge, words)


def main() -> None:
    """Print the figures of any seeds."""
    parser = argparse.ArgumentParser(description="Find the register behind a display on random maps.")
    parser.add_argument("--seed", type=int, nargs="+", default=[SEED])
    parser.add_argument("--maps", type=int, default=MAPS)
    parser.add_argument("--readings", type=int, choices=range(1, READINGS + 1), default=READINGS, help="at each load")
    options = parser.parse_args()
    told = [sums_ for sums_, _ in seeds_played(options.seed, options.maps, options.readings)]
    head = ("seed", "maps", "first", "three", "itself", "or multiple", "tied lines", "tied places", "engine s")
    sys.stdout.write("\n".join(table(head, [_row(one) for one in told])) + "\n")
    first, three = _shares(told)
    sys.stdout.write(f"\nfirst {100.0 * first:.2f} %, in the first three {100.0 * three:.2f} %\n")


if __name__ == "__main__":
    main()
