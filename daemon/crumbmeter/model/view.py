"""What one scan has to show: the terminal, MQTT and /metrics all draw from this one value, so they cannot disagree."""

from dataclasses import field

from crumbmeter.model.frozen import dataclass
from crumbmeter.model.image import WriteStatus
from crumbmeter.model.outputs import OutputImage
from crumbmeter.model.quality import Quality
from crumbmeter.model.reading import Reading


@dataclass(frozen=True, slots=True)
class StreamView:
    """One stream as the scan saw it."""

    stream_id: str
    rate: Reading
    """[kg/s] As indicated, wet or dry as the signal is."""
    dry_kg_s: float
    """[kg/s] At the scale, dry; 0 below low flow."""
    moisture: float
    """Fraction of dry mass in force."""
    at_injection_kg_s: float
    """[kg/s] Dry flow now passing the injection point, by the travel model."""


@dataclass(frozen=True, slots=True)
class PermissiveView:
    """One condition that the feed needs."""

    name: str
    met: bool | None
    """None: not known, its reading is Bad."""
    why: str


@dataclass(frozen=True, slots=True)
class AlarmView:
    """One alarm that is not in its normal state."""

    alarm_id: str
    state: str
    since_s: float
    text: str
    remedy: str
    priority: str = "medium"
    first_out: bool = False
    """Raised before all others that follow from the same cause."""
    left_s: float = 0.0
    """[s] Of a shelf."""
    who: str = ""
    """Who put it aside, and why."""
    why: str = ""


@dataclass(frozen=True, slots=True)
class Totals:
    """Sums of parcels and of what was dumped, in grams. Grand totals are never reset; a subtotal is a mark on them."""

    rubber_g: int = 0
    target_rubber_g: int = 0
    mix_g: int = 0
    """All mix, with or without a dose."""
    mix_with_dose_g: int = 0
    """Mix that was meant to carry rubber."""
    parcels: int = 0
    wasted_mix_g: int = 0
    """Dumped out of the drum, with its rubber; it is in no parcel."""
    wasted_rubber_g: int = 0
    """Rubber in it."""


@dataclass(frozen=True, slots=True)
class TotaliserView:
    """One counter of a device, beside what the rate of the same material comes to."""

    signal_id: str
    booked_si: float
    """[SI] Proven by the counter since it was first seen."""
    settled_si: float
    """[SI] Added by people for stretches in which the counter proved nothing."""
    open_gaps: int
    """Such stretches that nobody has settled."""
    compared_si: float | None
    """[SI] Part of `booked_si` for which the rate is known too; None where no rate is named."""
    by_rate_si: float | None
    """[SI] What the rate comes to over the same stretches."""


@dataclass(frozen=True, slots=True)
class TripView:
    """How long the feeder goes on when the heartbeat stands: the last measurement of this run."""

    measuring: bool = False
    trip_s: float | None = None
    """[s] None: not measured."""
    resolution_s: float = 0.0
    """[s] The true time is at most so much shorter."""
    why: str = ""
    """Why a measurement came to nothing."""


@dataclass(frozen=True, slots=True)
class LineView:
    """What the watch over the conveying line says."""

    diagnosis: str = ""
    expected_pa: float | None = None
    """[Pa] Line pressure by the learned curve at this loading. None: not known well enough."""
    spread_pa: float = 0.0
    """[Pa] Standard deviation of a second's mean about it (k=1)."""
    load_kg: float = 0.0
    """[kg] Rubber under way, by what left the auger."""
    soonest_s: float | None = None
    latest_s: float | None = None
    """[s] To the fixed limit by the present trend, rising ever faster and evenly. None: no trend is known."""


@dataclass(frozen=True, slots=True)
class DoseView:
    """The dose of the newest tons that left the outlet, with its uncertainty (docs/uncertainty.md)."""

    basis: str
    dose: float
    """Fraction in that basis."""
    expanded: float
    """Expanded uncertainty U = k u of the dose, as the same fraction."""
    coverage: float
    """Coverage factor k, for a coverage of about 95 %."""
    mix_kg: float
    """[kg] Mix with rubber that it stands for."""
    quality: Quality
    """Worst quality of any input that made it."""
    largest: str
    """What contributes most to the uncertainty."""
    assumed: tuple[str, ...]
    """Contributions whose size the site file does not state."""


@dataclass(frozen=True, slots=True)
class OrderView:
    """What people last asked of the run, and was done: in or out of service, hold, control, mix."""

    kind: str = ""
    """Empty: nothing yet."""
    who: str = ""
    done_s: float = 0.0
    """[s] Process time."""


@dataclass(frozen=True, slots=True)
class NoteView:
    """The last note that was left for the next shift."""

    text: str = ""
    """Empty: there is none."""
    who: str = ""
    left_s: float = 0.0
    """[s] Process time at which it was left."""


