"""The draft of a test that goes on: every entry on the disk as soon as it is made, so that nothing typed is lost."""

import json
import os
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any, Final

from crumbmeter.commission.calibrating.steps import Entry
from crumbmeter.model.faults import CrumbmeterError
from crumbmeter.model.frozen import dataclass

LAYOUT: Final = 1


class DraftRefusedError(CrumbmeterError):
    """The file of a draft is none, or one of another test. The text says what to do; the file stays as it is."""


@dataclass(frozen=True, slots=True)
class Head:
    """What a draft is of."""

    site_id: str
    word: str
    instrument: str
    regime: str


def write(path: Path, head: Head, entries: Mapping[str, Entry]) -> None:
    """Write a draft, whole or not at all.

    Raises:
        OSError: the disk refused.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    body = {"layout": LAYOUT} | asdict(head) | {"entries": {name: asdict(one) for name, one in entries.items()}}
    beside = path.with_name(f".{path.name}.new")
    with beside.open("w", encoding="utf-8") as file:
        json.dump(body, file, indent=1, allow_nan=False)
        file.write("\n")
        file.flush()
        os.fsync(file.fileno())
    beside.replace(path)


def read(path: Path, head: Head) -> dict[str, Entry]:
    """Read a draft in the order in which it was entered; nothing where there is none.

    Raises:
        DraftRefusedError: the file is no draft, or not one of this test.
    """
    if not path.exists():
        return {}
    try:
        body = json.loads(path.read_text("utf-8"))
        entries = {name: _entry(one) for name, one in body["entries"].items()}
        of = Head(*(str(body[name]) for name in ("site_id", "word", "instrument", "regime")))
        known = body["layout"] == LAYOUT
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as problem:
        raise DraftRefusedError(
            f"{path}: no draft that can be read ({problem}). Put it aside, or begin anew with --anew."
        ) from problem
    if not known or of != head:
        raise DraftRefusedError(
            f"{path}: a draft of {of.word} {of.instrument} at {of.site_id}, {of.regime}, and not of this test. Finish "
            "that one, or begin anew with --anew."
        )
    return entries


def _entry(body: Any) -> Entry:
    value = body["value"]
    if not isinstance(value, float | int | str | bool | None):
        raise TypeError(f"an entry holds {value!r}")
    kept = float(value) if isinstance(value, int) and not isinstance(value, bool) else value
    return Entry(kept, str(body["by"]), int(body["at_us"]), str(body["quality"]))


def put_aside(path: Path) -> None:
    """Keep a draft under another name, where a new one begins."""
    if path.exists():
        path.replace(path.with_name(f"{path.name}.old"))
