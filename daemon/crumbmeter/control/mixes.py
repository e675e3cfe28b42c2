"""Whose material it is: that of the mix now chosen, or of a mix before it, which is still on its way.

A mix is chosen for what passes the scales from then on. What lies between the scales and the injection point stays of
the mix before, and moves on by itself with nothing added. All of it is linear in mass: the parts add up to the whole.
"""

from collections.abc import Sequence

from crumbmeter.model.frozen import dataclass, replace
from crumbmeter.process.binder import BinderAhead, BinderTiming, Due, Older, Solids, follow, formula
from crumbmeter.process.dose import Mix, rubber_for
from crumbmeter.process.params import MixParams, StreamKind, StreamParams
from crumbmeter.process.path import Passage, PathState, advance, joined

BINDER, RECYCLE = StreamKind.BINDER, StreamKind.RECYCLE
LEAST_KG = 1.0
"""[kg] Less of an older mix than this is joined to the next one: at 20 lb/ton it is ten grams of rubber."""


@dataclass(frozen=True, slots=True)
class Leaving:
    """Material of an older mix between the scales and the injection point. Binder has no such way."""

    mix_id: str
    paths: tuple[PathState, ...]
    """One for each stream, in their order; each has moved exactly as that of the newest mix."""
    timing: tuple[BinderTiming | None, ...]
    shown_m: tuple[float, ...] = ()
    """[m] For each stream: how far its belt must run until its scale, which averages, shows what passed it after the
    change; until then what it shows is of this mix."""


@dataclass(frozen=True, slots=True)
class Part:
    """The material of one mix in one scan, without the binder that the meter saw."""

    mix: MixParams
    now: Mix
    """[kg] Passed the injection point."""
    ahead: Mix
    """[kg/s] Will pass it one look-ahead from now."""
    within: Mix
    """[kg] Will pass it until then."""
    due: Solids
    """What the plant's controller gives binder to."""
    passed_kg: tuple[float, ...]
    """[kg] Of each stream, past the injection point."""


@dataclass(frozen=True, slots=True)
class Rubber:
    """What all parts together ask for."""

    now_kg: float
    ahead_kg_s: float
    within_kg: float


@dataclass(frozen=True, slots=True)
class Way:
    """How far one scan moves everything."""

    belts_m_s: tuple[float, ...]
    """[m/s] Speed of each stream's belt."""
    drum_ratio: float
    """Pace of the material in the drum over that at its normal content and speed."""
    ahead_s: float
    """[s] From the auger's setpoint to the injection point."""
    dt_s: float
    older_kg: tuple[float, ...]
    """[kg] Of what the scales showed in this scan, what is still of the mix before the newest."""


def mix_of(streams: Sequence[StreamParams], masses: Sequence[float]) -> Mix:
    """Make a mix of each stream's mass."""
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


def part_of(mix: MixParams, streams: tuple[StreamParams, ...], passages: list[Passage], dues: list[Due | None]) -> Part:
    """Make a mix's part of what each of its streams did."""
    passed_kg = tuple([one.at_injection_kg for one in passages])
    now = mix_of(streams, passed_kg)
    ahead = mix_of(streams, [one.ahead_kg_s for one in passages])
    within = mix_of(streams, [one.within_kg for one in passages])
    return Part(mix, now, ahead, within, _solids(now, ahead, within, streams, dues), passed_kg)


def _solids(now: Mix, ahead: Mix, within: Mix, streams: tuple[StreamParams, ...], dues: list[Due | None]) -> Solids:
    """Return what the plant's controller gives its binder: by its own timing where that is known for all streams."""
    timed = [(stream, due) for stream, due in zip(streams, dues, strict=True) if due is not None]
    if not timed:
        return Solids(now, ahead, within, timed=False)
    of = [stream for stream, _ in timed]
    return Solids(
        mix_of(of, [due.now_kg for _, due in timed]),
        mix_of(of, [due.ahead_kg_s for _, due in timed]),
        mix_of(of, [due.within_kg for _, due in timed]),
        timed=True,
    )