@dataclass(frozen=True, slots=True)
class SupplyView:
    """What rubber there is, and what the job still takes."""

    hopper_empty_in_s: float | None = None
    """[s] Until the weigh hopper is at its low level, were it not filled. None: nothing is fed, or it is not known."""
    empty_in_s: float | None = None
    """[s] The same with what the supply holds. None where that is not weighed."""
    here_kg: float | None = None
    """[kg] In both hoppers, without what lies below the low level."""
    planned_mix_kg: float | None = None
    """[kg] Mix with rubber that the job is to have. None: nobody said."""
    left_mix_kg: float | None = None
    takes_kg: float | None = None
    """[kg] Rubber that the rest of the job takes."""
    bags_to_load: int | None = None
    """Bags, each as heavy as the last one, that it takes beyond what is here."""
    bags_loaded: int = 0
    bags_kg: float = 0.0
    bag_lot: str = ""
    """Of the last bag that was loaded."""
    wasted_mix_kg: float = 0.0
    """[kg] Mix of the job that people marked as wasted."""


@dataclass(frozen=True, slots=True)
class BatchView:
    """What a batch plant's rubber is about."""

    phase: str
    reason: str
    counter: int | None
    """Batch counter of the plant; None: not read yet."""
    wanted: bool | None
    """Whether the dry-mix window is open; None: not known."""
    window_s: float
    """[s] For how long."""
    target_kg: float
    """[kg] Rubber for the batch that is dosed for."""
    need_kg: float
    """[kg] What is still to be dosed for it; negative: the vessel holds more than it takes."""
    vessel_kg: float
    """[kg] In the transfer vessel."""
    batch_rubber_kg: float | None
    """[kg] Blown into the batch in the pugmill; None: there is none."""
    batch_target_kg: float | None
    last_error: float | None
    """Relative error of the last batch that left with rubber wanted in it."""
    wasted_kg: float
    """[kg] Rubber thrown away with aborted batches, in all."""


@dataclass(frozen=True, slots=True)
class ScanView:
    """One scan, summed up for people and programs. SI throughout."""

    now_s: float
    run_state: str
    run_reason: str
    control_enabled: bool
    in_service: bool
    mix_id: str
    """Mix chosen: that of what passes the scales now."""
    mix_at_injection: str
    """Mix that has most of what passes the injection point; another one while a change is under way."""
    dose_basis: str
    dose_target: float
    mix_rate_kg_s: float
    """[kg/s] Mix without rubber now passing the injection point."""
    wanted_kg_s: float
    """[kg/s] Rubber that the dose asks for, before any constraint."""
    setpoint_kg_s: float
    """[kg/s] After all constraints."""
    fed: Reading
    """[kg/s] Rubber leaving the auger, by the estimator."""
    fed_uncertainty_kg_s: float
    """[kg/s] Standard uncertainty of `fed` (k=1)."""
    feed_factor_kg_rev: float
    auger_speed: Reading
    hopper_mass: Reading
    supply_mass: Reading
    line_pressure: Reading
    window_dose: float | None
    """Dose of the last tolerance window of mix that left the outlet, as a fraction in `dose_basis`."""
    window_error: float | None
    """Its relative error against the dose wanted for it."""
    feed_error: float | None
    """Relative error of the feed against its setpoint over the time window."""
    owed_kg: float
    """[kg] Rubber that trim still pays back (negative: takes back)."""
    totals: Totals
    job: Totals
    """Since the last reset of the subtotal."""
    narrowed: tuple[tuple[str, str], ...]
    """Stages of the constraint chain that narrowed the setpoint, each with its reason, in order."""
    permissives: tuple[PermissiveView, ...]
    alarms: tuple[AlarmView, ...]
    streams: tuple[StreamView, ...]
    readings: tuple[Reading, ...]
    """Every signal, in the order of the settings."""
    outputs: OutputImage
    writes: tuple[WriteStatus, ...]
    """In the order of the output list of the settings."""
    totalisers: tuple[TotaliserView, ...] = ()
    trip: TripView = field(default_factory=TripView)
    learning: bool = False
    """The feed factor is still the site file's word: the weight has not told it yet."""
    line: LineView = field(default_factory=LineView)
    look_ahead_error: float | None = None
    """Of the rubber foreseen for mix against what it wanted when it was there (rms of a minute, relative)."""
    proven: DoseView | None = None
    """None before the first parcel with a dose."""
    batch: BatchView | None = None
    """None: a drum plant."""
    supply: SupplyView = field(default_factory=SupplyView)
    order: OrderView = field(default_factory=OrderView)
    note: NoteView = field(default_factory=NoteView)
    alarm_flood: bool = False
    """More alarms have come in ten minutes than a person can take in."""
