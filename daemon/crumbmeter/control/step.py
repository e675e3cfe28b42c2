"""One scan of the core, and the order of everything in it. Pure: same state, image, commands and dt give the same bits.

samples -> readings -> requests -> material -> flow -> sequence -> setpoint -> record -> alarms -> outputs -> view
"""

from crumbmeter.alarms.machine import evaluate
from crumbmeter.control.batch import NOTHING_SEEN, Observed, calls, conduct, observe
from crumbmeter.control.conditions import conditions, suppressed
from crumbmeter.control.counters import follow_pulses, follow_totalisers
from crumbmeter.control.feed import FeedScan, Underway, decide, scan_is_late, watch_flow, watch_inputs, watch_line
from crumbmeter.control.foresight import look_back
from crumbmeter.control.line_watch import follow
from crumbmeter.control.outputs import output_image
from crumbmeter.control.ownership import watch_owner
from crumbmeter.control.params import Params
from crumbmeter.control.permissives import (
    Contacts,
    doubt_before_start,
    inputs_in_doubt,
    machine_doubt,
    read_contacts,
    required_signals,
)
from crumbmeter.control.plant import Demand, drum_speed_ratio, move
from crumbmeter.control.record import LineScan, Surroundings, along_line, enter
from crumbmeter.control.requests import carry_out
from crumbmeter.control.sequence import Facts, SequenceState, Trigger, advance
from crumbmeter.control.showing import Shown, view_of
from crumbmeter.control.state import State
from crumbmeter.control.trip import watch_trip
from crumbmeter.control.watching import arm, only_when_ours, setpoint_output, watch_feeder, watch_hold
from crumbmeter.estimation.fills import Look, watch_fills
from crumbmeter.estimation.weighing import Flow, WeighingState, believable_factor, weigh
from crumbmeter.field.sampling import Sampler, make_sampler, sample_image
from crumbmeter.model.commands import Command
from crumbmeter.model.events import Event
from crumbmeter.model.frozen import dataclass, replace
from crumbmeter.model.image import RawImage
from crumbmeter.model.outputs import OutputImage
from crumbmeter.model.parcel import Parcel
from crumbmeter.model.quality import Quality
from crumbmeter.model.reading import Reading
from crumbmeter.model.view import ScanView
from crumbmeter.process.params import MixParams
from crumbmeter.signals.settle import PASSED_BY, for_control, settle

LEAST_MATERIAL_KG = 20.0
"""[kg] Less than this between the scales and the injection point is dust, not material on its way."""


@dataclass(frozen=True, slots=True)
class Core:
    """Settings made ready for scanning. Built once per settings."""

    params: Params
    sampler: Sampler
    mixes: dict[str, MixParams]
    required: tuple[int, ...]
    of_feeder: tuple[int, ...]
    """Those of them that come from the device that takes the setpoint."""
    delays_s: dict[str, tuple[float, float]]


def make_core(params: Params) -> Core:
    """Make settings ready for scanning."""
    required = required_signals(params)
    place = setpoint_output(params)
    device = None if place is None else params.outputs[place].device
    return Core(
        params=params,
        sampler=make_sampler(params.plan, params.sources),
        mixes={mix.mix_id: mix for mix in params.mixes},
        required=required,
        of_feeder=tuple(index for index in required if params.sources[index].device == device),
        delays_s={name: (on_s, off_s) for name, on_s, off_s in params.alarm_delays_s},
    )


@dataclass(frozen=True, slots=True)
class StepResult:
    """What one scan returns."""

    state: State
    outputs: OutputImage
    events: tuple[Event, ...]
    parcels: tuple[Parcel, ...]
    shown: Shown
    params: Params
    dt_s: float
    """[s] Length of the scan."""

    @property
    def view(self) -> ScanView:
        """Sum the scan up for people and programs. Made when asked for: a replay has nobody to show it to."""
        return view_of(self.state, self.shown, self.params, self.dt_s)


