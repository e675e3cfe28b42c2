"""Mutation score: read from what `python -m tests.benchmarks.mutation` wrote; not measured here, for it takes long."""

from collections.abc import Callable
from functools import partial
from typing import Any

from tests.benchmarks.mutation_groups import DEMANDS, GROUPS
from tests.benchmarks.section import Figures, Section, Verdict, table

KINDS = ("killed", "timeout", "survived")


def score_percent(counts: dict[str, Any]) -> float:
    """[%] Return the share of mutants that the tests noticed; one that hung was noticed."""
    noticed = counts["killed"] + counts.get("timeout", 0)
    there = noticed + counts["survived"]
    return 100.0 * noticed / there if there else 0.0


def counts_of(name: str, figures: Figures) -> dict[str, dict[str, int]]:
    """Return killed, hung and survived by module, of what a demand is about and was measured."""
    wanted = [module for group in DEMANDS[name].groups for module in GROUPS[group].modules]
    found = [(module, figures["modules"][module]) for module in wanted if module in figures["modules"]]
    return {module: {kind: counts.get(kind, 0) for kind in KINDS} for module, counts in found}


def _total(counts: dict[str, dict[str, int]]) -> dict[str, int]:
    return {kind: sum(one[kind] for one in counts.values()) for kind in KINDS}


def judge(name: str, figures: Figures) -> Verdict:
    """Hold every module against the target, not only the sum."""
    demand, counts = DEMANDS[name], counts_of(name, figures)
    scores = {module: score_percent(one) for module, one in counts.items()}
    low = [f"{module} {percent:.1f} %" for module, percent in scores.items() if percent < 100.0 * demand.target]
    wanted = sum(len(GROUPS[group].modules) for group in demand.groups)
    reached = f"{score_percent(_total(counts)):.1f} % in all, {len(scores) - len(low)} of {wanted} modules at or above"
    return Verdict("; ".join([reached, *low]), not low and len(scores) == wanted)


def words(name: str, figures: Figures) -> list[str]:
    """Write the section."""
    counts = counts_of(name, figures)
    rows = [
        (f"`{module}`", str(c["killed"]), str(c["timeout"]), str(c["survived"]), f"{score_percent(c):.1f}")
        for module, c in {**counts, "all": _total(counts)}.items()
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


def _section(name: str, title: str) -> Section:
    demand = DEMANDS[name]
    judging: Callable[[Figures], Verdict] = partial(judge, name)
    target = f">= {100.0 * demand.target:g} % on {demand.of}"
    return Section(name, title, target, None, judging, partial(words, name), file="mutation")


SECTION = _section("mutation", "Mutation score")
FIELD_SECTION = _section("mutation_field", "Mutation score from the field to the totals")
