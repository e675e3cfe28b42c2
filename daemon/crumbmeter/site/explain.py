"""A site explained back: what will be done to each signal, how far each stream travels, what the doses come to.

Builds plain values that `crumbmeter check` writes as words or as JSON. Every number bears its unit in its name. Pure.
"""

from dataclasses import dataclass

from crumbmeter.control.params import Params
from crumbmeter.field.plan import PlanRow, WireRow, describe, wire_addresses
from crumbmeter.field.spec import RegisterSpec, Table
from crumbmeter.model.units import UNITS
from crumbmeter.planning.conveying import LineCheck
from crumbmeter.process.dose import Mix, dose_of, rubber_for, to_kg_per_tonne, to_lb_per_short_ton
from crumbmeter.process.params import DoseBasis, MixParams, StreamKind, StreamParams
from crumbmeter.process.path import effective_belt_m
from crumbmeter.site.explain_batch import BatchWords, batch_corrections, explain_batch
from crumbmeter.site.figures import mix_of, normal_flows, scaled
from crumbmeter.site.lineplan import line_checks
from crumbmeter.site.settings import Site

WRITE_FUNCTIONS = {(Table.COIL, False): 5, (Table.HOLDING, False): 6, (Table.COIL, True): 15, (Table.HOLDING, True): 16}
"""Function code that writes one (False) or several (True) addresses (Application Protocol v1.1b3, section 6)."""


@dataclass(frozen=True, slots=True)
class StreamWords:
    """One stream: what its signal counts, what is corrected, and how it travels."""

    stream_id: str
    kind: str
    signal: str
    register: str
    unit: str
    corrections: tuple[str, ...]
    """What is done to the signal, in words."""
    left_alone: tuple[str, ...]
    """What is not done to it, and why."""
    low_flow: float
    """In `unit`."""
    belt_length_m: float
    belt_speed_m_s: float
    belt_s: float
    scale_filter_s: float
    drum_s: float
    drum_spread_s: float
    """[s] Standard deviation of the drum part."""
    outlet_s: float
    to_injection_s: float
    """[s] From what the scale shows to the injection point, at nominal speeds."""
    in_hand_s: float
    """[s] How long the setpoint waits for this stream: its travel less line and auger."""
    measured: tuple[str, ...]
    geometry: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SignalWords:
    """One signal and what becomes of it."""

    signal_id: str
    register: str
    unit: str
    dimension: str
    period_s: float
    max_age_s: float
    corrections: str
    """What is done to it, in full."""
    brief: str
    """The same in a word or two."""
    used_for: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class DoseWords:
    """One mix at one rate of the plant."""

    mix_id: str
    rate: str
    """lowest, normal or highest."""
    mix_short_ton_h: float
    mix_tonne_h: float
    binder_replacement: float | None
    lb_per_short_ton: float | None
    kg_per_tonne: float | None
    bases: dict[str, float | None]
    """Fraction in each basis, by its name."""
    rubber_lb_min: float
    rubber_kg_min: float
    auger_rpm: float
    note: str


@dataclass(frozen=True, slots=True)
class WriteWords:
    """One register that may be written."""

    role: str
    register: str
    device_id: str
    unit_id: int
    function_code: int
    address: int
    """PDU offset, counted from 0."""
    word_type: str
    order: str
    low: float
    high: float
    unit: str
    min_interval_s: float
    deadband_counts: int
    confirm_within_s: float
    node: str = ""
    """Of an OPC UA device: which node, with its namespace."""


@dataclass(frozen=True, slots=True)
class Explanation:
    """All of it."""

    streams: tuple[StreamWords, ...]
    signals: tuple[SignalWords, ...]
    doses: tuple[DoseWords, ...]
    plan: tuple[PlanRow, ...]
    addresses: tuple[WireRow, ...]
    writes: tuple[WriteWords, ...]
    conveying: tuple[LineCheck, ...]
    """The line's air at the lowest and at the highest feed; empty where the site does not describe its line."""
    batch: BatchWords | None = None
    """None: a drum plant."""


def explain(site: Site) -> Explanation:
    """Explain a site."""
    params = site.params
    return Explanation(
        streams=tuple(_stream(site, stream) for stream in params.streams),
        signals=tuple(_signal(site, index) for index in range(len(params.signals))),
        doses=() if params.batch else tuple(row for mix in params.mixes for row in _doses(site, mix)),
        plan=describe(params.plan, site.devices, params.sources, params.outputs),
        addresses=wire_addresses(site.devices, params.sources, params.outputs),
        writes=tuple(_write(site, index) for index in range(len(params.outputs))),
        conveying=line_checks(site.line_plan, params),
        batch=explain_batch(site),
    )