def step(state: State, image: RawImage, commands: tuple[Command, ...], core: Core, dt_s: float) -> StepResult:
    """Scan once.

    Args:
        state: As the scan before returned it.
        image: Raw words of the field, frozen.
        commands: Requests that came since the scan before.
        core: Settings.
        dt_s: [s] Since the scan before. Positive, or 0 for the very first.
    """
    params = core.params
    state, heard = _hear(state, image, core, dt_s)
    readings = for_control(heard.readings, params.signals)
    state, done, start_asked = carry_out(state, commands, params, image.now_s)
    mix = core.mixes[state.mix_id]
    plant, demand = move(state.plant, params, mix, readings, dt_s)
    speed_rev_s, hopper_kg = _auger_speed(params, readings, state), state.weighing.mass_kg
    state, flow, weighed = _weigh(state, params, heard, readings, speed_rev_s, image.now_s, dt_s)
    weighing = state.weighing
    late = scan_is_late(dt_s, params.scan_period_s)
    in_doubt = inputs_in_doubt(params, core.required, readings)
    before = state.sequence
    feed = watch_inputs(state.feed, in_doubt, late=late, dt_s=dt_s)
    feed = watch_flow(
        watch_line(feed, params, readings, before.state, dt_s), weighing, params.weighing, speed_rev_s, dt_s
    )
    contacts = only_when_ours(read_contacts(params, readings), state, params)
    foresight = look_back(state.foresight, demand, params, dt_s)
    state = replace(state, plant=plant, feed=feed, foresight=foresight)
    state, observed, line = _observe(
        state, core, mix, readings, hopper_kg, (weighing, flow), contacts, image.now_s, dt_s
    )
    state, found = _watch_line(state, params, readings, contacts, flow, speed_rev_s, dt_s)
    state, tripped = watch_trip(state, params, contacts.fault_free, image.writes, image.now_s, dt_s)
    state = watch_hold(arm(state, params, image.writes, in_doubt), flow, dt_s)
    state = watch_feeder(state, params, core.of_feeder, readings, image.writes, image.now_s, dt_s)
    facts = _facts(state, contacts, image, core, mix, in_doubt, late=late, start_asked=start_asked)
    sequence, moved = advance(before, facts, params.sequence, dt_s)
    around = _surroundings(
        image, mix, readings, contacts, demand, params, state.feed.setpoint_kg_s * dt_s, leaks=state.fills.leaks
    )
    state = replace(state, sequence=sequence)
    state, scan, parcels = _feed(state, before, demand, flow, observed, line, around, in_doubt, params, dt_s)
    seen = conditions(state, params, mix, readings, image.writes, in_doubt, late=late)
    alarms, alarmed = evaluate(state.alarms, seen, core.delays_s, suppressed(params, readings), image.now_s, dt_s)
    state, outputs = output_image(replace(state, alarms=alarms), before, params, in_doubt, dt_s, healthy=not late)
    told = () if demand.passing is None else demand.passing.events
    events = (*heard.events, *done, *told, *weighed, *found, *tripped, *moved, *scan.events, *alarmed)
    shown = Shown(image, heard.readings, demand, flow, scan, contacts, mix, outputs, in_doubt, facts.material)
    return StepResult(state, outputs, events, parcels, shown, params, dt_s)


def _observe(
    state: State,
    core: Core,
    mix: MixParams,
    readings: tuple[Reading, ...],
    hopper_kg: float,
    weighed: tuple[WeighingState, Flow],
    contacts: Contacts,
    now_s: float,
    dt_s: float,
) -> tuple[State, Observed, LineScan]:
    """Move the line's content on. At a drum plant it takes what leaves the auger, else what the vessel lets out."""
    params, blower = core.params, contacts.blower_running
    observed = Observed(weighed[1], float(blower is not False), NOTHING_SEEN)
    if params.batch is not None:
        state, observed = observe(state, params.batch, mix, readings, hopper_kg, weighed, now_s, dt_s, blower=blower)
    state, line = along_line(state, params, observed.into_line, dt_s, air=observed.air)
    return state, observed, line


def _feed(
    state: State,
    before: SequenceState,
    demand: Demand,
    flow: Flow,
    observed: Observed,
    line: LineScan,
    around: Surroundings,
    in_doubt: str,
    params: Params,
    dt_s: float,
) -> tuple[State, FeedScan, tuple[Parcel, ...]]:
    """Find the setpoint, and book what went into the mix and what has left the plant."""
    if params.batch is not None:
        return conduct(state, params, params.batch, around.mix, observed, line, around, in_doubt, dt_s)
    factor = believable_factor(state.weighing, params.weighing)
    under_way = Underway(line.arrived_kg if around.to_drum else 0.0, state.line.content, around.drum_speed_ratio)
    scan = decide(state.feed, before, state.sequence, demand, under_way, factor, in_doubt, params, dt_s)
    state = replace(state, feed=scan.feed)
    state, parcel = enter(state, demand, flow, line, around, params, dt_s)
    return state, scan, () if parcel is None else (parcel,)


@dataclass(frozen=True, slots=True)
class _Heard:
    """What the field said in one scan."""

    readings: tuple[Reading, ...]
    events: tuple[Event, ...]
    fresh_weight: bool
    """A new weight of the hopper has come."""
    rebased: bool
    """It has another zero or tare than the one before."""
    supply_kg: float | None
    """[kg] A new weight of the supply that is Good."""


def _hear(state: State, image: RawImage, core: Core, dt_s: float) -> tuple[State, _Heard]:
    """Settle all signals, and follow what counts: pulses, totalisers, who owns the outputs."""
    params, before = core.params, state.signals
    samples = sample_image(core.sampler, image)
    memory, readings, settled = settle(samples, before, params.signals, image.now_s, dt_s)
    pulses, readings, pulsed = follow_pulses(state.pulses, params, samples, before, readings)
    totalisers, booked = follow_totalisers(state.totalisers, params, samples, before, readings, dt_s)
    owner = watch_owner(state.owner, params, state.instance, image.writes, dt_s)
    hopper = params.weighing.hopper_mass
    weight, was = memory[hopper], before[hopper]
    supply = params.contacts.supply_mass
    heard = _Heard(
        readings,
        (*settled, *pulsed, *booked),
        fresh_weight=samples[hopper].received_s > was.received_s and readings[hopper].reason not in PASSED_BY,
        rebased=weight.rebased or (was.remarked and not weight.remarked),
        supply_kg=None
        if supply is None
        or samples[supply].received_s <= before[supply].received_s
        or readings[supply].quality is not Quality.GOOD
        else readings[supply].value,
    )
    return replace(state, signals=memory, pulses=pulses, totalisers=totalisers, owner=owner), heard


