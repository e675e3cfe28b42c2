"""What is wrong with a site, told so that a person can put it right. Pure: builds text, prints nothing."""

import json
import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from itertools import groupby

from crumbmeter.model.faults import CrumbmeterError
from crumbmeter.site.refusals import REFUSALS

WIDTH = 100
_KEY_COLUMNS = 46
_GLUE = "\N{NO-BREAK SPACE}"
"""Stands for the space that must not be broken while a line is filled."""


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong (or, for a warning, doubtful), and what to do about it."""

    code: str
    """Id in the table of refusals."""
    file: str
    line: int
    """Counted from 1; for a key that is missing, the line of the table it belongs to."""
    key: str
    """Full key path. Empty where the whole file is meant."""
    found: str
    """The value as it stands in the file; empty where there is none."""
    expected: str
    remedy: str

    @property
    def is_warning(self) -> bool:
        """Tell whether the site may still be used."""
        return REFUSALS[self.code].warning


class SiteRefusedError(CrumbmeterError):
    """The site cannot be used. Nothing may be started; show `problems` and end with exit code 2."""

    def __init__(self, problems: Sequence[Problem]) -> None:
        self.problems = in_order(problems)
        super().__init__(report(self.problems))


def in_order(problems: Iterable[Problem]) -> tuple[Problem, ...]:
    """Sort by line inside each file, the files in the order in which they first appear; drop exact repetitions."""
    unique = list(dict.fromkeys(problems))
    files = list(dict.fromkeys(problem.file for problem in unique))
    return tuple(sorted(unique, key=lambda problem: (files.index(problem.file), problem.line)))


def nearest(word: str, known: Iterable[str]) -> str | None:
    """Return the known word most like `word`, or None where none is alike."""
    close = get_close_matches(word, list(known), n=1, cutoff=0.6)
    return close[0] if close else None


def have(known: Iterable[str]) -> str:
    """Name what there is, shortened to what a person will read."""
    words = list(known)
    if not words:
        return "there is none"
    shown = ", ".join(words[:8])
    return f"have: {shown}" + (f" and {len(words) - 8} more" if len(words) > 8 else "")


def as_written(value: object) -> str:
    """Write a value about as TOML would, on one short line."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        text = "[" + ", ".join(as_written(item) for item in value) + "]"
    elif isinstance(value, str):
        text = json.dumps(value, ensure_ascii=False)
    else:
        text = str(value)
    return text if len(text) <= 40 else text[:37] + "..."


def report(problems: Sequence[Problem]) -> str:
    """Write all problems, file by file in the order of lines."""
    parts = []
    for file, group in groupby(in_order(problems), key=lambda problem: problem.file):
        entries = list(group)
        count = "1 problem" if len(entries) == 1 else f"{len(entries)} problems"
        parts.append(f"{file}: {count}, nothing started.\n" + "\n".join(_entry(entry) for entry in entries))
    return "\n".join(parts)


def _entry(problem: Problem) -> str:
    left = f"  {problem.key} = {problem.found}" if problem.found and problem.key else f"  {problem.key or 'the file'}"
    right = f"{problem.expected} (line{_GLUE}{problem.line})"
    if len(left) > _KEY_COLUMNS or len(right) > WIDTH - _KEY_COLUMNS - 2:
        first = left + "\n" + _wrapped(right)
    else:
        first = f"{left:<{_KEY_COLUMNS}}  {right}"
    return (first + "\n" + _wrapped(f"{problem.remedy} [{problem.code}]")).replace(_GLUE, " ")


def _wrapped(text: str) -> str:
    # textwrap breaks at white space of ASCII alone, so the glue holds.
    return textwrap.fill(text, WIDTH, initial_indent=" " * 6, subsequent_indent=" " * 6, break_on_hyphens=False)


def warnings_text(problems: Sequence[Problem]) -> str:
    """Write warnings, one paragraph each."""
    lines = []
    for problem in problems:
        found = f" = {problem.found}" if problem.found else ""
        text = (
            f"{problem.key}{found}: {problem.expected} (line{_GLUE}{problem.line}). {problem.remedy} [{problem.code}]"
        )
        lines.append(
            textwrap.fill(text, WIDTH, initial_indent="  ", subsequent_indent="      ", break_on_hyphens=False)
        )
    return "\n".join(lines).replace(_GLUE, " ")
