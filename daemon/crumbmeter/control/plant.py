"""What the plant is making: streams become dry rates and travel; the mix at the injection point, now and ahead."""

from crumbmeter.control.mix_change import MixesState, Passing, choose, first_mixes, follow_mixes, rests
from crumbmeter.control.mixes import (
    BINDER,
    Leaving,
    Part,
    Way,
    ask,
    content_kg,
    move_leaving,
    older_of,
    part_of,
    total,
)
from crumbmeter.control.params import Params
from crumbmeter.model.frozen import dataclass, replace
from crumbmeter.model.quality import Quality
from crumbmeter.model.reading import Reading
from crumbmeter.process.binder import BinderSeen, BinderTiming, Due, follow, foresee, new_timing
from crumbmeter.process.dose import Mix, dry_rate
from crumbmeter.process.load import pace
from crumbmeter.process.params import DrumParams, MixParams, StreamParams
from crumbmeter.process.path import Passage, PathState, advance, new_path


@dataclass(frozen=True, slots=True)
class PlantState:
    """Where the material is."""

    paths: tuple[PathState, ...]
    """One for each stream, in their order."""
    held_kg_s: tuple[float, ...]
    """[kg/s] Last usable rate of each stream, as indicated."""
    moisture: tuple[float, ...]
    """Water as a fraction of dry mass now in force, for each stream."""
    mixes: MixesState
    """Material of older mixes, while a change of mix is under way; `paths` and `timing` are those of the mix chosen."""
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
    passing: Passing | None = None
    """What there is to say of a change of mix; None: none is under way."""


