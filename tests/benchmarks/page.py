"""Makes the page from the files of its sections, and from nothing else: the same files give the same page."""

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from tests.benchmarks.section import Section, Verdict, table
from tests.benchmarks.sections import SECTIONS

HEAD = """# Benchmarks

Written by `python -m tests.benchmarks` and by nothing else; the raw figures lie beside this page in `benchmarks/`,
a file a section. What is measured is what the program promises; the targets stand here as they were set
before."""

FOOT = """## How to read this

- `python -m tests.benchmarks` measures all anew; `--only NAME ...` measures some sections and makes the page of new
  and old files; `--page` only makes the page. `--quick` shows in two minutes that all of it works, and writes to
  `var/benchmarks/`.
- Each section was measured in a process of its own and states commit, date and load by itself: with `--only` they
  can differ. *with changes* means that files of the checkout differed from the commit.
- The yardsticks were defined and frozen before the control law met the plant (see
  [decision 2](decisions/0002-yardsticks.md)). The *plain follower* has no delay, the *fixed-delay follower* is what
  a good technician sets up by hand, the *best achievable* knows plant and instruments exactly, but not the future.
  All of them meet the same plant, mix, windows and noise as crumbmeter. None has a run sequence, so they feed from
  the first kilogram on.
- *Dose error* is against the rubber that the true masses wanted; *metering error* against what scales, meter and
  entered figures said of the same mix. Where the first is larger, instruments or entered figures were off, which no
  controller can know from them.
- *Rubber without mix* is what reached a standing or empty drum, all bursts together; *without rubber* is mix in 1 t
  windows with less than half its dose.
- The plants are simulated. The simulator has effects that the estimator has no model of (see
  [how it is built](simulator.md)), and the second plant is a hold-out; a real plant will still differ from all of them.

## Caveats

- **Times.** Where load is above 1 before a section began, or where a section's own processes share the cores with
  others', the wall clock holds waiting, too. Processor time does not, and a ratio to a floor in the same run
  hardly. Results on virtual time (plants, scenarios, the outputs of the replay) do not depend on speed at all.
- **The demonstration** runs at 10x: a scan period of 200 ms is 20 ms of real time, and a machine that is busy with
  something else makes scans late; how many were is told under the table. Lateness is not taken out of the figures.
- **The disk.** This is a virtual machine, and its `fsync` may come back sooner than a plant computer's disk can
  turn. Rates of the journal are for comparison with the floor beside them, not for a promise.
- **Poll to write** is over loopback, where a round trip costs tens of microseconds; over a real network the share
  of the daemon's own work is far smaller.
- **The step** is timed on a simulated shift: alarms that rise by the dozen in one scan are not in it."""


def load_files(folder: Path) -> dict[str, dict[str, Any]]:
    """Read the files of all sections that there are."""
    paths = {name: folder / section.figures_file for name, section in SECTIONS.items()}
    return {name: json.loads(path.read_text(encoding="utf-8")) for name, path in paths.items() if path.exists()}


def verdict_on(section: Section, told: Mapping[str, Any] | None) -> Verdict:
    """Judge a section by its file."""
    if told is None:
        return Verdict("not measured", None)
    if "failed" in told:
        return Verdict(f"could not be measured: {told['failed'].splitlines()[0]}", None)
    verdict = section.judge(_figures(section, told))
    return Verdict(f"(quick run) {verdict.reached}", verdict.met) if told.get("quick") else verdict


def _figures(section: Section, told: Mapping[str, Any]) -> dict[str, Any]:
    return dict(told) if section.measure is None else told["figures"]


def met_words(verdict: Verdict) -> str:
    """Say it in a word or two."""
    return "-" if verdict.met is None else "met" if verdict.met else "**not met**"


def render(files: Mapping[str, dict[str, Any]]) -> str:
    """Make the page."""
    verdicts = {name: verdict_on(section, files.get(name)) for name, section in SECTIONS.items()}
    rows = [
        (
            f"[{section.title}](#{_anchor(section.title)})",
            section.target,
            verdicts[name].reached,
            met_words(verdicts[name]),
        )
        for name, section in SECTIONS.items()
    ]
    summary = ["| " + " | ".join(row) + " |" for row in (("", "target", "reached", ""), ("---",) * 4, *rows)]
    lines = [HEAD, "", *_conditions(files), "", *summary, ""]
    for name, section in SECTIONS.items():
        lines += [*_section(section, files.get(name), verdicts[name]), ""]
    return "\n".join([*lines, FOOT, ""])


def _anchor(title: str) -> str:
    plain = "".join(letter for letter in title.lower() if letter.isalnum() or letter in " -_")
    return plain.replace(" ", "-")


def _conditions(files: Mapping[str, dict[str, Any]]) -> list[str]:
    """Write the machine and, a row a section, when and from what it was measured."""
    own = {name: told for name, told in files.items() if "machine" in told}
    machines = {
        f"{m['processor']}, {m['cores']} cores, {m['system']}, Python {m['python']}"
        for m in (told["machine"] for told in own.values())
    }
    loops = [told["machine"]["loop_of_a_million_ms"] for told in own.values()]
    lines = [f"- Machine: {words}." for words in sorted(machines)]
    if loops:
        lines.append(f"- An empty Python loop of a million turns takes {min(loops):.1f} to {max(loops):.1f} ms on it.")
    rows = [
        (
            SECTIONS[name].title,
            _commit(told),
            told["date"],
            f"{told['took_s']:.0f}",
            f"{told['load_before']:.1f} to {told['load_after']:.1f}",
        )
        for name, told in own.items()
    ]
    return (
        [*lines, "", *table(("measured", "commit", "date", "took [s]", "load of the machine"), rows)] if rows else lines
    )


def _commit(told: Mapping[str, Any]) -> str:
    words = f"`{told['commit'][:10]}`{' with changes' if told['dirty'] else ''}"
    return words + (f", `{told['commit_after'][:10]}` at the end" if "commit_after" in told else "")


def _section(section: Section, told: Mapping[str, Any] | None, verdict: Verdict) -> list[str]:
    lines = [f"## {section.title}", "", f"Target: {section.target}.", ""]
    lines += [f"Reached: {verdict.reached}." + ("" if verdict.met is None else f" {met_words(verdict)}."), ""]
    if told is None or "failed" in told:
        return lines[:-1]
    figures = _figures(section, told)
    lines += section.words(figures)
    seed = f"Seed: {_seeds(figures['seed'])}. " if "seed" in figures else ""
    lines += ["", f"{seed}Raw: [{section.figures_file}](benchmarks/{section.figures_file})."]
    return _squeezed(lines)


def _seeds(seed: Any) -> str:
    return ", ".join(map(str, dict.fromkeys(seed))) if isinstance(seed, list) else str(seed)


def _squeezed(lines: list[str]) -> list[str]:
    """Leave out an empty line after an empty line."""
    return [line for before, line in zip(["x", *lines], lines, strict=False) if line or before]