def _weigh(
    state: State,
    params: Params,
    heard: _Heard,
    readings: tuple[Reading, ...],
    speed_rev_s: float,
    now_s: float,
    dt_s: float,
) -> tuple[State, Flow, tuple[Event, ...]]:
    """Estimate the flow, and look at the refill gate, whose leak the next scan reckons with."""
    hopper = params.weighing.hopper_mass
    weight_kg = readings[hopper].value if heard.fresh_weight else None
    weighing, flow, weighed = weigh(
        state.weighing, params.weighing, weight_kg, speed_rev_s, _gate(params, readings), dt_s, rebased=heard.rebased,
        leak=state.fills.correction,
    )  # fmt: skip
    good_kg = weight_kg if readings[hopper].quality is Quality.GOOD else None
    fills, seen = watch_fills(state.fills, weighing, Look(now_s, good_kg, heard.supply_kg, speed_rev_s))
    return replace(state, weighing=weighing, fills=fills), flow, (*weighed, *seen)


def _watch_line(
    state: State,
    params: Params,
    readings: tuple[Reading, ...],
    contacts: Contacts,
    flow: Flow,
    speed_rev_s: float,
    dt_s: float,
) -> tuple[State, tuple[Event, ...]]:
    """Hold the line against its learned curve. What a vessel lets out in seconds is no loading to learn one from."""
    if params.batch is not None:
        return state, ()
    watch, found = follow(
        state.line_watch, params, readings, contacts, state.sequence.state, state.weighing, state.feed,
        state.line.content, speed_rev_s, dt_s, believed=flow.believed,
    )  # fmt: skip
    return replace(state, line_watch=watch), found


def _auger_speed(params: Params, readings: tuple[Reading, ...], state: State) -> float:
    if params.weighing.auger_speed is None:
        return state.feed.speed_rev_s if state.control_enabled else 0.0
    measured = readings[params.weighing.auger_speed].value
    return state.feed.speed_rev_s if measured is None else max(0.0, measured)


def _gate(params: Params, readings: tuple[Reading, ...]) -> bool | None:
    if params.weighing.refilling is None:
        return None
    value = readings[params.weighing.refilling].value
    return None if value is None else value > 0.5


def _facts(
    state: State,
    contacts: Contacts,
    image: RawImage,
    core: Core,
    mix: MixParams,
    in_doubt: str,
    *,
    late: bool,
    start_asked: bool,
) -> Facts:
    params, feed = core.params, state.feed
    doubt, leaves_air = machine_doubt(
        state.sequence.state, contacts, feed, params, image.writes, state.line_watch.finding
    )
    lost = "scan late" if late else (in_doubt if feed.doubt_s > params.feed.input_hold_s else "")
    return Facts(
        control_enabled=state.control_enabled,
        remote=contacts.remote,
        doubt=doubt,
        doubt_leaves_air=leaves_air,
        doubt_in_idle=doubt_before_start(contacts),
        drum_turning=contacts.drum_turning,
        blower_running=contacts.blower_running,
        airlock_running=contacts.airlock_running,
        material=state.plant.material_kg > LEAST_MATERIAL_KG if params.batch is None else calls(state),
        dosed=mix.dose > 0.0 or state.plant.mixes.asks,
        inputs_lost=lost,
        inputs_ready=not in_doubt and feed.good_s >= _wait_s(state, params),
        start_asked=start_asked,
        mixer=params.mixer,
    )


def _wait_s(state: State, params: Params) -> float:
    """[s] After an input was lost it must be good for a time; a drum that starts again must not be kept waiting."""
    return 0.0 if state.sequence.trigger == Trigger.DRUM_STANDS.value else params.feed.resume_after_s


def _surroundings(
    image: RawImage,
    mix: MixParams,
    readings: tuple[Reading, ...],
    contacts: Contacts,
    demand: Demand,
    params: Params,
    asked_kg: float,
    *,
    leaks: bool,
) -> Surroundings:
    ratio = drum_speed_ratio(params.drum, readings)
    hopper = readings[params.weighing.hopper_mass].quality
    gate = Quality.UNCERTAIN if leaks else Quality.GOOD
    quality = min(demand.quality, hopper, gate, Quality.GOOD if ratio is not None else Quality.BAD)
    return Surroundings(
        now_s=image.now_s,
        mix=mix,
        drum_speed_ratio=1.0 if ratio is None else ratio,
        to_drum=contacts.diverter_to_drum is not False,
        quality=quality,
        asked_kg=asked_kg,
    )
