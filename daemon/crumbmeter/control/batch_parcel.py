"""A batch that has left the pugmill becomes a parcel, and is judged by itself against its rubber target."""

from crumbmeter.control.batch_state import PugmillBatch
from crumbmeter.control.params import Params
from crumbmeter.control.record import RANK, Surroundings, add_to, since
from crumbmeter.control.state import State
from crumbmeter.control.tolerance import ToleranceState, WindowPart, band_level, judge_total
from crumbmeter.model.frozen import replace
from crumbmeter.model.parcel import Parcel
from crumbmeter.process.dose import base_of
from crumbmeter.process.params import MixParams


def marked(batch: PugmillBatch, state: State, around: Surroundings) -> PugmillBatch:
    """Write the quality and the run state of a scan onto a batch."""
    run_state = state.sequence.state
    rank = RANK[run_state]
    worse = batch.worst_state == "" or rank > batch.worst_rank
    return replace(
        batch,
        quality=min(batch.quality, around.quality),
        worst_state=run_state.value if worse else batch.worst_state,
        worst_rank=rank if worse else batch.worst_rank,
        controlled=batch.controlled and state.control_enabled,
    )


def parcels_of(
    state: State, params: Params, left: tuple[PugmillBatch, ...], around: Surroundings
) -> tuple[State, tuple[Parcel, ...]]:
    """Make a parcel of every batch that left, add it to the totals and judge it.

    Args:
        state: With the batch state of this scan.
        params: Site.
        left: Batches that left in this scan.
        around: Quality and time of this scan.
    """
    now = state.batch
    if now is not None and now.current is not None:
        state = replace(state, batch=replace(now, current=marked(now.current, state, around)))
    parcels = []
    for batch in left:
        state, parcel = _book(state, params, batch, around)
        parcels.append(parcel)
    return state, tuple(parcels)


def _book(state: State, params: Params, batch: PugmillBatch, around: Surroundings) -> tuple[State, Parcel]:
    mix = next((one for one in params.mixes if one.mix_id == batch.mix_id), around.mix)
    parcel = _parcel(batch, mix, state.outlet.next_number, around.now_s, simulated=params.simulated)
    totals = add_to(state.totals, parcel)
    job = since(totals, state.job_mark)
    tolerance = _judged(state.tolerance, parcel, batch, mix, params)
    tolerance = judge_total(tolerance, job.rubber_g, job.target_rubber_g, params.tolerance)
    outlet = replace(state.outlet, next_number=state.outlet.next_number + 1)
    now = state.batch
    if now is not None:
        error = batch.rubber_kg / batch.target_kg - 1.0 if batch.target_kg > 0.0 else now.last_error
        now = replace(now, last_number=batch.number, last_error=error)
    return replace(state, batch=now, outlet=outlet, totals=totals, tolerance=tolerance), parcel


def _parcel(batch: PugmillBatch, mix: MixParams, number: int, now_s: float, *, simulated: bool) -> Parcel:
    parts = batch.parts
    return Parcel(
        number=number,
        began_s=batch.began_s,
        ended_s=now_s,
        mix_id=mix.mix_id,
        dose_basis=mix.dose_basis.value,
        dose_target=mix.dose,
        target_rubber_g=_grams(batch.target_kg),
        rubber_g=_grams(batch.rubber_kg),
        rubber_uncertainty_g=_grams(batch.uncertainty_kg),
        dry_aggregate_g=_grams(parts.dry_aggregate),
        recycle_g=_grams(parts.recycle),
        recycle_binder_g=_grams(parts.recycle_binder),
        virgin_binder_g=_grams(parts.virgin_binder),
        quality=batch.quality,
        worst_state=batch.worst_state,
        controlled=batch.controlled,
        simulated=simulated,
    )


def _grams(mass_kg: float) -> int:
    return max(0, round(mass_kg * 1000.0))


def _judged(
    tolerance: ToleranceState, parcel: Parcel, batch: PugmillBatch, mix: MixParams, params: Params
) -> ToleranceState:
    """Judge one batch as a share of its rubber target; one that wants no rubber is not judged."""
    if batch.target_kg <= 0.0:
        return replace(tolerance, parts=(), dose_level=0)
    part = WindowPart(
        parcel.mix_g, parcel.rubber_g, parcel.target_rubber_g, base_of(mix.dose_basis, batch.parts) * 1000.0
    )
    error = batch.rubber_kg / batch.target_kg - 1.0
    return replace(tolerance, parts=(part,), dose_level=band_level(error, tolerance.dose_level, params.tolerance))
