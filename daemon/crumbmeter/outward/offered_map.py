"""What the plant's controller may read of a running daemon: every bit, word and figure with its place.

The map is the same at every site and only ever grows at its ends: somebody's controller is programmed against it. The
page docs/offered-registers.md is made from these tables.
"""

from collections.abc import Callable
from typing import Final

from crumbmeter.model.frozen import dataclass
from crumbmeter.model.quality import Quality
from crumbmeter.model.reading import Reading
from crumbmeter.model.units import UNITS
from crumbmeter.model.view import ScanView

MAP_VERSION: Final = 1

BITS: Final = (
    ("healthy", "No stop is requested and scans go on. Interlock on this one: 0, or no answer, is a stop request."),
    ("stop_requested", "The opposite of `healthy`, for those who want it so."),
    ("scanning", "Scans go on. While this is 0 every figure is Bad."),
    ("control_enabled", "An integrator has enabled control; else crumbmeter only watches."),
    ("in_service", "The feed is in service: rubber comes with the mix."),
    ("feeding", "The run state is feeding."),
    ("permissives_met", "Everything that the feed needs is there."),
    ("alarm_active", "At least one alarm is active."),
    ("alarm_unacknowledged", "At least one alarm has not been acknowledged."),
    ("high_alarm_active", "At least one active alarm is of high priority."),
    ("rubber_wanted", "Mix that is to have rubber passes the injection point, or is about to."),
    ("learning", "The feed factor is still the site file's word."),
    ("simulated", "All this is simulated."),
)
"""Discrete inputs from 0 on; also coils from 0 on, and bits of word 2, the first one the least significant."""

RUN_STATES: Final = (
    "not known", "monitor only", "idle", "local", "start warning", "blower start", "purge", "ready", "feeding",
    "line clean-out", "stopped",
)  # fmt: skip
"""Their numbers in word 3 are their places here."""

PERMISSIVES: Final = (
    "control enabled", "in service", "feeder in remote", "emergency stop healthy", "feeder without fault",
    "diverter on drum", "drum turning", "blower proven", "airlock running", "inputs good", "mix with rubber",
    "material on its way",
)  # fmt: skip
"""Bits of words 6 and 7. A batch plant's are the same; `drum` then is the pugmill."""

ALARMS: Final = (
    "feed_stopped", "input_lost", "dose_out", "dose_warning", "feed_off_setpoint", "no_rubber_flow", "total_off",
    "rubber_late", "charge_doubtful", "hopper_low", "refill_slow", "refill_gate_leaks", "feed_factor_fell",
    "supply_low", "pressure_high", "pressure_low", "line_plugging", "rubber_not_arriving", "line_air_low",
    "flow_switch", "write_not_confirmed", "recipe_differs", "scan_late", "weight_baseline", "total_undecided",
    "other_master", "writes_spent", "writes_half_worn", "writes_worn",
)  # fmt: skip
"""Bits of words 8 to 11 (active) and 12 to 15 (not acknowledged), the first the least significant of the first word."""

WORDS: Final = (
    (0, "map version", str(MAP_VERSION)),
    (1, "scan number", "Counts on with every scan, 0 to 65535 and round. While it stands, crumbmeter stands."),
    (2, "bits", "The bits above, the first one the least significant."),
    (3, "run state", "By number, below."),
    (4, "units", "1: short ton, lb, psi. 2: tonne, kg, kPa."),
    (5, "mix", "Number of the chosen mix, counted from 1 in the order of the site file; 0: none of them."),
    (6, "permissives met", "Bits, below."),
    (7, "permissives known", "Bits: whether the reading behind it can be used."),
    (8, "alarms active", "64 bits in four words, below."),
    (12, "alarms not acknowledged", "64 bits in four words, below."),
    (16, "seconds since the last scan", "65535: longer, or there was none."),
    (18, "UTC", "Seconds since 1970, two words."),
)
"""Single words, each with its address; input registers and holding registers alike."""

FIRST_VALUE: Final = 20
VALUE_WORDS: Final = 4
"""Two words with a float32, one with its quality (0 Bad, 1 Uncertain, 2 Good), one spare (0)."""

