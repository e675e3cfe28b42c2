"""What the plant is making: streams become dry rates and travel; the mix at the injection point, now and ahead."""

from crumbmeter.control.params import Params
from crumbmeter.model.frozen import dataclass, replace
from crumbmeter.model.quality import Quality
from crumbmeter.model.reading import Reading
from crumbmeter.process.binder import BinderSeen, BinderTiming, Due, Solids, follow, foresee, new_timing
from crumbmeter.process.dose import Mix, dry_rate, rubber_for
from crumbmeter.process.load import pace
from crumbmeter.process.params import DrumParams, MixParams, StreamKind, StreamParams
from crumbmeter.process.path import Passage, PathState, advance, new_path

BINDER, RECYCLE = StreamKind.BINDER, StreamKind.RECYCLE


@dataclass(frozen=True, slots=True)
class PlantState:
    """Where the material is."""

    paths: tuple[PathState, ...]
    """One for each stream, in their order."""
    held_kg_s: tuple[float, ...]
    """[kg/s] Last usable rate of each stream, as indicated."""
    moisture: tuple[float, ...]
    """Water as a fraction of dry mass now in force, for each stream."""
    binder_ratio: float = 1.0
    """Binder measured over binder by the job mix formula."""
    material_kg: float = 0.0
    """[kg] Dry material between the scales and the injection point."""
    timing: tuple[BinderTiming | None, ...] = ()
    """One for each stream whose binder the plant's controller times by itself."""
    lost_s: float = 0.0
    """[s] For how long binder that was due has not come."""


@dataclass(frozen=True, slots=True)
class Demand:
    """What one scan makes of the plant."""

    at_injection: Mix
    """[kg] What passed the injection point in this scan, by measured rates."""
    target_kg: float
    """[kg] Rubber for `at_injection`."""
    wanted_kg_s: float
    """[kg/s] Rubber for what will pass it one look-ahead from now; its binder is predicted."""
    within_kg: float
    """[kg] Rubber for all that will pass it until then."""
    dry_kg_s: tuple[float, ...]
    """[kg/s] Of each stream at its scale."""
    injected_kg_s: tuple[float, ...]
    """[kg/s] Of each stream at the injection point."""
    quality: Quality
    """Worst of the streams that carry material."""


def new_plant(params: Params) -> PlantState:
    """Start with empty belts and an empty drum."""
    return PlantState(
        paths=tuple(new_path(stream) for stream in params.streams),
        held_kg_s=(0.0,) * len(params.streams),
        moisture=tuple(stream.moisture for stream in params.streams),
        timing=tuple(new_timing(stream) for stream in params.streams),
    )


def drum_speed_ratio(drum: DrumParams, readings: tuple[Reading, ...]) -> float | None:
    """Return drum speed over nominal; 0 when it stands; None when that is not known."""
    turning = readings[drum.turning].value
    if turning is None:
        return None
    if turning < 0.5:
        return 0.0
    if drum.speed is None:
        return 1.0
    speed = readings[drum.speed].value
    return speed / drum.nominal_speed_rev_s if speed is not None else 1.0


def belt_speed_m_s(stream: StreamParams, readings: tuple[Reading, ...], rate_kg_s: float) -> float:
    """[m/s] Return the belt's speed: measured, or nominal while it runs."""
    if stream.belt_running is not None:
        running = readings[stream.belt_running].value
        if running is not None and running < 0.5:
            return 0.0
    if stream.belt_speed is not None:
        speed = readings[stream.belt_speed].value
        if speed is not None:
            return speed
    if stream.belt_running is None and rate_kg_s <= stream.low_flow_kg_s:
        return 0.0
    return stream.nominal_belt_speed_m_s


def look_ahead_s(params: Params) -> float:
    """[s] Return the time from a setpoint to its rubber at the injection point."""
    return params.line.travel_s + params.feed.auger_lag_s