def corrections_of(stream: StreamParams) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Say what is corrected in a stream's signal, and what is not and why."""
    if stream.kind is StreamKind.BINDER:
        return (), ("no temperature correction: the meter sends mass", "no moisture: binder holds no water")
    done, left = [], []
    if stream.wet:
        done.append(
            f"wet: divided by 1 + {stream.moisture * 100:g} % of water on dry mass (x {1 / (1 + stream.moisture):.4f})"
        )
    else:
        left.append("dry already: no water is taken off")
    if stream.wasted_fines > 0.0:
        done.append(
            f"{stream.wasted_fines * 100:g} % of its dry mass leaves as wasted fines and enters no mix "
            f"(x {1 - stream.wasted_fines:.4f})"
        )
    if stream.kind is StreamKind.RECYCLE:
        done.append(f"{stream.binder_content * 100:g} % of its dry mass is counted as binder")
    return tuple(done), tuple(left)


def _stream(site: Site, stream: StreamParams) -> StreamWords:
    params = site.params
    done, left = corrections_of(stream)
    belt_s = stream.belt_length_m / stream.nominal_belt_speed_m_s
    to_injection_s = effective_belt_m(stream) / stream.nominal_belt_speed_m_s + stream.drum_residence_s
    measured, geometry = _known(site, stream)
    return StreamWords(
        stream_id=stream.stream_id,
        kind=stream.kind.value,
        signal=params.signals[stream.rate].signal_id,
        register=site.registers[stream.rate],
        unit=params.sources[stream.rate].unit,
        corrections=done,
        left_alone=left,
        low_flow=UNITS[params.sources[stream.rate].unit].from_si(stream.low_flow_kg_s),
        belt_length_m=stream.belt_length_m,
        belt_speed_m_s=stream.nominal_belt_speed_m_s,
        belt_s=belt_s,
        scale_filter_s=stream.scale_filter_s,
        drum_s=stream.drum_residence_s,
        drum_spread_s=stream.drum_residence_s / stream.drum_stages**0.5,
        outlet_s=params.drum.outlet_residence_s,
        to_injection_s=to_injection_s,
        in_hand_s=to_injection_s - params.line.travel_s - params.feed.auger_lag_s,
        measured=measured,
        geometry=geometry,
    )


def _known(site: Site, stream: StreamParams) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Say what of a stream's travel is measured, and what is taken from geometry."""
    params = site.params
    if stream.belt_length_m == 0.0 and stream.drum_residence_s == 0.0:
        return (), ("metered at the injection point",)
    measured, geometry = [], ["belt length", "residence in the drum and its spread"]
    if stream.belt_speed is not None:
        measured.append(f"belt speed ({params.signals[stream.belt_speed].signal_id})")
    else:
        geometry.append("belt speed")
    if stream.belt_running is not None:
        measured.append(f"belt runs ({params.signals[stream.belt_running].signal_id})")
    elif stream.belt_speed is None:
        geometry.append("belt runs while its rate is above low flow")
    measured.append(f"drum turns ({params.signals[params.drum.turning].signal_id})")
    if params.drum.speed is not None:
        measured.append(f"drum speed ({params.signals[params.drum.speed].signal_id})")
    else:
        geometry.append("drum speed")
    return tuple(measured), tuple(geometry)


def _signal(site: Site, index: int) -> SignalWords:
    params = site.params
    source, signal = params.sources[index], params.signals[index]
    stream = next((stream for stream in params.streams if stream.rate == index), None)
    words, brief = "none", "no"
    if stream is not None:
        done, left = corrections_of(stream)
        words = "; ".join((*done, *left))
        parts = [f"water {stream.moisture * 100:g} % off"] if stream.wet else []
        parts += [f"fines {stream.wasted_fines * 100:g} % off"] if stream.wasted_fines else []
        brief = ", ".join(parts) or "no"
    weighed = next((one for one in params.batch.ingredients if one.weighed == index), None) if params.batch else None
    if weighed is not None:
        words = "; ".join(batch_corrections(weighed))
        brief = f"water {weighed.moisture * 100:g} % off" if weighed.moisture > 0.0 else "no"
    return SignalWords(
        signal_id=signal.signal_id,
        register=site.registers[index],
        unit=source.unit,
        dimension=UNITS[source.unit].dimension,
        period_s=source.period_s,
        max_age_s=signal.max_age_s,
        corrections=words,
        brief=brief,
        used_for=_uses(site, index),
    )


