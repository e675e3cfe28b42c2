"""The last twelve hours, one sample a second, in memory: what the page draws. Missing is missing, never zero."""

import math
from array import array
from collections.abc import Mapping
from typing import Any, Final

COLUMNS: Final = (
    "target_fraction", "fed_kg_s", "setpoint_kg_s", "mix_rate_kg_s", "window_dose_fraction", "hopper_kg",
)  # fmt: skip
KEPT_S: Final = 12 * 3600
MOST_POINTS: Final = 1500

Sample = tuple[float | None, ...]
_NONE: Final = math.nan
"""Inside the ring alone: no number that is not finite gets in, and none gets out."""


def sample_of(view: Mapping[str, Any]) -> Sample:
    """Take from a view what the trend keeps, in the order of `COLUMNS`. A reading that is Bad is None."""
    return (
        view["dose_target_fraction"],
        view["fed_kg_s"]["value"],
        view["setpoint_kg_s"],
        view["mix_rate_kg_s"],
        view["window_dose_fraction"],
        view["hopper_mass_kg"]["value"],
    )


class Trend:
    """A ring of seconds."""

    def __init__(self) -> None:
        """Start with nothing known."""
        self._second = array("q", [-1]) * KEPT_S
        """[s] UTC since 1970 of what is in each place; -1: nothing."""
        self._values = tuple(array("d", [_NONE]) * KEPT_S for _ in COLUMNS)

    def put(self, second: int, sample: Sample) -> None:
        """Keep one sample.

        Args:
            second: [s] UTC since 1970. A later sample of the same second takes the place of the first.
            sample: In the order of `COLUMNS`.
        """
        place = second % KEPT_S
        self._second[place] = second
        for column, value in zip(self._values, sample, strict=True):
            column[place] = value if value is not None and math.isfinite(value) else _NONE

    def knows(self, second: int) -> bool:
        """Tell whether there is a sample of this second [s, UTC since 1970]."""
        return self._second[second % KEPT_S] == second

    def body(self, until: int, minutes: int) -> dict[str, Any]:
        """Make the JSON of the last minutes.

        Each bucket of k seconds, where there are more seconds than points, becomes two rows, half a bucket apart: in
        each column the least and the greatest value in it, in the order in which they came. A column of which half a
        bucket or more is missing is null in both.

        Args:
            until: [s] UTC since 1970 of the newest second wanted.
            minutes: How far back.
        """
        count = min(minutes * 60, KEPT_S)
        seconds = range(until - count + 1, until + 1)
        size = 1 if count <= MOST_POINTS else 2 * math.ceil(count / MOST_POINTS)
        if size == 1:
            times: list[float] = list(seconds)
            columns = [self._column(column, seconds) for column in self._values]
        else:
            buckets = [seconds[at : at + size] for at in range(0, count, size)]
            times = [bucket[0] + half for bucket in buckets for half in (0, size // 2)]
            columns = [
                [value for bucket in buckets for value in _extremes(self._column(column, bucket))]
                for column in self._values
            ]
        return {
            "period_s": 1 if size == 1 else size // 2,
            "columns": {"t_s": times, **dict(zip(COLUMNS, columns, strict=True))},
        }

    def _column(self, column: "array[float]", seconds: range) -> list[float | None]:
        found: list[float | None] = []
        for second in seconds:
            place = second % KEPT_S
            value = column[place]
            found.append(value if self._second[place] == second and value == value else None)  # noqa: PLR0124 - NaN
        return found


def _extremes(values: list[float | None]) -> tuple[float | None, float | None]:
    known = [value for value in values if value is not None]
    if not known or 2 * len(known) <= len(values):
        return None, None
    low, high = min(known), max(known)
    return (low, high) if values.index(low) <= values.index(high) else (high, low)
