"""A change of mix, from the keystroke until the last of the older mix has passed the injection point.

Mixes under way stand in a row, oldest first, the one chosen last. Three places in that row only ever move on: the mix
that has most of what passes the injection point, the newest that has begun to pass it (parcels are booked by that), and
the one that rubber leaving the auger now is for.
"""

from crumbmeter.control.mixes import BINDER, LEAST_KG, Leaving, Part, Way, content_kg, join, moving_kg, solids_kg
from crumbmeter.model.events import Event, event
from crumbmeter.model.frozen import dataclass, replace
from crumbmeter.process.binder import BinderTiming
from crumbmeter.process.params import MixParams, StreamParams
from crumbmeter.process.path import PathState, cleared

MOST_LEAVING = 3
"""So many older mixes are kept apart; with one more, the oldest is counted to the next one, with an event."""
BEGUN_SHARE = 0.01
"""A mix has begun to pass when it makes up so much of what passes."""
MOST_SHARE = 0.5
"""It has arrived when it makes up so much."""

Paths = tuple[PathState, ...]
Timing = tuple[BinderTiming | None, ...]


@dataclass(frozen=True, slots=True)
class MixesState:
    """Which mixes lie between the scales and the injection point. The newest one's material stands in `PlantState`."""

    arrived: str
    """Mix id that was last said to be at the injection point."""
    booked: str
    """Mix id that the outlet counts as its newest."""
    leaving: tuple[Leaving, ...] = ()
    """Oldest first; empty unless a change is under way."""
    place_arrived: int = 0
    place_booked: int = 0
    place_fed: int = 0
    asks: bool = False
    """Whether an older mix that is still moving wants rubber."""


@dataclass(frozen=True, slots=True)
class Passing:
    """What a scan of a change has to say."""

    booked: MixParams
    """The newest mix that has begun to pass the injection point."""
    share: float
    """Of what passed in this scan that is of it."""
    older: str
    """Mix id of all that has passed before, in the one scan in which `booked` becomes another; else empty."""
    turns: bool
    """In this scan the rubber that leaves the auger has become that of another mix, and the one before had a dose."""
    events: tuple[Event, ...]


def first_mixes(mix_id: str) -> MixesState:
    """Start with one mix, and nothing of another."""
    return MixesState(mix_id, mix_id)


def rests(mixes: MixesState, mix_id: str) -> bool:
    """Tell whether no change is under way."""
    return not mixes.leaving and mixes.arrived == mix_id and mixes.booked == mix_id


def choose(
    mixes: MixesState, streams: tuple[StreamParams, ...], newest: Leaving, chosen: str, latched_s: float
) -> tuple[MixesState, Leaving]:
    """Choose another mix for what passes the scales from now on.

    Args:
        mixes: Before.
        streams: Of the site.
        newest: Material of the mix chosen until now.
        chosen: Mix id.
        latched_s: [s] What the scales show in this scan passed them in so long a time before the choice was heard.

    Returns:
        State after, and the material of the mix now chosen: nothing, on belts that have moved as far as the others.
    """
    if content_kg(streams, newest.paths) >= LEAST_KG:
        kept = tuple(
            [
                (cleared(path), path) if stream.kind is BINDER else (path, cleared(path))
                for stream, path in zip(streams, newest.paths, strict=True)
            ]
        )
        timing = tuple([None if one is None else one.cleared() for one in newest.timing])
        shown_m = tuple([(stream.scale_filter_s + latched_s) * stream.nominal_belt_speed_m_s for stream in streams])
        left = Leaving(newest.mix_id, tuple([old for old, _ in kept]), newest.timing, shown_m)
        return replace(mixes, leaving=(*mixes.leaving, left)), Leaving(chosen, tuple([new for _, new in kept]), timing)
    if mixes.leaving and mixes.leaving[-1].mix_id == chosen:
        # Nothing was weighed meanwhile: the choice is taken back.
        last = len(mixes.leaving) - 1
        back = replace(
            mixes, leaving=mixes.leaving[:-1], place_arrived=min(last, mixes.place_arrived),
            place_booked=min(last, mixes.place_booked), place_fed=min(last, mixes.place_fed),
        )  # fmt: skip
        return back, join(newest, mixes.leaving[-1])
    return mixes, replace(newest, mix_id=chosen)


def follow_mixes(
    mixes: MixesState,
    streams: tuple[StreamParams, ...],
    row: tuple[Leaving, ...],
    parts: tuple[Part, ...],
    way: Way,
) -> tuple[MixesState, Leaving, Passing]:
    """See how far a change has come, and drop what is as good as gone.

    Args:
        mixes: Before this scan.
        streams: Of the site.
        row: Material after this scan, oldest first, the newest mix last.
        parts: What each of them did in it.
        way: How far everything moved.
    """
    passed = [solids_kg(part) for part in parts]
    arrived = _further(mixes.place_arrived, passed, MOST_SHARE)
    booked = _further(mixes.place_booked, passed, BEGUN_SHARE)
    fed = _further(mixes.place_fed, [part.ahead.dry_aggregate + part.ahead.recycle for part in parts], MOST_SHARE)
    whole = sum(passed)
    mix = parts[booked].mix
    share = sum(passed[booked:]) / whole if whole > 0.0 else 1.0
    told: list[Event] = []
    turns = fed != mixes.place_fed
    gone = 0
    while len(row) > 1:
        left_kg = content_kg(streams, row[0].paths)
        if left_kg >= LEAST_KG:
            if len(row) - 1 <= MOST_LEAVING:
                break
            told.append(event("mixes_joined", was=row[0].mix_id, to=row[1].mix_id, mass_kg=round(left_kg, 1)))
        row = (join(row[0], row[1]), *row[2:])
        gone += 1
    # To a mix without rubber nothing is owed: what is owed then is the head of the new one already.
    turns = (turns or fed < gone) and parts[mixes.place_fed].mix.dose > 0.0
    arrived, fed, kept = max(0, arrived - gone), max(0, fed - gone), max(0, booked - gone)
    if row[arrived].mix_id != mixes.arrived:
        told.append(event("mix_arrived", was=mixes.arrived, to=row[arrived].mix_id))
    asks = any(
        part.mix.dose > 0.0 and moving_kg(streams, one.paths, way) >= LEAST_KG
        for one, part in zip(row[:-1], parts[gone:-1], strict=True)
    )
    older = mixes.booked if mix.mix_id != mixes.booked else ""
    after = MixesState(row[arrived].mix_id, mix.mix_id, row[:-1], arrived, kept, fed, asks)
    return after, row[-1], Passing(mix, share, older, turns, tuple(told))


def _further(place: int, masses: list[float], share: float) -> int:
    """Move a place on while what lies behind it makes up so much of the whole."""
    whole = sum(masses)
    while whole > 0.0 and place < len(masses) - 1 and sum(masses[place + 1 :]) >= share * whole:
        place += 1
    return place
