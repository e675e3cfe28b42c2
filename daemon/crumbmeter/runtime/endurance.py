"""How often outputs were written in all, how often they may be, and how much of their memory is left (REQ-26).

Volatile outputs are only counted. Those that may wear their memory out are limited in an hour and a day; what stops
something is always written.
"""

import contextlib
import json
import os
from collections import deque
from collections.abc import Mapping, Sequence
from pathlib import Path

from crumbmeter.field.spec import OutputSpec

HOUR_S, DAY_S = 3600.0, 86400.0
STEPS_PERCENT = (100, 80, 50)
"""Shares of the endurance that are told."""


def key_of(spec: OutputSpec, device_id: str) -> str:
    """Name the memory that is written: another register begins at zero."""
    return f"{spec.role} {device_id} {spec.register.table.value} {spec.register.address}"


class WriteBudget:
    """Counts of all outputs. Times are process time [s]."""

    def __init__(self, outputs: Sequence[OutputSpec], keys: Sequence[str], kept: Mapping[str, int]) -> None:
        """Prepare.

        Args:
            outputs: The allow list.
            keys: Name of each one's memory.
            kept: Lifetime counts of earlier runs, by name of the memory.
        """
        self._outputs = tuple(outputs)
        self._keys = tuple(keys)
        self._lifetime = [kept.get(key, 0) for key in keys]
        self._others = {key: count for key, count in kept.items() if key not in keys}
        self._sent_s: list[deque[float]] = [deque(maxlen=max(spec.max_per_hour, spec.max_per_day)) for spec in outputs]

    def allows(self, index: int, now_s: float) -> bool:
        """Tell whether one more write that stops nothing is within the limits."""
        spec, sent = self._outputs[index], self._sent_s[index]
        return _room(sent, spec.max_per_hour, now_s - HOUR_S) and _room(sent, spec.max_per_day, now_s - DAY_S)

    def sent(self, index: int, now_s: float) -> None:
        """Count a write that went out, whatever the device said to it."""
        self._lifetime[index] += 1
        if self._outputs[index].durable:
            self._sent_s[index].append(now_s)

    def lifetime(self, index: int) -> int:
        """Return how often the output was written, in all runs."""
        return self._lifetime[index]

    def wear_percent(self, index: int) -> int:
        """Return the highest of 0, 50, 80 and 100 % of the declared endurance that has been reached."""
        endures = self._outputs[index].endurance_writes
        if not endures:
            return 0
        return next((step for step in STEPS_PERCENT if self._lifetime[index] * 100 >= step * endures), 0)

    def counts(self) -> dict[str, int]:
        """Return all lifetime counts by name of the memory, with those of outputs that the site had before."""
        return self._others | dict(zip(self._keys, self._lifetime, strict=True))


def _room(sent: "deque[float]", most: int, since_s: float) -> bool:
    """Tell whether fewer than `most` were sent since then; 0 is no limit."""
    return not most or len(sent) < most or sent[-most] < since_s


def load_counts(path: Path) -> dict[str, int]:
    """Read lifetime counts; what is not there or not readable begins at zero."""
    try:
        held = json.loads(path.read_text("utf-8"))
    except (OSError, ValueError):
        return {}
    if not isinstance(held, dict):
        return {}
    return {str(key): count for key, count in held.items() if isinstance(count, int) and count >= 0}


def save_counts(path: Path, counts: Mapping[str, int]) -> None:
    """Write lifetime counts: a power cut leaves the old file or the new one.

    Raises:
        OSError: the disk does not take it.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    fresh = path.with_suffix(".new")
    with fresh.open("w", encoding="utf-8") as file:
        json.dump(counts, file, indent=1, sort_keys=True)
        file.flush()
        os.fsync(file.fileno())
    fresh.replace(path)
    with contextlib.suppress(OSError):
        folder = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)
