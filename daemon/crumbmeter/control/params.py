"""All that a scan must know beside its inputs: immutable, built from one site file, swapped whole between scans."""

from dataclasses import field
from enum import StrEnum

from crumbmeter.estimation.params import UncertaintyParams, WeighingParams
from crumbmeter.field.spec import OutputSpec, ReadPlan, SignalSource
from crumbmeter.model.frozen import dataclass
from crumbmeter.process.params import BatchParams, DrumParams, LineParams, MixParams, StreamParams
from crumbmeter.signals.params import SignalParams
from crumbmeter.signals.pulse import PulseParams
from crumbmeter.signals.totaliser import TotaliserParams


class MeterMode(StrEnum):
    """How the feeder is told what to feed."""

    SPEED = "speed"
    """crumbmeter meters: it asks for an auger speed."""
    RATE = "rate"
    """The device's own controller meters: it is asked for a rate."""


class BelowTurndown(StrEnum):
    """What to do when the rate wanted lies below what the auger can hold."""

    STOP = "stop"
    """Auger stands still; what was not fed is owed and paid within the mixing horizon."""
    MINIMUM = "minimum"
    """Auger keeps its lowest speed."""
    PULSE = "pulse"
    """Auger turns at its lowest speed whenever so much is owed that it is worth a pulse."""


@dataclass(frozen=True, slots=True)
class ContactParams:
    """Indices of the contacts and readings that the sequence watches. None: the site has no such signal."""

    emergency_stop_ok: int | None = None
    remote: int | None = None
    blower_running: int | None = None
    airlock_running: int | None = None
    diverter_to_drum: int | None = None
    feeder_fault: int | None = None
    supply_low: int | None = None
    line_pressure: int | None = None
    """[Pa]"""
    flow_switch: int | None = None
    """Contact that sees rubber pass at the line's end."""
    plant_recipe: int | None = None
    feed_rate: int | None = None
    """[kg/s] The feeder's own figure, for comparison only."""
    supply_mass: int | None = None
    """[kg] Content of the supply hopper."""


@dataclass(frozen=True, slots=True)
class SequenceParams:
    """Times and limits of the run sequence."""

    start_warning_s: float
    blower_start_s: float
    """[s] The blower must be proven within this."""
    purge_s: float
    """[s] Air alone before rubber."""
    clean_out_s: float
    """[s] Air alone after rubber."""
    ready_hold_s: float
    """[s] How long the line stays ready (blower on) with no material coming, before it is cleaned out and shut."""
    airlock_start_s: float
    pressure_high_pa: float | None
    """[Pa] Above this the line is plugging: machine doubt."""
    pressure_low_pa: float | None
    """[Pa] Below this while feeding the line is open (a hose off): machine doubt."""
    pressure_delay_s: float


@dataclass(frozen=True, slots=True)
class FeedParams:
    """Limits of the setpoint."""

    mode: MeterMode
    min_speed_rev_s: float
    """[rev/s] Lowest speed that the auger holds steadily (turndown)."""
    max_speed_rev_s: float
    below_turndown: BelowTurndown
    max_rate_kg_s: float
    """[kg/s] Hard limit of the feed whatever is asked."""
    slew_kg_s2: float
    """[kg/s per s] Fastest change of the setpoint, both ways. Stops and trips pass it."""
    auger_lag_s: float
    """[s] From a new setpoint to the rubber leaving the auger."""
    input_hold_s: float
    """[s] Input doubt: the last setpoint is held for so long, then the feed stops."""
    resume_after_s: float
    """[s] All required inputs Good for so long before a feed stopped by input doubt starts again."""
    trim_share: float
    """Largest share of the setpoint by which owed rubber is paid back (0.03 = 3 %)."""
    trim_time_s: float
    """[s] Owed rubber is paid back over this time."""
    trim_horizon_s: float
    """[s] Rubber owed for longer has left with its mix: it is logged and forgotten."""


@dataclass(frozen=True, slots=True)
class ToleranceParams:
    """Bands of dose error, as fractions of the dose."""

    window_kg: float
    """[kg] Mix over which the dose at the outlet is judged."""
    window_s: float
    """[s] Time over which the feed is judged against its setpoint."""
    warn: float
    alarm: float
    deadband: float
    """Error must come back inside `band - deadband` before the condition clears."""
    total: float
    """Band of the job total's error."""
    total_from_kg: float
    """[kg] Rubber fed before the total is judged."""


@dataclass(frozen=True, slots=True)
class Params:
    """All of it."""

    settings_id: str
    """SHA-256 of the site file and every profile it uses, as they were read."""
    site_id: str
    simulated: bool
    scan_period_s: float
    control_allowed: bool
    """The site file's own word: without it control can never be enabled at run time."""
    sources: tuple[SignalSource, ...]
    signals: tuple[SignalParams, ...]
    plan: ReadPlan
    outputs: tuple[OutputSpec, ...]
    streams: tuple[StreamParams, ...]
    drum: DrumParams
    line: LineParams
    mixes: tuple[MixParams, ...]
    first_mix: str
    """Mix id at the first start; later the journal's last choice rules."""
    weighing: WeighingParams
    contacts: ContactParams
    sequence: SequenceParams
    feed: FeedParams
    tolerance: ToleranceParams
    parcel_kg: float = 250.0
    alarm_delays_s: tuple[tuple[str, float, float], ...] = field(default=())
    """(alarm id, on-delay, off-delay) where the site differs from the catalogue."""
    totalisers: tuple[TotaliserParams, ...] = ()
    pulses: tuple[PulseParams, ...] = ()
    good_scans: int = 0
    """Nothing is written after a start before every required input has been Good for so many scans (REQ-24)."""
    owner: int | None = None
    """Index of the output that says who writes. None: the site has no such register."""
    heartbeat: int | None = None
    """Index of the heartbeat's output."""
    owner_dead_after_s: float = 10.0
    """[s] A stranger whose heartbeat has stood for so long is dead."""
    weight_reading: str = ""
    """Names the way in which the hopper's weight is read (device, register, type, order, scale). Control needs that way
    confirmed with a known weight (REQ-13). Empty: not asked, as on a simulated site."""
    known_weight_band: float = 0.02
    """The reading agrees with a known weight within this share of it."""
    uncertainty: UncertaintyParams = field(default_factory=UncertaintyParams)
    batch: BatchParams | None = None
    """A batch plant; then there are no streams, and the pugmill stands in for the drum. None: a drum plant."""

    @property
    def mixer(self) -> str:
        """Name what the mix is made in."""
        return "drum" if self.batch is None else "pugmill"
