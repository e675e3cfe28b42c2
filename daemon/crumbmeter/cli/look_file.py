"""The file of a look: all words of all samples, when they were taken, and what the display showed. JSON, one a look."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from crumbmeter.field.look import Look, ReadingError, Run, reading_of
from crumbmeter.field.spec import Table

LAYOUT = 1


class LookFileError(ValueError):
    """A file is no look."""


@dataclass(frozen=True, slots=True)
class LookFile:
    """One look and where it came from."""

    address: str
    """Of the device, as it was typed."""
    unit_id: int
    wall_us: int
    """[us] UTC since 1970 at its first sample."""
    at_s: tuple[float, ...]
    """[s] Of each sample, from the first."""
    displays: tuple[str, ...]
    """As a person typed them."""
    look: Look
    holes: tuple[tuple[str, int, int], ...] = ()
    """Table, first address and count of what the device does not have."""


def look_json(kept: LookFile) -> str:
    """Write a look."""
    body = {
        "layout": LAYOUT, "made_by": "crumbmeter survey", "address": kept.address, "unit_id": kept.unit_id,
        "wall_us": kept.wall_us, "displays": kept.displays,
        "holes": [{"table": table, "address": address, "count": count} for table, address, count in kept.holes],
        "samples": [
            {"at_s": round(at_s, 3), "runs": [_run_json(run) for run in sample]}
            for at_s, sample in zip(kept.at_s, kept.look.samples, strict=True)
        ],
    }  # fmt: skip
    return json.dumps(body, allow_nan=False) + "\n"


def _run_json(run: Run) -> dict[str, Any]:
    return {"table": run.table.value, "address": run.address, "words": run.words}


def read_look(path: Path) -> LookFile:
    """Read a file of `crumbmeter survey`.

    Raises:
        LookFileError: it cannot be read, or is none.
    """
    try:
        body = json.loads(path.read_text("utf-8"))
        if body["layout"] != LAYOUT:
            raise LookFileError(f"{path}: layout {body['layout']!r}; this program reads {LAYOUT}")
        samples = tuple(_sample(one["runs"]) for one in body["samples"])
        readings = tuple(reading_of(text) for text in body["displays"])
        holes = tuple((str(one["table"]), int(one["address"]), int(one["count"])) for one in body["holes"])
        return LookFile(
            str(body["address"]), int(body["unit_id"]), int(body["wall_us"]),
            tuple(float(one["at_s"]) for one in body["samples"]), tuple(body["displays"]), Look(samples, readings),
            holes,
        )  # fmt: skip
    except ReadingError as error:
        raise LookFileError(f"{path}: {error}") from error
    except OSError as error:
        raise LookFileError(f"{path}: {error.strerror or error}") from error
    except (KeyError, TypeError, ValueError) as error:
        if isinstance(error, LookFileError):
            raise
        raise LookFileError(f"{path}: is no look of `crumbmeter survey` ({type(error).__name__}: {error})") from error


def _sample(runs: Sequence[Mapping[str, Any]]) -> tuple[Run, ...]:
    found = []
    for run in runs:
        words = tuple(int(word) for word in run["words"])
        if not all(0 <= word <= 0xFFFF for word in words):
            raise ValueError("a word is no 16-bit number")
        found.append(Run(Table(run["table"]), int(run["address"]), words))
    return tuple(found)
