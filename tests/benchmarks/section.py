"""What a section of the benchmark page is: measured by one function, judged and told by two pure ones.

A section is measured in a process of its own; its figures lie as JSON beside the page, and the page is made from
nothing but these files, so that one section can be measured anew without the others.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
DOCS = ROOT / "docs"
SCENARIOS = ROOT / "config" / "scenarios"
DEMO_SITE = ROOT / "config" / "sites" / "demo_drum.toml"
POOL = 2
"""Processes for work on virtual time, whose result does not depend on how long it takes."""

Figures = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Verdict:
    """A section against its target."""

    reached: str
    met: bool | None
    """None: there is no target, or nothing to judge."""


@dataclass(frozen=True, slots=True)
class Section:
    """One section of the page."""

    name: str
    title: str
    target: str
    measure: Callable[[bool], Figures] | None
    """Measures; True asks for a short run that only shows that it works. None: another command writes the figures."""
    judge: Callable[[Figures], Verdict]
    words: Callable[[Figures], list[str]]
    """Lines of the section, in Markdown."""
    file: str = ""
    """Of the figures, where two sections share one; empty: its own."""

    @property
    def figures_file(self) -> str:
        """Name the file of its figures, beside the page."""
        return f"{self.file or self.name}.json"


def table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> list[str]:
    """Make a table; all columns but the first are set to the right."""
    rule = ["---", *["--:"] * (len(head) - 1)]
    return ["| " + " | ".join(row) + " |" for row in (head, rule, *rows)]


def quantile(ordered: Sequence[int], share: float) -> int:
    """Return the smallest value that at least `share` of the sorted values do not exceed."""
    place = -int(-share * len(ordered) // 1) - 1
    return ordered[min(len(ordered) - 1, max(0, place))]
