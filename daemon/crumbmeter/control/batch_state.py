"""Memory of a batch plant's rubber: what is in the pugmill, what lies in the vessel, where the cycle is."""

from dataclasses import field
from enum import StrEnum

from crumbmeter.model.frozen import dataclass
from crumbmeter.model.quality import Quality
from crumbmeter.process.dose import Mix
from crumbmeter.process.params import BatchParams


class Phase(StrEnum):
    """What is done for the next charge, while the run sequence feeds."""

    REST = "at rest"
    REFILL = "weigh hopper fills"
    DOSE = "dosing"
    DRIBBLE = "dribbling"
    SETTLE = "weight settles"
    CHARGED = "charge ready"
    BLOW = "blowing in"
    TRAVEL = "under way"
    DELIVERED = "delivered"
    DOUBT = "charge in doubt"


@dataclass(frozen=True, slots=True)
class PugmillBatch:
    """One batch in the pugmill. Masses in kg."""

    number: int
    """By the plant's counter."""
    began_s: float
    """[s] Process time at which it was dropped."""
    mix_id: str
    parts: Mix
    target_kg: float
    quality: Quality
    """Worst of the readings that made its masses."""
    controlled: bool
    worst_state: str = ""
    worst_rank: int = 0
    rubber_kg: float = 0.0
    uncertainty_kg: float = 0.0
    called: bool = False
    """Its window has been open."""
    served: bool = False
    """Its rubber is in, and that was said."""
    passed: bool = False
    """Its window closed before that."""
    late: bool = False
    """The plant has waited for its rubber."""
    again: bool = False
    """It has been asked for once more after it was served."""
    aborted: bool = False


@dataclass(frozen=True, slots=True)
class Vessel:
    """The transfer vessel. The weigh hopper's loss keeps its account; its own scale shares it out and checks it."""

    account_kg: float = 0.0
    uncertainty_kg: float = 0.0
    zero_kg: float = 0.0
    """[kg] What its scale shows when it is empty, learned."""
    read_kg: float | None = None
    """[kg] Its reading, smoothed. None: none has come yet."""
    releasing: bool = False
    start_kg: float = 0.0
    """[kg] Account when the present release began."""
    start_uncertainty_kg: float = 0.0
    start_read_kg: float = 0.0
    released_kg: float = 0.0
    """[kg] Let out by the present release so far."""
    cut_kg: float | None = None
    """[kg] Let out when its valve was told to shut, where that was for a part of the content."""
    overrun_kg: float = 0.0
    """[kg] What still comes out after that, learned."""
    empty_s: float = 0.0
    """[s] For how long its scale has shown empty in this release."""
    shut_s: float = 0.0
    """[s] Since its valve was last told to be open."""


@dataclass(frozen=True, slots=True)
class Dosing:
    """How the auger fills the vessel."""

    overrun_kg: float = 0.0
    """[kg] What a charge grows by after the auger is told to stop, learned."""
    cut_kg: float | None = None
    """[kg] Content of the vessel when it was told so. None: not in this charge."""
    topped: bool = False
    """Too little was left to dose for anything to be learned."""


@dataclass(frozen=True, slots=True)
class BatchState:
    """All of it."""

    phase: Phase = Phase.REST
    in_phase_s: float = 0.0
    reason: str = "started"
    counter: int | None = None
    seen_kg: tuple[float, ...] = ()
    """[kg] Weigh hoppers at the scan before, to see whether they rest."""
    weighed: Mix | None = None
    """[kg] Parts of the next batch as they were last weighed at rest. None: not weighed yet."""
    resting: Mix | None = None
    """[kg] Parts as they last lay in the weigh hoppers at rest, whether that was called weighed or not."""
    weighed_quality: Quality = Quality.GOOD
    announced: Mix | None = None
    """[kg] Parts of the next batch as the plant has announced them. None: there is none, or it is not known."""
    coming: bool = False
    """The plant makes batches, or is about to."""
    current: PugmillBatch | None = None
    below: tuple[PugmillBatch, ...] = ()
    """Batches that lie in the pugmill under the current one: it was dropped onto them."""
    wanted: bool | None = None
    """Whether the window is open. None: not known, or not Good."""
    window_s: float = 0.0
    """[s] For how long it has been open."""
    discharging: bool = False
    target_kg: float = 0.0
    """[kg] Of the batch that is aimed at."""
    need_kg: float = 0.0
    """[kg] What it still needs beyond vessel, line and pugmill; negative: the vessel holds more than it takes."""
    vessel: Vessel = field(default_factory=Vessel)
    dosing: Dosing = field(default_factory=Dosing)
    filled: bool = False
    """The weigh hopper has been filling since this was ordered."""
    ordered: bool = False
    """A fill of the weigh hopper is ordered."""
    air: float = 0.0
    """Share of the blower's full speed, as far as it is known."""
    stranded: bool = False
    """Rubber lay in the line when its air stopped: how much of it arrived is reckoned, and not known."""
    still_s: float = 0.0
    """[s] For how long the release has been over with air moving."""
    wasted_kg: float = 0.0
    """[kg] Rubber that left with aborted batches, in all."""
    last_number: int = -1
    last_error: float | None = None
    """Relative error of the last batch that wanted rubber."""


def new_batch(params: BatchParams) -> BatchState:
    """Begin with an empty pugmill, and with what the site says of overruns."""
    return BatchState(
        vessel=Vessel(overrun_kg=params.release_kg_s * (params.release_lag_s + SMOOTH_S)),
        dosing=Dosing(overrun_kg=params.dribble_kg_s * FIRST_OVERRUN_S),
    )


SMOOTH_S = 0.2
"""[s] Time constant of the vessel's reading."""
FIRST_OVERRUN_S = 1.2
"""[s] Of the dribble rate: where learning the overrun of the auger starts."""