def move_leaving(
    leaving: Leaving, mix: MixParams, streams: tuple[StreamParams, ...], way: Way, *, last: bool
) -> tuple[Leaving, Part]:
    """Move an older mix's material on; nothing is added but, to the last one, what the scales show late."""
    paths, passages, timings, dues = [], [], [], []
    added_kg = way.older_kg if last else (0.0,) * len(streams)
    for stream, path, timing, belt_m_s, kg in zip(
        streams, leaving.paths, leaving.timing, way.belts_m_s, added_kg, strict=True
    ):
        after, passage, due = path, Passage(0.0, 0.0, 0.0), None
        if stream.kind is not BINDER:
            after, passage = advance(path, stream, kg, belt_m_s, way.drum_ratio, way.ahead_s, way.dt_s)
        if timing is not None:
            runs, turns = belt_m_s > 0.0, way.drum_ratio > 0.0
            timing, due = follow(timing, 0.0, way.ahead_s, way.dt_s, belt_runs=runs, drum_turns=turns)  # noqa: PLW2901
        paths.append(after)
        passages.append(passage)
        timings.append(timing)
        dues.append(due)
    shown_m = tuple(
        [max(0.0, m - belt_m_s * way.dt_s) for m, belt_m_s in zip(leaving.shown_m, way.belts_m_s, strict=True)]
    )
    return Leaving(leaving.mix_id, tuple(paths), tuple(timings), shown_m), part_of(mix, streams, passages, dues)


def join(older: Leaving, newer: Leaving) -> Leaving:
    """Count what is left of an older mix to the next one: no mass is lost."""
    paths = tuple([joined(one, other) for one, other in zip(older.paths, newer.paths, strict=True)])
    timing = tuple([_joined_timing(one, other) for one, other in zip(older.timing, newer.timing, strict=True)])
    return Leaving(newer.mix_id, paths, timing, newer.shown_m)


def _joined_timing(one: BinderTiming | None, other: BinderTiming | None) -> BinderTiming | None:
    return None if one is None or other is None else one.joined(other)


def content_kg(streams: tuple[StreamParams, ...], paths: tuple[PathState, ...]) -> float:
    """[kg] Return the dry material on the way to the injection point."""
    return sum(
        [
            path.belt.content + sum(path.drum)
            for stream, path in zip(streams, paths, strict=True)
            if stream.kind is not BINDER
        ]
    )


def moving_kg(streams: tuple[StreamParams, ...], paths: tuple[PathState, ...], way: Way) -> float:
    """[kg] Return what of it is in the drum or on a belt that runs: what stands on a belt asks for nothing yet."""
    return sum(
        [
            sum(path.drum) + (path.belt.content if belt_m_s > 0.0 else 0.0)
            for stream, path, belt_m_s in zip(streams, paths, way.belts_m_s, strict=True)
            if stream.kind is not BINDER
        ]
    )


def solids_kg(part: Part) -> float:
    """[kg] Return what of a mix passed the injection point, without the binder sprayed there."""
    return part.now.dry_aggregate + part.now.recycle


def older_of(parts: tuple[Part, ...]) -> tuple[Older, ...]:
    """Return what `foresee` wants of all parts but the newest."""
    return tuple([(part.mix, part.due) for part in parts[:-1]])


def total(parts: tuple[Part, ...]) -> Mix:
    """[kg] Return all that passed the injection point."""
    if len(parts) == 1:
        return parts[0].now
    mixes = [part.now for part in parts]
    return Mix(
        sum([mix.dry_aggregate for mix in mixes]), sum([mix.recycle for mix in mixes]),
        sum([mix.recycle_binder for mix in mixes]), sum([mix.virgin_binder for mix in mixes]),
    )  # fmt: skip


def ask(parts: tuple[Part, ...], binder_kg: float, ahead: BinderAhead) -> Rubber:
    """Add up the rubber that each mix asks for.

    Args:
        parts: Oldest first.
        binder_kg: [kg] Virgin binder that the meter saw in this scan.
        ahead: Virgin binder to come.
    """
    now = _asked([part.mix for part in parts], [part.now for part in parts], binder_kg)
    then = _asked([part.mix for part in parts], [part.ahead for part in parts], ahead.ahead_kg_s)
    within = _asked([part.mix for part in parts], [part.within for part in parts], ahead.within_kg)
    return Rubber(now, then, within)


def _asked(mixes: list[MixParams], masses: list[Mix], binder: float) -> float:
    """Return the rubber for some material; the binder in it is shared out by the job mix formulas."""
    if len(mixes) == 1:
        return rubber_for(mixes[0].dose_basis, mixes[0].dose, replace(masses[0], virgin_binder=binder))
    wants = [max(0.0, formula(mass, mix)) for mass, mix in zip(masses, mixes, strict=True)]
    whole = sum(wants)
    # With nothing there that wants binder, it is that of the newest.
    shares = [want / whole for want in wants] if whole > 0.0 else [*[0.0] * (len(mixes) - 1), 1.0]
    return sum(
        [
            rubber_for(mix.dose_basis, mix.dose, replace(mass, virgin_binder=binder * share))
            for mix, mass, share in zip(mixes, masses, shares, strict=True)
        ]
    )
