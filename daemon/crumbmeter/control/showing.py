"""What one scan has to show, drawn from its own values so that no surface can disagree with another."""

from crumbmeter.alarms.catalogue import CATALOGUE
from crumbmeter.alarms.life import AlarmState
from crumbmeter.control.counters import views as totaliser_views
from crumbmeter.control.feed import FeedScan
from crumbmeter.control.job import supply_view
from crumbmeter.control.params import Params
from crumbmeter.control.permissives import Contacts, views
from crumbmeter.control.plant import Demand
from crumbmeter.control.record import since
from crumbmeter.control.sequence import RunState
from crumbmeter.control.state import State
from crumbmeter.control.tolerance import BUCKETS, ToleranceState, feed_error, window_error
from crumbmeter.control.watching import weight_is_known
from crumbmeter.estimation.weighing import Flow
from crumbmeter.model.frozen import dataclass
from crumbmeter.model.image import RawImage
from crumbmeter.model.outputs import OutputImage
from crumbmeter.model.quality import Quality, Reason
from crumbmeter.model.reading import NOT_CONFIGURED, Reading
from crumbmeter.model.view import AlarmView, BatchView, LineView, PermissiveView, ScanView, StreamView, SupplyView
from crumbmeter.process.dose import counts_rubber
from crumbmeter.process.params import MixParams

MAKES_KG_S = 1.0
"""[kg/s] Mix at the injection point above which its rubber tells what a ton takes."""


@dataclass(frozen=True, slots=True)
class Shown:
    """Values of one scan that are not in its state."""

    image: RawImage
    readings: tuple[Reading, ...]
    demand: Demand
    flow: Flow
    scan: FeedScan
    contacts: Contacts
    mix: MixParams
    outputs: OutputImage
    in_doubt: str
    material: bool


def view_of(state: State, shown: Shown, params: Params, dt_s: float) -> ScanView:
    """Sum one scan up."""
    readings, contacts, mix = shown.readings, params.contacts, shown.mix
    sequence, tolerance = state.sequence, state.tolerance
    feeding, (dose, error) = sequence.state is RunState.FEEDING, _window(tolerance, mix)
    return ScanView(
        now_s=shown.image.now_s,
        run_state=sequence.state.value,
        run_reason=sequence.reason,
        control_enabled=state.control_enabled,
        in_service=sequence.in_service,
        mix_id=state.mix_id,
        mix_at_injection=_at_injection(state),
        dose_basis=mix.dose_basis.value,
        dose_target=mix.dose,
        mix_rate_kg_s=shown.demand.at_injection.total / dt_s if dt_s > 0.0 else 0.0,
        wanted_kg_s=shown.demand.wanted_kg_s,
        setpoint_kg_s=shown.scan.setpoint.rate_kg_s,
        fed=_fed(state, shown, params),
        fed_uncertainty_kg_s=shown.flow.uncertainty_kg_s,
        feed_factor_kg_rev=state.weighing.factor_kg_rev,
        auger_speed=_at(readings, params.weighing.auger_speed),
        hopper_mass=readings[params.weighing.hopper_mass],
        supply_mass=_at(readings, contacts.supply_mass),
        line_pressure=_at(readings, contacts.line_pressure),
        window_dose=dose,
        window_error=error,
        feed_error=feed_error(tolerance.buckets) if feeding and len(tolerance.buckets) == BUCKETS else None,
        owed_kg=state.feed.owed_kg if feeding else 0.0,
        totals=state.totals,
        job=since(state.totals, state.job_mark),
        narrowed=shown.scan.setpoint.narrowed,
        permissives=_permissives(state, shown, params),
        alarms=_alarms(state),
        streams=_streams(state, shown, params),
        readings=readings,
        outputs=shown.outputs,
        writes=shown.image.writes,
        totalisers=totaliser_views(state.totalisers, params),
        trip=state.trip.result,
        learning=not state.weighing.learned,
        line=_line(state),
        look_ahead_error=state.foresight.error,
        proven=state.proving.shown,
        batch=_batch(state),
        supply=_supply(state, shown, params, dt_s),
        order=state.order,
        note=state.note,
        alarm_flood=state.alarms.flood.on,
    )


def _supply(state: State, shown: Shown, params: Params, dt_s: float) -> SupplyView:
    """Reckon the rubber that is left by what the mix takes now."""
    demand, fed = shown.demand, _fed(state, shown, params)
    mix_kg = demand.at_injection.total + demand.target_kg
    makes = demand.target_kg > 0.0 and demand.at_injection.total > MAKES_KG_S * dt_s
    return supply_view(
        state.job, since(state.totals, state.job_mark), params, demand.target_kg / mix_kg if makes else None,
        (shown.readings[params.weighing.hopper_mass], _at(shown.readings, params.contacts.supply_mass)), fed.value,
    )  # fmt: skip


