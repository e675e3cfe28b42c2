"""Mutation score of the modules that make numbers, from the words of a device to the totals: see mutation_groups.

mutmut changes one thing in a function at a time and runs the tests that reach it; a change that no test notices
survives. It names mutants by path and hits by import name, which agree only for `src/`, so a scratch copy with that
layout is made: `src/crumbmeter`, the tests below, and settings of its own. Every survivor must be killed by a test that
means something, or stand in `mutation_notes.toml` with the reason why it changes nothing that anybody could see, or
why it is not in place when its code runs.

Run: python -m tests.benchmarks.mutation   (ten minutes on one core; writes docs/benchmarks/mutation.json)
"""

import argparse
import json
import os
import shutil
import subprocess
import sys
import tempfile
import tomllib
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from tests.benchmarks.mutation_groups import BESIDE, MODULES, SLOW, suite_of, target_of

ROOT = Path(__file__).resolve().parents[2]
RESULT = ROOT / "docs/benchmarks/mutation.json"
NOTES = Path(__file__).with_name("mutation_notes.toml")
SETTINGS = """
[tool.mutmut]
source_paths = ["src/"]
only_mutate = {modules}
pytest_add_cli_args = ["-q", "-x", "-p", "no:cacheprovider", "-k", "{slow}"]
pytest_add_cli_args_test_selection = {tests}
use_git_change_detection = false

[tool.pytest.ini_options]
pythonpath = ["."]
addopts = "--import-mode=importlib"
markers = ["slow"]
"""
CONFTEST = """
from hypothesis import Phase, settings

settings.register_profile(
    "mutation", max_examples=25, deadline=None, derandomize=True, database=None, phases=(Phase.explicit, Phase.generate)
)
settings.load_profile("mutation")
"""
# The same few examples for each mutant, and no search for the smallest one: whether it is noticed is all that is asked.
KILLED, SURVIVED, TIMEOUT = "killed", "survived", "timeout"
OUTCOMES = {
    0: SURVIVED,
    5: SURVIVED,
    33: SURVIVED,
    1: KILLED,
    3: KILLED,
    -24: TIMEOUT,
    24: TIMEOUT,
    36: TIMEOUT,
    152: TIMEOUT,
}
"""By mutmut's exit code of the tests; 5 and 33: no test reaches it. What crashes or ends oddly counts as killed."""


def lay_out(work: Path, modules: tuple[str, ...]) -> None:
    """Make the scratch copy."""
    shutil.copytree(ROOT / "daemon/crumbmeter", work / "src/crumbmeter", ignore=shutil.ignore_patterns("__pycache__"))
    tests = suite_of(modules)
    for name in (*BESIDE, *tests):
        (work / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(ROOT / name, work / name)
    (work / "tests/conftest.py").write_text(CONFTEST, "utf-8")
    settings = SETTINGS.format(
        modules=json.dumps([f"src/crumbmeter/{module}" for module in modules]),
        tests=json.dumps(tests),
        slow=" and ".join(f"not {word}" for word in SLOW),
    )
    (work / "pyproject.toml").write_text(settings, "utf-8")


def mutmut(work: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """Run mutmut in the scratch copy."""
    environment = os.environ | {"PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1"}
    return subprocess.run(
        [sys.executable, "-m", "mutmut", *words], cwd=work, env=environment, text=True, capture_output=True, check=False
    )


def change_of(work: Path, mutant: str) -> str:
    """Return what a mutant changed, as `-` and `+` lines."""
    shown = mutmut(work, "show", mutant).stdout.splitlines()
    changed = [line for line in shown if line[:1] in "+-" and line[:3] not in ("---", "+++")]
    return "\n".join(line[0] + " " + line[1:].strip() for line in changed)


def judge(work: Path, module: str, notes: list[dict[str, Any]]) -> tuple[dict[str, Any], list[dict[str, str]]]:
    """Count one module's mutants and describe those that survived."""
    meta = json.loads((work / "mutants/src/crumbmeter" / f"{module}.meta").read_text("utf-8"))
    counts = {KILLED: 0, SURVIVED: 0, TIMEOUT: 0}
    survivors = []
    for mutant, code in meta["exit_code_by_key"].items():
        outcome = OUTCOMES.get(code, KILLED)
        if code is None:
            raise SystemExit(f"{mutant} was not run")
        counts[outcome] += 1
        if outcome is SURVIVED:
            change = change_of(work, mutant)
            why = next((note["why"] for note in notes if note["module"] == module and change in note["changes"]), "")
            survivors.append(
                {"module": module, "mutant": mutant.rpartition(".")[2], "change": change, "equivalent": why}
            )
    total = sum(counts.values())
    return {**counts, "score": round((total - counts[SURVIVED]) / total, 4)}, survivors


def main() -> int:
    """Run, write the result and say whether every module reaches the target."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--modules", nargs="+", default=list(MODULES), help="only these; nothing is then written")
    parser.add_argument("--children", type=int, default=2, help="processes side by side")
    chosen = parser.parse_args()
    modules = tuple(chosen.modules)
    notes = tomllib.loads(NOTES.read_text("utf-8"))["equivalent"]
    with tempfile.TemporaryDirectory(prefix="crumbmeter-mutation-") as folder:
        work = Path(folder)
        lay_out(work, modules)
        run = mutmut(work, "run", "--max-children", str(chosen.children))
        if run.returncode != 0:
            sys.stderr.write(run.stdout[-4000:] + run.stderr[-4000:])
            return 2
        judged = {module: judge(work, module, notes) for module in modules}
    counts = {module: count for module, (count, _) in judged.items()}
    survivors = [survivor for _, found in judged.values() for survivor in found]
    total: dict[str, Any] = {
        kind: sum(count[kind] for count in counts.values()) for kind in (KILLED, SURVIVED, TIMEOUT)
    }
    total["score"] = round(1.0 - total[SURVIVED] / sum(total.values()), 4)
    commit = subprocess.run(["git", "rev-parse", "HEAD"], cwd=ROOT, check=True, capture_output=True, text=True)
    date = datetime.now(UTC).date().isoformat()  # noqa: TID251 - the date of a report
    report = {
        "commit": commit.stdout.strip(), "date": date, "modules": counts, "total": total, "survivors": survivors,
    }  # fmt: skip
    text = json.dumps(report, indent=2, ensure_ascii=False) + "\n"
    sys.stdout.write(text)
    if modules == MODULES:
        RESULT.parent.mkdir(parents=True, exist_ok=True)
        RESULT.write_text(text, "utf-8")
    return 0 if all(count["score"] >= target_of(module) for module, count in counts.items()) else 1


if __name__ == "__main__":
    sys.exit(main())