Valued = tuple[float | None, Quality]
"""[SI] A value with its quality; None exactly where it is Bad."""


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure with its quality."""

    name: str
    us: str
    """Unit at a site that shows US units."""
    metric: str
    read: Callable[[ScanView], Valued]

    def shown(self, si: float, units: str) -> float:
        """Return a value in the unit in which it is offered."""
        return UNITS[self.us if units == "us" else self.metric].from_si(si)


def _sure(value: float | None) -> Valued:
    return value, Quality.BAD if value is None else Quality.GOOD


def _reading(reading: Reading) -> Valued:
    return reading.value, reading.quality


def _uncertainty(view: ScanView) -> Valued:
    return (view.fed_uncertainty_kg_s, view.fed.quality) if view.fed.usable else _sure(None)


def _proven(view: ScanView) -> Valued:
    return _sure(None) if view.proven is None else (view.proven.dose, view.proven.quality)


def _expanded(view: ScanView) -> Valued:
    return _sure(None) if view.proven is None else (view.proven.expanded, view.proven.quality)


FIGURES: Final = (
    Figure("rubber wanted", "lb/min", "kg/min", lambda view: _sure(view.wanted_kg_s)),
    Figure("setpoint", "lb/min", "kg/min", lambda view: _sure(view.setpoint_kg_s)),
    Figure("rubber fed", "lb/min", "kg/min", lambda view: _reading(view.fed)),
    Figure("standard uncertainty of it (k=1)", "lb/min", "kg/min", _uncertainty),
    Figure("mix rate without rubber", "short_ton/h", "tonne/h", lambda view: _sure(view.mix_rate_kg_s)),
    Figure("dose wanted, in its basis", "percent", "percent", lambda view: _sure(view.dose_target)),
    Figure("dose of the tolerance window", "percent", "percent", lambda view: _sure(view.window_dose)),
    Figure("error of the tolerance window", "percent", "percent", lambda view: _sure(view.window_error)),
    Figure("dose of the newest tons", "percent", "percent", _proven),
    Figure("expanded uncertainty of it", "percent", "percent", _expanded),
    Figure("weigh hopper", "lb", "kg", lambda view: _reading(view.hopper_mass)),
    Figure("supply hopper", "lb", "kg", lambda view: _reading(view.supply_mass)),
    Figure("line pressure", "psi", "kPa", lambda view: _reading(view.line_pressure)),
    Figure("auger speed", "rpm", "rpm", lambda view: _reading(view.auger_speed)),
)
"""From word FIRST_VALUE on, VALUE_WORDS words each."""

FIRST_TOTAL: Final = 120


@dataclass(frozen=True, slots=True)
class Total:
    """One total: a whole number of two words, which goes round after 4,294,967,295."""

    name: str
    us: str
    metric: str
    parts: int
    """So many make one unit: 10 for tenths."""
    read_g: Callable[[ScanView], int]
    """[g]"""

    def shown(self, view: ScanView, units: str) -> int:
        """Return it in the unit in which it is offered, cut to a whole number."""
        return int(UNITS[self.us if units == "us" else self.metric].from_si(self.read_g(view) / 1000.0) * self.parts)


TOTALS: Final = (
    Total("rubber", "lb", "kg", 1, lambda view: view.totals.rubber_g),
    Total("rubber wanted", "lb", "kg", 1, lambda view: view.totals.target_rubber_g),
    Total("mix", "short_ton", "tonne", 10, lambda view: view.totals.mix_g),
    Total("mix that was meant to have rubber", "short_ton", "tonne", 10, lambda view: view.totals.mix_with_dose_g),
    Total("rubber of the job", "lb", "kg", 1, lambda view: view.job.rubber_g),
    Total("mix of the job", "short_ton", "tonne", 10, lambda view: view.job.mix_g),
)
"""From word FIRST_TOTAL on, two words each. Grand totals are never reset; the job's are, by people."""

WORD_COUNT: Final = 140
"""Words 0 to 139 can be read, in one request or several; those without a meaning are 0."""
