"""What one scan adds to the record: rubber along the line, mix through the drum, parcels, totals, tolerance."""

from crumbmeter.control.outlet import Marks, Masses, mix_changed, pass_through
from crumbmeter.control.params import Params
from crumbmeter.control.plant import Demand
from crumbmeter.control.proving import prove
from crumbmeter.control.sequence import RunState
from crumbmeter.control.state import State, line_cells
from crumbmeter.control.tolerance import add_feed, add_parcels, judge_total
from crumbmeter.estimation.weighing import Flow
from crumbmeter.model.frozen import dataclass, replace
from crumbmeter.model.parcel import Parcel
from crumbmeter.model.quality import Quality
from crumbmeter.model.view import Totals
from crumbmeter.process.params import MixParams

WORST_FIRST = (
    RunState.STOPPED, RunState.LOCAL, RunState.IDLE, RunState.CLEAN_OUT, RunState.BLOWER_START, RunState.START_WARNING,
    RunState.PURGE, RunState.READY, RunState.MONITOR, RunState.FEEDING,
)  # fmt: skip
"""Run states by how bad they are for the rubber of a parcel."""
RANK = {state: len(WORST_FIRST) - place for place, state in enumerate(WORST_FIRST)}


COVERAGE = 2.0
"""Coverage factor of the doubt that an error must exceed (GUM 6.2.1; about 95 %)."""


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What the record needs beside the masses."""

    now_s: float
    mix: MixParams
    drum_speed_ratio: float
    to_drum: bool
    """Whether the diverter lets it into the drum."""
    quality: Quality
    asked_kg: float
    """[kg] Setpoint over this scan."""


@dataclass(frozen=True, slots=True)
class LineScan:
    """What one scan moved along the conveying line."""

    arrived_kg: float
    """[kg] Rubber at the line's end."""
    uncertain_kg: float
    """[kg] Its standard uncertainty."""


def along_line(state: State, params: Params, flow: Flow, dt_s: float, *, air: float) -> tuple[State, LineScan]:
    """Move the line's content on: only air moves it. `air` is its share of what the blower gives at full speed."""
    cells = dt_s / line_cells(params)[1] * air
    line, arrived_kg = state.line.moved(flow.fed_kg, cells)
    uncertainty, uncertain_kg = state.line_uncertainty.moved(flow.fed_uncertainty_kg, cells)
    return replace(state, line=line, line_uncertainty=uncertainty), LineScan(arrived_kg, uncertain_kg)


def enter(
    state: State, demand: Demand, flow: Flow, line: LineScan, around: Surroundings, params: Params, dt_s: float
) -> tuple[State, Parcel | None]:
    """Take one scan's masses into the record.

    Args:
        state: Sequence and feed of this scan already in it.
        demand: What passed the injection point.
        flow: What left the auger.
        line: What arrived at the injection point.
        around: Everything else.
        params: Site.
        dt_s: [s] Length of the scan.
    """
    rubber_kg = line.arrived_kg if around.to_drum else 0.0
    now, outlet = demand.at_injection, state.outlet
    newest, share = around.mix, 1.0
    if demand.passing is not None:
        newest, share = demand.passing.booked, demand.passing.share
        outlet = mix_changed(outlet, demand.passing.older) if demand.passing.older else outlet
    entering: Masses = (
        now.dry_aggregate, now.recycle, now.recycle_binder, now.virgin_binder, rubber_kg, demand.target_kg,
        line.uncertain_kg if around.to_drum else 0.0, (now.total + rubber_kg) * share,
    )  # fmt: skip
    run_state = state.sequence.state
    older = next((mix for mix in params.mixes if mix.mix_id == outlet.older_mix), newest)
    marks = Marks(
        around.now_s, newest, older, around.quality, run_state.value, RANK[run_state], state.control_enabled,
        params.simulated,
    )  # fmt: skip
    outlet, parcel, base_g = pass_through(
        outlet, params.drum, entering, around.drum_speed_ratio, marks, params.parcel_kg, dt_s
    )
    tolerance = state.tolerance
    if run_state is RunState.FEEDING:
        doubt_kg = COVERAGE * (1.41 * state.weighing.noise_kg + flow.uncertainty_kg_s * params.tolerance.window_s)
        tolerance = add_feed(tolerance, around.asked_kg, flow.fed_kg, doubt_kg, params.tolerance, dt_s)
    totals, proving = state.totals, state.proving
    if parcel is not None:
        proving = prove(proving, parcel, params, state.plant.moisture)
        totals = add_to(totals, parcel)
        tolerance = add_parcels(tolerance, ((parcel, base_g),), params.tolerance)
        job = since(totals, state.job_mark)
        tolerance = judge_total(tolerance, job.rubber_g, job.target_rubber_g, params.tolerance)
    caught_kg = state.caught_kg if around.to_drum else state.caught_kg + line.arrived_kg
    after = replace(
        state, outlet=outlet, tolerance=tolerance, totals=totals, caught_kg=caught_kg, proving=proving
    )  # fmt: skip
    return after, parcel


def add_to(totals: Totals, parcel: Parcel) -> Totals:
    """Add a parcel to running totals."""
    dosed = parcel.mix_g if parcel.target_rubber_g > 0 else 0
    return Totals(
        totals.rubber_g + parcel.rubber_g,
        totals.target_rubber_g + parcel.target_rubber_g,
        totals.mix_g + parcel.mix_g,
        totals.mix_with_dose_g + dosed,
        totals.parcels + 1,
        totals.wasted_mix_g,
        totals.wasted_rubber_g,
    )


def since(totals: Totals, mark: Totals) -> Totals:
    """Return what came after a mark."""
    return Totals(
        totals.rubber_g - mark.rubber_g,
        totals.target_rubber_g - mark.target_rubber_g,
        totals.mix_g - mark.mix_g,
        totals.mix_with_dose_g - mark.mix_with_dose_g,
        totals.parcels - mark.parcels,
        totals.wasted_mix_g - mark.wasted_mix_g,
        totals.wasted_rubber_g - mark.wasted_rubber_g,
    )