def move(
    state: PlantState, params: Params, mix: MixParams, readings: tuple[Reading, ...], dt_s: float
) -> tuple[PlantState, Demand]:
    """Move all material on by one scan and find what it asks for.

    Args:
        state: Before.
        params: Site.
        mix: Mix in force.
        readings: Settled signals.
        dt_s: [s] Length of the scan.
    """
    ratio = drum_speed_ratio(params.drum, readings)
    # Not known whether the drum turns: material is taken to go on, as the feed does for the bounded hold.
    drum_ratio = 1.0 if ratio is None else ratio
    drum_ratio *= pace(_load(state, params), params.drum.load_effect)
    moved = [
        _move_stream(params, readings, (stream, path, timed, moisture, last), drum_ratio, dt_s)
        for stream, path, timed, moisture, last in zip(
            params.streams, state.paths, state.timing, state.moisture, state.held_kg_s, strict=True
        )
    ]
    now, ahead, within = (
        _mix_of(params.streams, [getattr(one.passage, part) for one in moved])
        for part in ("at_injection_kg", "ahead_kg_s", "within_kg")
    )
    dues = [(stream, one.due) for stream, one in zip(params.streams, moved, strict=True) if one.due is not None]
    binder = foresee(BinderSeen(state.binder_ratio, state.lost_s), mix, _solids(now, ahead, within, dues), now, dt_s)
    demand = Demand(
        at_injection=now,
        target_kg=rubber_for(mix.dose_basis, mix.dose, now),
        wanted_kg_s=rubber_for(mix.dose_basis, mix.dose, replace(ahead, virgin_binder=binder.ahead_kg_s)),
        within_kg=rubber_for(mix.dose_basis, mix.dose, replace(within, virgin_binder=binder.within_kg)),
        dry_kg_s=tuple([one.dry_kg_s for one in moved]),
        injected_kg_s=tuple([one.passage.at_injection_kg / dt_s if dt_s > 0.0 else 0.0 for one in moved]),
        quality=min([one.quality for one in moved], default=Quality.GOOD),
    )
    after = PlantState(
        paths=tuple([one.path for one in moved]),
        held_kg_s=tuple([one.indicated_kg_s for one in moved]),
        moisture=state.moisture,
        binder_ratio=binder.seen.ratio,
        material_kg=sum([one.material_kg for one in moved]),
        timing=tuple([one.timing for one in moved]),
        lost_s=binder.seen.lost_s,
    )
    return after, demand


@dataclass(frozen=True, slots=True)
class _Moved:
    """What one scan did to one stream."""

    path: PathState
    passage: Passage
    timing: BinderTiming | None
    due: Due | None
    indicated_kg_s: float
    dry_kg_s: float
    material_kg: float
    """[kg] Of it between its scale and the injection point; binder is none."""
    quality: Quality


def _move_stream(
    params: Params,
    readings: tuple[Reading, ...],
    before: tuple[StreamParams, PathState, BinderTiming | None, float, float],
    drum_ratio: float,
    dt_s: float,
) -> _Moved:
    stream, path, timing, moisture, last_kg_s = before
    reading = readings[stream.rate]
    indicated = last_kg_s if reading.value is None else reading.value
    flowing = indicated if indicated > stream.low_flow_kg_s else 0.0
    counts = reading.value is None or flowing > 0.0
    dry = dry_rate(flowing, moisture)
    speed = belt_speed_m_s(stream, readings, indicated)
    ahead_s = look_ahead_s(params)
    kept_kg = dry * (1.0 - stream.wasted_fines) * dt_s
    after, passage = advance(path, stream, kept_kg, speed, drum_ratio, ahead_s, dt_s)
    due = None
    if timing is not None:
        runs, turns = speed > 0.0, drum_ratio > 0.0
        timing, due = follow(timing, kept_kg, ahead_s, dt_s, belt_runs=runs, drum_turns=turns)
    material_kg = 0.0 if stream.kind is BINDER else after.belt.content + sum(after.drum)
    quality = reading.quality if counts else Quality.GOOD
    return _Moved(after, passage, timing, due, indicated, dry, material_kg, quality)


def _solids(now: Mix, ahead: Mix, within: Mix, dues: list[tuple[StreamParams, Due]]) -> Solids:
    """Return what the plant's controller gives its binder: by its own timing where that is known for all streams."""
    if not dues:
        return Solids(now, ahead, within, timed=False)
    streams = tuple(stream for stream, _ in dues)
    return Solids(
        _mix_of(streams, [due.now_kg for _, due in dues]),
        _mix_of(streams, [due.ahead_kg_s for _, due in dues]),
        _mix_of(streams, [due.within_kg for _, due in dues]),
        timed=True,
    )


def _load(state: PlantState, params: Params) -> float:
    """Return the content between the drum's mouth and the injection point over that at the normal rate.

    A stream's content over its own residence is the rate that would keep it so; the sum of these is compared.
    """
    if params.drum.load_effect <= 0.0:
        return 1.0
    rates_kg_s = [
        sum(path.drum) / stream.drum_residence_s
        for stream, path in zip(params.streams, state.paths, strict=True)
        if path.drum
    ]
    return sum(rates_kg_s) / params.drum.normal_dry_kg_s


def _mix_of(streams: tuple[StreamParams, ...], masses: list[float]) -> Mix:
    dry = recycle = recycle_binder = binder = 0.0
    for stream, mass in zip(streams, masses, strict=True):
        if stream.kind is BINDER:
            binder += mass
        elif stream.kind is RECYCLE:
            recycle += mass
            recycle_binder += mass * stream.binder_content
        else:
            dry += mass
    return Mix(dry, recycle, recycle_binder, binder)
