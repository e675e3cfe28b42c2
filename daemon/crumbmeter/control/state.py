"""The whole memory of the core: one frozen value, passed in and returned, so that a scan can be replayed."""

from dataclasses import field
from typing import Literal

from crumbmeter.alarms.machine import Alarms, first_alarms
from crumbmeter.control.batch_state import SMOOTH_S, BatchState, new_batch
from crumbmeter.control.counters import first_pulses, first_totalisers
from crumbmeter.control.foresight import Foresight
from crumbmeter.control.job import JobState
from crumbmeter.control.line_state import LineWatch
from crumbmeter.control.outlet import OutletState, new_outlet
from crumbmeter.control.ownership import OwnerState
from crumbmeter.control.params import Params
from crumbmeter.control.plant import PlantState, new_plant
from crumbmeter.control.proving import ProvingState
from crumbmeter.control.sequence import SequenceState
from crumbmeter.control.tolerance import ToleranceState
from crumbmeter.estimation.fills import FillsState
from crumbmeter.estimation.weighing import WeighingState, new_weighing
from crumbmeter.model.frozen import dataclass
from crumbmeter.model.view import NoteView, OrderView, Totals, TripView
from crumbmeter.process.fifo import Fifo, empty
from crumbmeter.signals.pulse import PulseState
from crumbmeter.signals.settle import SignalMemory, first_memory
from crumbmeter.signals.totaliser import TotaliserState

Version = Literal[16]
STATE_VERSION: Version = 16
"""Counts up with every change of shape; an older snapshot is then not taken (docs/journal.md)."""
LINE_CELL_S = 0.25
"""[s] About the length of a cell of the conveying line, in seconds of running air: a whole number of them makes it."""
SHORTEST_CELL_S = 0.05
"""[s] A line that is shorter than this is taken to be as long."""


@dataclass(frozen=True, slots=True)
class FeedState:
    """Memory of the feed."""

    setpoint_kg_s: float = 0.0
    speed_rev_s: float = 0.0
    """[rev/s] Asked for in the last scan."""
    balance_kg: float = 0.0
    """[kg] Rubber that the mix past the injection point should have, less what reached it; old parts are forgotten."""
    owed_kg: float = 0.0
    """[kg] The same as it will be when all that is under way has arrived: what trim pays back."""
    kept_back_kg: float = 0.0
    """[kg] Part of what is owed that the start sequence or the lowest steady speed kept back."""
    asked_kg: float = 0.0
    """[kg] Asked for, and by the auger's lag not yet fed."""
    forgotten_kg: float = 0.0
    """[kg] Balance that left with its mix, in all."""
    doubt_s: float = 0.0
    """[s] For how long a required input has been Bad."""
    good_s: float = 0.0
    """[s] For how long all required inputs have been Good."""
    pressure_high_s: float = 0.0
    pressure_low_s: float = 0.0
    no_flow_s: float = 0.0
    release_left_s: float = 0.0
    """[s] Control has been given back: zeros are written for so long still."""
    heartbeat: int = 0
    unheard_since_s: float | None = None
    """[s] Process time since which the feeder is not heard; None: it is."""
    unheard_left_s: float = 0.0
    """[s] Once it is heard again, the read-back of its setpoint is waited for so long still."""


@dataclass(frozen=True, slots=True)
class TripTest:
    """Measuring how long the feeder goes on when the heartbeat stands."""

    who: str = ""
    """Who asked for the one under way; empty: none is."""
    waited_s: float = 0.0
    """[s] Since it was asked for."""
    deaf_s: float = 0.0
    """[s] For how long the fault contact has been Bad."""
    sent_s: float | None = None
    """[s] Process time at which the last heartbeat was known to have reached the feeder."""
    free_s: float | None = None
    """[s] Process time of the last reading without a fault."""
    result: TripView = field(default_factory=TripView)


@dataclass(frozen=True, slots=True)
class State:
    """Everything that one scan leaves to the next."""

    version: Version
    signals: tuple[SignalMemory, ...]
    plant: PlantState
    line: Fifo
    """[kg] Rubber on its way from the auger to the injection point."""
    line_uncertainty: Fifo
    """[kg] Its standard uncertainty, carried along (fully correlated: it adds up)."""
    outlet: OutletState
    weighing: WeighingState
    sequence: SequenceState
    feed: FeedState
    tolerance: ToleranceState
    alarms: Alarms
    control_enabled: bool
    mix_id: str
    """Mix chosen: that of what passes the scales. What is on its way may be of another (`PlantState.mixes`)."""
    totals: Totals
    job_mark: Totals
    """Grand totals as they were when the subtotal was last reset."""
    caught_kg: float = 0.0
    """[kg] Rubber that went to the catch container, in all."""
    totalisers: tuple[TotaliserState, ...] = ()
    pulses: tuple[PulseState, ...] = ()
    good_scans: int = 0
    """Scans in a row, since the start, in which every required input was Good; it ends at what is asked for."""
    held_s: float = 0.0
    """[s] For how long the weight has not been believed, because of a fill or what follows it."""
    instance: int = 0
    """Number of this run in the owner register."""
    owner: OwnerState = field(default_factory=OwnerState)
    fills: FillsState = field(default_factory=FillsState)
    trip: TripTest = field(default_factory=TripTest)
    line_watch: LineWatch = field(default_factory=LineWatch)
    weight_confirmed: str = ""
    """The way of reading the hopper's weight (`Params.weight_reading`) that was last confirmed with a known weight."""
    foresight: Foresight = field(default_factory=Foresight)
    proving: ProvingState = field(default_factory=ProvingState)
    batch: BatchState | None = None
    """None: a drum plant."""
    job: JobState = field(default_factory=JobState)
    order: OrderView = field(default_factory=OrderView)
    note: NoteView = field(default_factory=NoteView)


def line_cells(params: Params) -> tuple[int, float]:
    """Return how many cells make the conveying line, and the length of each in seconds of running air.

    What trim pays back is reckoned by this line against material that is foreseen by its travel: a line that is a tenth
    of a second too long, for its cells have a round length, would keep the feed a thousandth too low for ever.
    """
    seen_late_s = 0.0 if params.batch is None else params.batch.vessel_lag_s + SMOOTH_S
    way_s = max(SHORTEST_CELL_S, params.line.travel_s - seen_late_s)
    cells = max(1, round(way_s / LINE_CELL_S))
    return cells, way_s / cells


def first_state(params: Params) -> State:
    """Make the state of a first start: nothing known, control off, out of service."""
    line = empty(line_cells(params)[0])
    return State(
        version=STATE_VERSION,
        signals=first_memory(len(params.signals)),
        plant=new_plant(params),
        line=line,
        line_uncertainty=line,
        outlet=new_outlet(params.drum, params.first_mix),
        weighing=new_weighing(params.weighing),
        sequence=SequenceState(),
        feed=FeedState(),
        tolerance=ToleranceState(),
        alarms=first_alarms(),
        control_enabled=False,
        mix_id=params.first_mix,
        totals=Totals(),
        job_mark=Totals(),
        totalisers=first_totalisers(params),
        pulses=first_pulses(params),
        batch=None if params.batch is None else new_batch(params.batch),
    )
