"""Mutation score: read from what `python -m tests.benchmarks.mutation` wrote; not measured here, for it takes long."""

from typing import Any

from tests.benchmarks.section import Figures, Section, Verdict, table

TARGET_PERCENT = 85.0


def score_percent(counts: dict[str, Any]) -> float:
    """[%] Return the share of mutants that the tests noticed; one that hung was noticed."""
    noticed = counts["killed"] + counts.get("timeout", 0)
    there = noticed + counts["survived"]
    return 100.0 * noticed / there if there else 0.0


def judge(figures: Figures) -> Verdict:
    """Hold every module against the target, not only the sum."""
    scores = {name: score_percent(counts) for name, counts in figures["modules"].items()}
    low = [f"{name} {percent:.1f} %" for name, percent in scores.items() if percent < TARGET_PERCENT]
    reached = (
        f"{score_percent(figures['total']):.1f} % in all, {len(scores) - len(low)} of {len(scores)} modules at or above"
    )
    return Verdict("; ".join([reached, *low]), not low)


def words(figures: Figures) -> list[str]:
    """Write the section."""
    rows = [
        (f"`{name}`", str(c["killed"]), str(c.get("timeout", 0)), str(c["survived"]), f"{score_percent(c):.1f}")
        for name, c in {**figures["modules"], "all": figures["total"]}.items()
    ]
    at = f" Measured at commit `{figures['commit'][:10]}` on {figures['date']}." if "commit" in figures else ""
    return [
        (
            "Small faults put into the code one at a time; the share that the tests noticed. Written by "
            f"`python -m tests.benchmarks.mutation`, a command of its own.{at}"
        ),
        "",
        *table(("module", "killed", "hung", "survived", "score [%]"), rows),
    ]


SECTION = Section(
    "mutation",
    "Mutation score",
    f">= {TARGET_PERCENT:g} % on codec, dose, constraint chain and totals",
    None,
    judge,
    words,
)
