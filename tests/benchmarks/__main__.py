"""Measures what the program promises and writes docs/benchmarks.md with its raw figures.

    python -m tests.benchmarks [--only NAME ...] [--quick] [--page] [--out FOLDER]

Exit codes: 0 measured (met or not: the page says which), 1 a section could not be measured.
"""

import argparse
import subprocess
import sys
from pathlib import Path

from tests.benchmarks import control_page
from tests.benchmarks.page import load_files, met_words, render, verdict_on
from tests.benchmarks.section import DOCS, ROOT
from tests.benchmarks.sections import SECTIONS

QUICK_OUT = ROOT / "var" / "benchmarks"


def main() -> int:
    """Measure, section by section, and write the page."""
    options = _options()
    out: Path = options.out or (QUICK_OUT if options.quick else DOCS)
    folder = out / "benchmarks"
    folder.mkdir(parents=True, exist_ok=True)
    own = [name for name, section in SECTIONS.items() if section.measure is not None]
    for name in [] if options.page else options.only or own:
        sys.stderr.write(f"{name} ...\n")
        words = [sys.executable, "-m", "tests.benchmarks.measuring", name, str(folder / f"{name}.json")]
        subprocess.run([*words, "--quick"] if options.quick else words, cwd=ROOT, check=True)
        sys.stderr.write(f"  {_told(folder, name)}\n")
    files = load_files(folder)
    page = out / "benchmarks.md"
    page.write_text(render(files), encoding="utf-8")
    control_page.write(files, out)
    sys.stdout.write(f"{page}\n")
    return int(any("failed" in told for told in files.values()))


def _told(folder: Path, name: str) -> str:
    verdict = verdict_on(SECTIONS[name], load_files(folder).get(name))
    return f"{met_words(verdict)}: {verdict.reached}"


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description="Measure what the program promises; write docs/benchmarks.md.")
    measurable = [name for name, section in SECTIONS.items() if section.measure is not None]
    parser.add_argument("--only", nargs="+", choices=measurable, metavar="NAME", help=f"of {', '.join(measurable)}")
    parser.add_argument("--quick", action="store_true", help="short runs that show that it works; into var/benchmarks")
    parser.add_argument("--page", action="store_true", help="measure nothing, only make the page from its files")
    parser.add_argument("--out", type=Path, help="where the page and its folder go; docs by default")
    return parser.parse_args()


if __name__ == "__main__":
    sys.exit(main())