def _batch(state: State) -> BatchView | None:
    batch = state.batch
    if batch is None:
        return None
    current = batch.current
    return BatchView(
        phase=batch.phase.value,
        reason=batch.reason,
        counter=batch.counter,
        wanted=batch.wanted,
        window_s=batch.window_s,
        target_kg=batch.target_kg,
        need_kg=batch.need_kg,
        vessel_kg=batch.vessel.account_kg,
        batch_rubber_kg=None if current is None else current.rubber_kg,
        batch_target_kg=None if current is None else current.target_kg,
        last_error=batch.last_error,
        wasted_kg=batch.wasted_kg,
    )


def _at_injection(state: State) -> str:
    """Name the mix that has most of what passes the injection point, or of the batch in the pugmill."""
    if state.batch is None:
        return state.plant.mixes.arrived
    return state.mix_id if state.batch.current is None else state.batch.current.mix_id


def _permissives(state: State, shown: Shown, params: Params) -> tuple[PermissiveView, ...]:
    return views(
        shown.contacts,
        control_enabled=state.control_enabled,
        weight_known=weight_is_known(state, params),
        in_service=state.sequence.in_service,
        in_doubt=shown.in_doubt,
        dosed=shown.mix.dose > 0.0 or state.plant.mixes.asks,
        material=shown.material,
        mixer=params.mixer,
    )


def _line(state: State) -> LineView:
    found = state.line_watch.finding
    load_kg = max(0.0, state.line.content)
    return LineView(found.diagnosis.value, found.expected_pa, found.spread_pa, load_kg, found.soonest_s, found.latest_s)


def _at(readings: tuple[Reading, ...], index: int | None) -> Reading:
    return NOT_CONFIGURED if index is None else readings[index]


def _fed(state: State, shown: Shown, params: Params) -> Reading:
    """Give the estimated flow the quality of what it rests on."""
    weight = shown.readings[params.weighing.hopper_mass]
    if weight.value is None or not state.weighing.started:
        return Reading(None, Quality.BAD, weight.reason, weight.age_s)
    if state.held_s > params.weighing.max_refill_s:
        return Reading(None, Quality.BAD, Reason.HOLD_TOO_LONG, weight.age_s)
    if not shown.flow.believed and state.held_s > 0.0:
        return Reading(shown.flow.rate_kg_s, Quality.UNCERTAIN, Reason.LAST_USABLE_VALUE, weight.age_s)
    if state.fills.leaks and weight.quality is Quality.GOOD:
        return Reading(shown.flow.rate_kg_s, Quality.UNCERTAIN, Reason.GATE_LEAKS, weight.age_s)
    return Reading(shown.flow.rate_kg_s, weight.quality, weight.reason, weight.age_s)


def _window(tolerance: ToleranceState, mix: MixParams) -> tuple[float | None, float | None]:
    parts = tolerance.parts
    base_g = sum([part.base_g for part in parts])
    if base_g <= 0.0:
        return None, None
    rubber_g = float(sum([part.rubber_g for part in parts]))
    whole_g = base_g + rubber_g if counts_rubber(mix.dose_basis) else base_g
    return rubber_g / whole_g, window_error(parts)


def _alarms(state: State) -> tuple[AlarmView, ...]:
    shown = []
    for spec, memory in zip(CATALOGUE, state.alarms.each, strict=True):
        if memory.state is not AlarmState.NORMAL:
            text = f"{spec.text}: {memory.detail}" if memory.detail else spec.text
            view = AlarmView(
                spec.alarm_id, memory.state.value, memory.since_s, text, spec.remedy, spec.priority.name.lower(),
                memory.first, memory.left_s, memory.who, memory.why,
            )  # fmt: skip
            shown.append(view)
    return tuple(shown)


def _streams(state: State, shown: Shown, params: Params) -> tuple[StreamView, ...]:
    demand = shown.demand
    return tuple(
        StreamView(stream.stream_id, shown.readings[stream.rate], dry_kg_s, moisture, injected_kg_s)
        for stream, dry_kg_s, moisture, injected_kg_s in zip(
            params.streams, demand.dry_kg_s, state.plant.moisture, demand.injected_kg_s, strict=True
        )
    )
