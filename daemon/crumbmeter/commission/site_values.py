"""Values found at the plant on their way into the site file: shown beside the old ones, checked, put in place.

The file is replaced as a whole or not at all, and only by one that passes every check. Who calls this has put the old
one on record.
"""

import os
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from crumbmeter.commission.calibrating.steps import Proposal
from crumbmeter.model.frozen import dataclass
from crumbmeter.model.units import POUND_KG
from crumbmeter.site import Site, load
from crumbmeter.site.editing import with_values


@dataclass(frozen=True, slots=True)
class Change:
    """One value of the site file."""

    path: tuple[str, ...]
    old: float | None
    """None: the file does not say it."""
    new: float
    why: str

    @property
    def text(self) -> str:
        """Write it as a person reads it."""
        key = ".".join(self.path)
        return f"{key}: {'not said' if self.old is None else f'{self.old:g}'} -> {self.new:g} ({self.why})"


def changes(path: Path, proposals: Sequence[Proposal]) -> tuple[Change, ...]:
    """Return what would change in a site file, in the units of the keys that it uses; what stays the same is left out.

    Raises:
        OSError: the file cannot be read.
    """
    body = tomllib.loads(path.read_text("utf-8"))
    found = (_change(body, one) for one in proposals)
    return tuple(one for one in found if one.old is None or abs(one.old - one.new) > 1e-9 * abs(one.new))


def _change(body: dict[str, Any], one: Proposal) -> Change:
    table = body
    for name in one.path[:-1]:
        table = table.get(name, {})
    key, value = one.path[-1], one.value
    in_pounds = key.replace("_kg_rev", "_lb_rev")
    if key not in table and in_pounds in table:
        key, value = in_pounds, round(value / POUND_KG, 4)
    old = table.get(key)
    return Change((*one.path[:-1], key), None if old is None else float(old), value, one.why)


def put_in_place(path: Path, wanted: Sequence[Change]) -> Site:
    """Write changed values into a site file, and return the site that it is now.

    Args:
        path: The site file.
        wanted: What changes.

    Raises:
        SiteRefusedError: with these values the site would be refused; the file stays as it is.
        EditRefusedError: a value cannot be set; likewise.
        OSError: the disk refused; likewise.
    """
    target = path.resolve()  # a link stays a link
    text = with_values(target.read_bytes().decode(), {one.path: one.new for one in wanted})
    beside = target.with_name(f".{target.name}.new")
    try:
        with beside.open("w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        beside.chmod(target.stat().st_mode & 0o777)
        load(beside)
        beside.replace(target)
    finally:
        beside.unlink(missing_ok=True)
    return load(path)
