"""What settling needs to know of each signal."""

from crumbmeter.model.frozen import dataclass
from crumbmeter.model.quality import Quality


@dataclass(frozen=True, slots=True)
class StatusParams:
    """Where a scale says how its weight is meant (REQ-7). Indices of signals; None: it does not say.

    Words after OPC UA for weighing technology: net and gross, tare, zero, over-load, under-load.
    """

    over: int | None = None
    under: int | None = None
    motion: int | None = None
    weighing: int | None = None
    """Closed while it weighs; open in set-up, calibration or test."""
    setup: int | None = None
    """The other way round: closed while somebody is in its set-up."""
    fault: int | None = None
    """Closed while its load cells are not in order."""
    marks: tuple[tuple[str, int], ...] = ()
    """What belongs to the baseline, by name: net, zero, tare, decimal point, calibration counter. A change of any is an
    event."""
    in_motion: Quality = Quality.GOOD
    """Quality of a weight that moves. A loss-in-weight hopper always moves."""


@dataclass(frozen=True, slots=True)
class BaselineParams:
    """How far a weight can honestly move: beyond it, after a gap or with a new tare, the baseline is in doubt."""

    fall_si_s: float
    """[SI/s] Fastest fall by feeding."""
    margin_si: float
    """[SI] What noise and settling may add."""


@dataclass(frozen=True, slots=True)
class SignalParams:
    """Limits of trust of one signal. Its position in the list is its index in the input image."""

    signal_id: str
    low_si: float
    """Below this the reading is Bad, out of range."""
    high_si: float
    max_age_s: float
    """[s] Older than this is Bad, stale. Process time."""
    frozen_after_s: float | None = None
    """[s] Identical for so long while `frozen_while` is true: Bad, frozen. None: never judged."""
    frozen_while: int | None = None
    """Index of the signal that must be true for frozenness to be judged (a belt that runs); None: always. A contact
    is true when closed, a speed when something moves."""
    frozen_above_si: float | None = None
    """[SI] A value up to this is not judged frozen: an empty belt rightly reads a constant zero. None: all are."""
    max_rise_per_s: float | None = None
    """[SI per s] Faster changes than this are Bad for one reading. None: never judged."""
    is_contact: bool = False
    initial_reads: int = 0
    """So many reads after a start or a lost link are not used: a device may begin with a placeholder (REQ-24)."""
    alive_by: int | None = None
    """Index of the device's own counter (REQ-23): while that stands longer than its `frozen_after_s`, this is Bad."""
    status: StatusParams | None = None
    uncertain_for_control: bool = False
    """Control may use what the device itself calls uncertain (REQ-38)."""
    baseline: BaselineParams | None = None
    """For a weight. None: what a gap does to it is not judged."""
