"""A specification profile: what a public text asks of a feeder, its record and its mix, line by line with its section.

A profile is data (config/specifications/); site/specification.py reads it. Each line says how sure it is: `confirmed`
was read in a copy of the text, `from memory` was not, and `not specified` says that the text was searched and gives
no figure. Only a confirmed line may be quoted as the agency's.
"""

from collections.abc import Mapping
from enum import StrEnum
from types import MappingProxyType
from typing import Final

from crumbmeter.model.frozen import dataclass


class Status(StrEnum):
    """How sure a line is."""

    CONFIRMED = "confirmed"
    FROM_MEMORY = "from memory"
    NOT_SPECIFIED = "not specified"


@dataclass(frozen=True, slots=True)
class LineKind:
    """What a line of a profile is about."""

    words: str
    unit: str
    """Empty: yes or no."""


LINE_KINDS: Final[Mapping[str, LineKind]] = MappingProxyType({
    "feed_tolerance_percent": LineKind("feed within so much of the rate required", "%"),
    "daily_usage_percent": LineKind("use of a day within so much of what was intended", "%"),
    "feed_window_s": LineKind("time over which the feed is judged", "s"),
    "interlocked": LineKind("feed interlocked with the plant", ""),
    "proportional_to_dry_aggregate": LineKind("feed in proportion to the dry aggregate, at all rates and changes", ""),
    "interlock_delay_s": LineKind("time after which missing feed stops the plant", "s"),
    "low_level_indicator": LineKind("indicator of low level", ""),
    "no_flow_indicator": LineKind("indicator of no flow", ""),
    "transparent_section": LineKind("transparent section in the feed line", ""),
    "feed_rate_printed": LineKind("print-out of the feed rate", ""),
    "feed_rate_interval_s": LineKind("time to which the printed feed rate refers", "s"),
    "record_interval_s": LineKind("longest time between two records", "s"),
    "simulation_marked": LineKind("simulated data marked as such", ""),
    "weigh_belt_percent": LineKind("accuracy of weigh belts", "%"),
    "proportioning_scale_percent": LineKind("accuracy of proportioning scales", "%"),
    "binder_meter_percent": LineKind("accuracy of the binder meter", "%"),
    "calibration_percent": LineKind("accuracy at calibration", "%"),
    "scale_check_days": LineKind("time between two checks of the scales", "d"),
    "feeder_check_days": LineKind("time between two checks of the feeder", "d"),
    "calibration_run_s": LineKind("shortest calibration run", "s"),
    "calibration_run_kg": LineKind("least mass of a calibration run", "kg"),
    "calibration_warm_up_s": LineKind("normal running before a calibration run", "s"),
    "calibration_refills": LineKind("refills within a calibration run", "count"),
    "lot_tonne": LineKind("size of a lot", "t"),
    "sublot_tonne": LineKind("size of a sublot", "t"),
})  # fmt: skip
"""Every line that a profile may have, by the key that it has there."""


@dataclass(frozen=True, slots=True)
class Line:
    """One thing that the text asks for, or is silent about."""

    key: str
    value: float | bool | None
    """In the unit of its kind; None: not specified."""
    section: str
    """Document and section."""
    status: Status
    note: str = ""

    @property
    def words(self) -> str:
        """Say it in words, with its figure."""
        kind = LINE_KINDS[self.key]
        if self.value is None or isinstance(self.value, bool):
            return kind.words
        return f"{kind.words}: {self.value:g} {kind.unit}"


class Bound(StrEnum):
    """How a figure is held against its limit."""

    AT_LEAST = "at_least"
    AT_MOST = "at_most"
    ABOVE = "above"


@dataclass(frozen=True, slots=True)
class TestLimit:
    """A limit of a laboratory figure."""

    __test__ = False  # no test of pytest
    test: str
    """As in qc/laboratory/results.py."""
    figure: str
    """Key of the figure, with its unit."""
    bound: Bound
    limit: float
    when: str
    """To which mixes it applies; empty: all."""
    section: str
    status: Status

    def holds(self, figure: float) -> bool:
        """Tell whether a figure keeps it."""
        match self.bound:
            case Bound.AT_LEAST:
                return figure >= self.limit
            case Bound.AT_MOST:
                return figure <= self.limit
            case Bound.ABOVE:
                return figure > self.limit


@dataclass(frozen=True, slots=True)
class LogField:
    """A field that the text wants in the production log."""

    name: str
    section: str
    status: Status


@dataclass(frozen=True, slots=True)
class Specification:
    """One profile."""

    specification_id: str
    title: str
    documents: tuple[str, ...]
    note: str
    lines: tuple[Line, ...]
    tests: tuple[TestLimit, ...] = ()
    log_fields: tuple[LogField, ...] = ()

    def line(self, key: str) -> Line | None:
        """Return a line, or None where the profile has none."""
        return next((one for one in self.lines if one.key == key), None)

    def figure(self, key: str) -> float | None:
        """Return the figure of a line, or None where there is none or it is a yes or no."""
        found = self.line(key)
        return None if found is None or found.value is None or isinstance(found.value, bool) else float(found.value)