def new_plant(params: Params) -> PlantState:
    """Start with empty belts and an empty drum."""
    return PlantState(
        paths=tuple(new_path(stream) for stream in params.streams),
        held_kg_s=(0.0,) * len(params.streams),
        moisture=tuple(stream.moisture for stream in params.streams),
        mixes=first_mixes(params.first_mix),
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
        mix: Mix chosen: that of what passes the scales in this scan.
        readings: Settled signals.
        dt_s: [s] Length of the scan.
    """
    ratio = drum_speed_ratio(params.drum, readings)
    # Not known whether the drum turns: material is taken to go on, as the feed does for the bounded hold.
    drum_ratio = 1.0 if ratio is None else ratio
    drum_ratio *= pace(_load(state, params), params.drum.load_effect)
    older = state.mixes.leaving
    late_m = older[-1].shown_m if older else (0.0,) * len(params.streams)
    moved = [
        _move_stream(params, readings, before, drum_ratio, dt_s)
        for before in zip(
            params.streams, state.paths, state.timing, state.moisture, state.held_kg_s, late_m, strict=True
        )
    ]
    of = _by_mix(state, params, mix, moved, drum_ratio, dt_s)
    now = total(of.parts)
    seen = BinderSeen(state.binder_ratio, state.lost_s)
    binder = foresee(seen, mix, of.parts[-1].due, now, dt_s, older_of(of.parts))
    rubber = ask(of.parts, now.virgin_binder, binder)
    demand = Demand(
        at_injection=now,
        target_kg=rubber.now_kg,
        wanted_kg_s=rubber.ahead_kg_s,
        within_kg=rubber.within_kg,
        dry_kg_s=tuple([one.dry_kg_s for one in moved]),
        injected_kg_s=tuple([kg / dt_s if dt_s > 0.0 else 0.0 for kg in of.passed_kg]),
        quality=min([one.quality for one in moved], default=Quality.GOOD),
        passing=of.passing,
    )
    after = PlantState(
        paths=of.newest.paths,
        held_kg_s=tuple([one.indicated_kg_s for one in moved]),
        moisture=state.moisture,
        mixes=of.mixes,
        binder_ratio=binder.seen.ratio,
        material_kg=of.material_kg,
        timing=of.newest.timing,
        lost_s=binder.seen.lost_s,
    )
    return after, demand


@dataclass(frozen=True, slots=True)
class _ByMix:
    """What one scan did, by the mix that the material belongs to."""

    parts: tuple[Part, ...]
    """Oldest first, the mix chosen last."""
    newest: Leaving
    """Material of the mix chosen."""
    mixes: MixesState
    passing: Passing | None
    passed_kg: tuple[float, ...]
    """[kg] Of each stream, past the injection point."""
    material_kg: float
    """[kg] Dry material on its way there."""


def _by_mix(
    state: PlantState, params: Params, mix: MixParams, moved: "list[_Moved]", drum_ratio: float, dt_s: float
) -> _ByMix:
    """Move the material of older mixes on as well, and see how far a change has come. Mostly there is none."""
    streams, mixes = params.streams, state.mixes
    part = part_of(mix, streams, [one.passage for one in moved], [one.due for one in moved])
    newest = Leaving(mix.mix_id, tuple([one.path for one in moved]), tuple([one.timing for one in moved]))
    if rests(mixes, mix.mix_id) or not streams:
        return _ByMix((part,), newest, mixes, None, part.passed_kg, sum([one.material_kg for one in moved]))
    belts_m_s, older_kg = tuple([one.belt_m_s for one in moved]), tuple([one.older_kg for one in moved])
    way = Way(belts_m_s, drum_ratio, look_ahead_s(params), dt_s, older_kg)
    known = {one.mix_id: one for one in params.mixes}
    older = [
        move_leaving(one, known.get(one.mix_id, mix), streams, way, last=one is mixes.leaving[-1])
        for one in mixes.leaving
    ]
    parts = (*[its for _, its in older], part)
    after, newest, passing = follow_mixes(mixes, streams, (*[one for one, _ in older], newest), parts, way)
    passed_kg = tuple([sum(kg) for kg in zip(*[its.passed_kg for its in parts], strict=True)])
    material_kg = sum([content_kg(streams, one.paths) for one in (*after.leaving, newest)])
    return _ByMix(parts, newest, after, passing, passed_kg, material_kg)


def choose_mix(state: PlantState, params: Params, was: str, chosen: str) -> PlantState:
    """Choose another mix for what passes the scales from now on."""
    newest = Leaving(was, state.paths, state.timing)
    mixes, newest = choose(state.mixes, params.streams, newest, chosen, params.scan_period_s)
    return replace(state, paths=newest.paths, timing=newest.timing, mixes=mixes)


@dataclass(frozen=True, slots=True)
class _Moved:
    """What one scan did to one stream."""

    path: PathState
    belt_m_s: float
    passage: Passage
    timing: BinderTiming | None
    due: Due | None
    indicated_kg_s: float
    dry_kg_s: float
    material_kg: float
    """[kg] Of it between its scale and the injection point; binder is none."""
    older_kg: float
    """[kg] Of what its scale showed, what is still of the mix before."""
    quality: Quality


def _move_stream(
    params: Params,
    readings: tuple[Reading, ...],
    before: tuple[StreamParams, PathState, BinderTiming | None, float, float, float],
    drum_ratio: float,
    dt_s: float,
) -> _Moved:
    stream, path, timing, moisture, last_kg_s, late_m = before
    reading = readings[stream.rate]
    indicated = last_kg_s if reading.value is None else reading.value
    flowing = indicated if indicated > stream.low_flow_kg_s else 0.0
    counts = reading.value is None or flowing > 0.0
    dry = dry_rate(flowing, moisture)
    speed = belt_speed_m_s(stream, readings, indicated)
    ahead_s = look_ahead_s(params)
    kept_kg = dry * (1.0 - stream.wasted_fines) * dt_s
    older_kg = 0.0
    if late_m > 0.0 and stream.kind is not BINDER:
        older_kg = kept_kg * min(1.0, late_m / (speed * dt_s) if speed * dt_s > 0.0 else 1.0)
    after, passage = advance(path, stream, kept_kg - older_kg, speed, drum_ratio, ahead_s, dt_s)
    due = None
    if timing is not None:
        runs, turns = speed > 0.0, drum_ratio > 0.0
        timing, due = follow(timing, kept_kg, ahead_s, dt_s, belt_runs=runs, drum_turns=turns)
    material_kg = 0.0 if stream.kind is BINDER else after.belt.content + sum(after.drum)
    quality = reading.quality if counts else Quality.GOOD
    return _Moved(after, speed, passage, timing, due, indicated, dry, material_kg, older_kg, quality)


def _load(state: PlantState, params: Params) -> float:
    """Return the content between the drum's mouth and the injection point over that at the normal rate.

    A stream's content over its own residence is the rate that would keep it so; the sum of these is compared.
    """
    if params.drum.load_effect <= 0.0:
        return 1.0
    rates_kg_s = [
        sum(path.drum) / stream.drum_residence_s
        for paths in (state.paths, *[older.paths for older in state.mixes.leaving])
        for stream, path in zip(params.streams, paths, strict=True)
        if path.drum
    ]
    return sum(rates_kg_s) / params.drum.normal_dry_kg_s
