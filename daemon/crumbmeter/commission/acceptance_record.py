"""What rows and scans of the plant's record say of an acceptance run: rates, signals, scan, and who had the feeder."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import pairwise
from math import sqrt
from typing import Final

from crumbmeter.control.params import Params
from crumbmeter.journal.reader import Reader
from crumbmeter.ledger import events, rows
from crumbmeter.ledger.scancode import decode_scans
from crumbmeter.ledger.stamped import BOOT, EVENT, SCANS
from crumbmeter.model.events import Event
from crumbmeter.model.quality import Quality
from crumbmeter.model.units import UNITS
from crumbmeter.qc.acceptance import Scans, SignalQuality
from crumbmeter.report.sources import Span

LONGEST_HOLD_S: Final = 5.0
"""[s] A row's rates hold until the next one, at most so long."""
MOVING_KG_S: Final = 0.5
"""[kg/s] Mix at the injection point above which the plant makes mix (as in ledger.period)."""
LATE_SHARE: Final = 1.5
"""A scan that comes after so many periods is late."""
_CONTROL = {"control_enabled": True, "monitor_only": False}


@dataclass(frozen=True, slots=True)
class Rates:
    """Rates of one part of the run."""

    lasted_s: float
    asked_kg: float
    fed_kg: float
    rows: int
    rms_percent: float | None
    lowest_t_h: float | None
    highest_t_h: float | None


@dataclass(frozen=True, slots=True)
class RecordFigures:
    """All of it."""

    watched: Rates
    controlled: Rates
    signals: tuple[SignalQuality, ...]
    scans: Scans
    boot_ids: tuple[str, ...]


def control_at(reader: Reader, span: Span) -> int | None:
    """[us] Return when control was first enabled within a span, or its beginning where it was already; None: never."""
    before = next(
        (
            enabled
            for stored in reader.entries("record", (EVENT,), before_wall_us=span.from_us, newest_first=True)
            if (enabled := _enabled(events.read(stored))) is not None
        ),
        False,
    )
    if before:
        return span.from_us
    within = events.iterate(reader, from_wall_us=span.from_us, before_wall_us=span.before_us)
    return next((one.stored.wall_us for one in within if _enabled(one.event)), None)


def _enabled(happened: Event) -> bool | None:
    if happened.name == "daemon_started":
        return bool(dict(happened.detail).get("control_enabled"))
    return _CONTROL.get(happened.name)


def record_figures(reader: Reader, params: Params, span: Span, enabled_us: int | None) -> RecordFigures:
    """Read rows and scans of a span.

    Args:
        reader: The plant's record.
        params: Site, for the names of its signals.
        span: Which time.
        enabled_us: [us] When control was enabled; None: never.
    """
    gathered = _Rows(enabled_us)
    for one in rows.iterate(reader, from_wall_us=span.from_us, before_wall_us=span.before_us):
        gathered.take(one)
    gathered.take_end(span.before_us)
    scans, boot_ids = _scans(reader, params.scan_period_s, span, gathered.longest_gap_s)
    signals = tuple(gathered.quality_of(signal.signal_id) for signal in params.signals)
    return RecordFigures(gathered.watched.rates(), gathered.controlled.rates(), signals, scans, boot_ids)


@dataclass(slots=True)
class _Sum:
    lasted_s: float = 0.0
    asked_kg: float = 0.0
    fed_kg: float = 0.0
    squares: float = 0.0
    asked: float = 0.0
    compared: int = 0
    rows: int = 0
    mixes: list[float] = field(default_factory=list)

    def rates(self) -> Rates:
        """Return the figures."""
        mean = self.asked / self.compared if self.compared else 0.0
        rms = 100.0 * sqrt(self.squares / self.compared) / mean if mean > 0.0 else None
        low, high = (
            (None, None) if not self.mixes else (UNITS["tonne/h"].from_si(pick(self.mixes)) for pick in (min, max))
        )
        return Rates(self.lasted_s, self.asked_kg, self.fed_kg, self.rows, rms, low, high)


class _Rows:
    def __init__(self, enabled_us: int | None) -> None:
        self._enabled_us = enabled_us
        self.watched, self.controlled = _Sum(), _Sum()
        self._last: rows.NamedRow | None = None
        self._counts: dict[str, list[int]] = {}
        self.longest_gap_s = 0.0

    def take(self, one: rows.NamedRow) -> None:
        """Take the next row."""
        self.take_end(one.stored.wall_us)
        self._last = one
        for name, quality in zip(one.layout.columns, one.row.qualities, strict=True):
            self._counts.setdefault(name, [0, 0, 0])[quality] += 1

    def take_end(self, now_us: int) -> None:
        """Let the last row hold until now."""
        last = self._last
        if last is None:
            return
        dt_s = (now_us - last.stored.wall_us) / 1e6
        if dt_s < 0.0:
            return  # the clock was set back
        self.longest_gap_s = max(self.longest_gap_s, dt_s)
        held_s = min(dt_s, LONGEST_HOLD_S)
        control = self._enabled_us is not None and last.stored.wall_us >= self._enabled_us
        into = self.controlled if control else self.watched
        into.lasted_s += held_s
        into.rows += 1
        # Only watching, it asks for nothing: what the dose wants is what it would have asked for.
        asked = last.value("setpoint_kg_s" if control else "wanted_kg_s")
        fed, mix = last.value("fed_kg_s"), last.value("mix_rate_kg_s")
        into.asked_kg += (asked or 0.0) * held_s
        into.fed_kg += (fed or 0.0) * held_s
        if mix is not None and mix > MOVING_KG_S:
            into.mixes.append(mix)
        if asked and fed is not None and (last.row.run_state == "feeding" or not control):
            into.squares += (fed - asked) ** 2
            into.asked += asked
            into.compared += 1

    def quality_of(self, name: str) -> SignalQuality:
        """Return how good a column was."""
        counts = self._counts.get(name, [0, 0, 0])
        whole = sum(counts)
        good, uncertain, bad = (
            100.0 * counts[quality] / whole if whole else 0.0
            for quality in (Quality.GOOD, Quality.UNCERTAIN, Quality.BAD)
        )
        return SignalQuality(name, good, uncertain, bad)


def _scans(reader: Reader, period_s: float, span: Span, longest_row_gap_s: float) -> tuple[Scans, tuple[str, ...]]:
    count, late, longest_s = 0, 0, 0.0
    boot_ids: dict[str, None] = {}
    for boot_id, dt_s in _steps(reader, span):
        boot_ids[boot_id] = None
        count += 1
        late += dt_s > LATE_SHARE * period_s
        longest_s = max(longest_s, dt_s)
    starts = sum(1 for _ in reader.entries(
        "record", (BOOT,), from_wall_us=span.from_us, before_wall_us=span.before_us
    ))  # fmt: skip
    return Scans(count, period_s, longest_s, late, longest_row_gap_s, starts), tuple(boot_ids)


def _steps(reader: Reader, span: Span) -> Iterator[tuple[str, float]]:
    """Yield the process time between every two scans of a run, with the run's id."""
    entries = reader.entries("image", (SCANS,), from_wall_us=span.from_us, before_wall_us=span.before_us)
    times = ((stored.boot_id, record.image.now_s) for stored in entries for _, record in decode_scans(stored.body))
    for (before_id, before_s), (boot_id, now_s) in pairwise(times):
        if before_id == boot_id:
            yield boot_id, now_s - before_s
