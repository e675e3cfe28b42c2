"""The beginning of a new site: files with comments, in which everything that only the plant can tell is marked."""

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

from crumbmeter.site.problems import as_written

TEMPLATES: Final = Path(__file__).with_name("templates")
IMPERIAL: Final = {"lb": "lb", "ton": "short_ton", "psi": "psi", "mass": "lb"}
AS_THEY_ARE: Final = (
    "calibration-limits.toml", "specifications/fibre_feed.toml", "specifications/production_record.toml",
    "specifications/weighed_additive.toml",
)  # fmt: skip
"""Copies of files of config/, for any site: without limits no calibration is judged by anything."""
METRIC: Final = {"lb": "kg", "ton": "tonne", "psi": "kpa", "mass": "kg"}


@dataclass(frozen=True, slots=True)
class Beginning:
    """What a new site is begun with."""

    title: str
    kind: Literal["drum", "batch"] = "drum"
    units: Literal["us", "metric"] = "us"
    simulated: bool = False
    recycle: bool = True


def first_files(folder_name: str, beginning: Beginning) -> dict[str, str]:
    """Return the files of a new site, by their path in its folder."""
    words = IMPERIAL if beginning.units == "us" else METRIC
    title = as_written(beginning.title)[1:-1]
    words |= {"id": site_id(folder_name), "title": title, "units": beginning.units, "kind": beginning.kind}
    words |= {"simulated": "true\nclock_rate = 1.0" if beginning.simulated else "false"}
    holds = {beginning.kind} | ({"recycle"} if beginning.recycle else set())
    site = _chosen(_template("site.toml"), holds)
    return {
        "site.toml": _filled(site, words),
        "quality.toml": _filled(_template("quality.toml"), words),
        "devices/register_map.toml": _filled(_template("register_map.toml"), words),
        "README.md": _filled(_template("README.md"), words),
    } | {name: _template(name) for name in AS_THEY_ARE}


def site_id(folder_name: str) -> str:
    """Make an id of a folder's name: small letters, digits and underscores, a letter first."""
    plain = re.sub(r"[^a-z0-9]+", "_", folder_name.lower()).strip("_")
    return (plain if plain[:1].isalpha() else f"site_{plain}".rstrip("_"))[:40]


def _template(name: str) -> str:
    return (TEMPLATES / name).read_text("utf-8")


def _chosen(text: str, holds: set[str]) -> str:
    """Keep the parts between `#if WORD` and `#endif` whose words hold, all around them too."""
    kept: list[str] = []
    within: list[bool] = []
    for line in text.splitlines(keepends=True):
        if line.startswith("#if "):
            within.append(line.split()[1] in holds)
        elif line.startswith("#endif"):
            within.pop()
        elif all(within):
            kept.append(line)
    return "".join(kept)


def _filled(text: str, words: dict[str, str]) -> str:
    return re.sub(r"@([a-z]+)@", lambda found: words[found[1]], text)
