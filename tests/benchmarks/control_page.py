"""The figures of docs/control.md: one picture and one table, made from the file of the section `dose` alone."""

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from tests.benchmarks.dose import CONTROLLERS, PLANTS, Row, rows_of
from tests.benchmarks.section import table

BEGIN, END = "<!-- figures of the benchmark: begin -->", "<!-- figures of the benchmark: end -->"
PICTURE = "benchmarks/dose.svg"
WIDTH, LEFT, LINE, TOP = 860, 190, 17, 44
LOWEST, HIGHEST = 0.1, 100.0
"""[%] Ends of the axis."""
MARKS = {
    "crumbmeter": "#1b4f8a", "best_achievable": "#6b6b6b", "fixed_delay_follower": "#b35c00",
    "plain_follower": "#b9b9b9",
}  # fmt: skip
NAMES = {
    "crumbmeter": "crumbmeter", "best_achievable": "best achievable", "fixed_delay_follower": "fixed-delay follower",
    "plain_follower": "plain follower",
}  # fmt: skip


def picture(rows: Sequence[Row]) -> str:
    """Draw RMS metering errors (5 t windows), a line a scenario and plant, on a logarithmic axis, as SVG."""
    lines: list[str] = []
    y = TOP
    for plant, title in PLANTS.items():
        there = [row for row in rows if row.plant == plant]
        if not there:
            continue
        lines.append(f'<text x="8" y="{y + 12}" font-weight="bold">{title}</text>')
        y += LINE
        for row in there:
            lines += _line(row, y)
            y += LINE
        y += LINE // 2
    return "\n".join(
        [
            _head(y + 12),
            f'<rect width="{WIDTH}" height="{y + 12}" fill="#ffffff"/>',
            *_axis(y),
            *lines,
            "</svg>",
            "",
        ]
    )


def _head(height: float) -> str:
    size = f'width="{WIDTH}" height="{height}"'
    return f'<svg xmlns="http://www.w3.org/2000/svg" {size} font-family="sans-serif" font-size="11">'


def _x(percent: float) -> float:
    share = math.log10(min(HIGHEST, max(LOWEST, percent)) / LOWEST) / math.log10(HIGHEST / LOWEST)
    return round(LEFT + share * (WIDTH - LEFT - 20), 1)


def _axis(bottom: float) -> list[str]:
    parts = [
        f'<text x="{LEFT + 150 * place}" y="14" fill="{MARKS[name]}">&#9679; {NAMES[name]}</text>'
        for place, name in enumerate(CONTROLLERS)
    ]
    for percent in (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100):
        x = _x(percent)
        parts.append(f'<line x1="{x}" x2="{x}" y1="34" y2="{bottom}" stroke="#e4e4e4"/>')
        parts.append(f'<text x="{x}" y="30" text-anchor="middle" fill="#555555">{percent:g} %</text>')
    return parts


def _line(row: Row, y: float) -> list[str]:
    middle = y + LINE // 2
    spots = [
        f'<circle cx="{_x(row.rms(name))}" cy="{middle}" r="4" fill="{MARKS[name]}"/>' for name in reversed(CONTROLLERS)
    ]
    return [f'<text x="{LEFT - 8}" y="{middle + 4}" text-anchor="end">{row.scenario}</text>', *spots]


def block(rows: Sequence[Row]) -> list[str]:
    """Write what stands between the two marks of the page."""
    head = ("5 t windows, all scenarios and seeds", *(NAMES[name] for name in CONTROLLERS))
    cells = []
    for plant, title in PLANTS.items():
        there = [row for row in rows if row.plant == plant]
        if there:
            cells.append((f"{title}: metering RMS [%]", *(f"{_all(there, name):.2f}" for name in CONTROLLERS)))
    return [
        BEGIN,
        "",
        *table(head, cells),
        "",
        f"![RMS metering error by scenario and plant, four controllers]({PICTURE})",
        "",
        "Made by `python -m tests.benchmarks` from [its figures](benchmarks/dose.json); every scenario is told in",
        "[benchmarks](benchmarks.md#dose-in-every-scenario).",
        "",
        END,
    ]


def _all(rows: Sequence[Row], controller: str) -> float:
    found = [one for row in rows for one in row.figures(controller, "5_t", "metering")]
    return math.sqrt(math.fsum(one["n"] * one["rms_percent"] ** 2 for one in found) / sum(one["n"] for one in found))


def write(files: Mapping[str, Any], out: Path) -> None:
    """Write picture and block, where the section has been measured and the page is there."""
    told = files.get("dose", {})
    if "figures" not in told:
        return
    rows = rows_of(told["figures"])
    (out / PICTURE).write_text(picture(rows), encoding="utf-8")
    page = out / "control.md"
    if page.exists():
        page.write_text(filled(page.read_text("utf-8"), rows), encoding="utf-8")


def filled(text: str, rows: Sequence[Row]) -> str:
    """Return the page with its block made anew."""
    before, _, rest = text.partition(BEGIN)
    _, _, after = rest.partition(END)
    return before + "\n".join(block(rows)) + after