def _uses(site: Site, index: int) -> tuple[str, ...]:
    """Say what a signal is used for."""
    params = site.params
    uses = []
    for stream in params.streams:
        keys = ("rate", "belt_speed", "belt_running")
        uses += [f"{key.replace('_', ' ')} of {stream.stream_id}" for key in keys if getattr(stream, key) == index]
    parts: tuple[tuple[str, object, tuple[str, ...]], ...] = (
        (params.mixer, params.drum, ("turning", "speed", "discharge_current", "discharge_temperature")),
        ("feeder", params.weighing, ("hopper_mass", "auger_speed", "refilling")),
        ("sequence", params.contacts, tuple(params.contacts.__dataclass_fields__)),
    )
    for name, part, names in parts:
        uses += [f"{name}: {key.replace('_', ' ')}" for key in names if getattr(part, key) == index]
    if params.batch is not None:
        contacts = ("wanted", "weighed", "discharging", "aborted", "counter", "vessel_mass")
        uses += [f"batch: {key.replace('_', ' ')}" for key in contacts if getattr(params.batch, key) == index]
        uses += [f"mass of {one.ingredient_id}" for one in params.batch.ingredients if one.weighed == index]
        uses += [f"announced {one.ingredient_id}" for one in params.batch.ingredients if one.announced == index]
    uses += [f"judges {other.signal_id} for frozen" for other in params.signals if other.frozen_while == index]
    uses += _uses_of_counters(params, index)
    return tuple(uses) or ("recorded only",)


def _uses_of_counters(params: Params, index: int) -> list[str]:
    uses = []
    for other in params.signals:
        if other.status is not None:
            flags = ("over", "under", "motion", "weighing", "setup", "fault")
            named = [(flag, getattr(other.status, flag)) for flag in flags]
            uses += [
                f"{name.replace('_', ' ')} of {other.signal_id}"
                for name, at in (*named, *other.status.marks)
                if at == index
            ]
    if any(other.alive_by == index for other in params.signals):
        uses.append("heartbeat of its device")
    uses += ["totaliser" for counter in params.totalisers if counter.signal == index]
    uses += [f"compared with {counter.totaliser_id}" for counter in params.totalisers if counter.rate == index]
    uses += ["pulses" for counter in params.pulses if counter.signal == index]
    return uses


def _doses(site: Site, mix: MixParams) -> list[DoseWords]:
    flows = normal_flows(site.params.streams, site.normal.flows_kg_s)
    rates = (("lowest", site.normal.lowest), ("normal", 1.0), ("highest", site.normal.highest))
    return [_dose(site, mix, name, mix_of(scaled(flows, factor), mix.total_binder_content)) for name, factor in rates]


def _dose(site: Site, mix: MixParams, rate: str, parts: Mix) -> DoseWords:
    feed = site.params.feed
    rubber = rubber_for(mix.dose_basis, mix.dose, parts)
    rev_s = rubber / site.params.weighing.feed_factor_kg_rev
    whole = dose_of(DoseBasis.TOTAL_MIX, rubber, parts)
    note = ""
    if rubber > feed.max_rate_kg_s:
        note = "cut to the feeder's limit"
    elif rev_s > feed.max_speed_rev_s:
        note = "beyond the auger's highest speed"
    elif 0.0 < rev_s < feed.min_speed_rev_s:
        note = f"below turndown: {feed.below_turndown.value}"
    return DoseWords(
        mix_id=mix.mix_id,
        rate=rate,
        mix_short_ton_h=UNITS["short_ton/h"].from_si(parts.total),
        mix_tonne_h=UNITS["tonne/h"].from_si(parts.total),
        binder_replacement=parts.binder_replacement,
        lb_per_short_ton=None if whole is None else to_lb_per_short_ton(whole),
        kg_per_tonne=None if whole is None else to_kg_per_tonne(whole),
        bases={basis.value: dose_of(basis, rubber, parts) for basis in DoseBasis},
        rubber_lb_min=UNITS["lb/min"].from_si(rubber),
        rubber_kg_min=UNITS["kg/min"].from_si(rubber),
        auger_rpm=rev_s * 60.0,
        note=note,
    )


def _write(site: Site, index: int) -> WriteWords:
    output = site.params.outputs[index]
    register: RegisterSpec = output.register
    device = site.devices[output.device]
    unit = UNITS[register.unit]
    return WriteWords(
        role=output.role,
        register=site.output_registers[index],
        device_id=device.device_id,
        unit_id=device.unit_id,
        function_code=output.write_function or WRITE_FUNCTIONS.get((register.table, register.count > 1), 0),
        address=register.address,
        word_type=register.word_type.value,
        order=register.order.value,
        low=unit.from_si(output.low_si),
        high=unit.from_si(output.high_si),
        unit=register.unit,
        min_interval_s=output.min_interval_s,
        deadband_counts=output.deadband_counts,
        confirm_within_s=output.confirm_within_s,
        node=register.node,
    )
