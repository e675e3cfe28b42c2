"""From the injection point to the outlet: the mix takes its rubber, spreads, and leaves as parcels.

Parts are followed side by side through the same stages: what leaves has the composition it really has, and nothing is
lost. Parcels are whole grams; what rounding leaves over goes into the next one.
"""

from crumbmeter.model.frozen import dataclass
from crumbmeter.model.parcel import Parcel
from crumbmeter.model.quality import Quality
from crumbmeter.process.dose import Mix, base_of
from crumbmeter.process.load import pace
from crumbmeter.process.params import DrumParams, MixParams
from crumbmeter.process.stages import cascade, share_leaving

Masses = tuple[float, ...]
PARTS = 8
"""Dry aggregate, recycle, its binder, virgin binder, rubber, rubber wanted, uncertainty, mix of the newest mix id."""
NOTHING: Masses = (0.0,) * PARTS
DRY, RECYCLE, RECYCLE_BINDER, BINDER, RUBBER, WANTED, UNCERTAINTY, NEWEST = range(PARTS)
MASS_PARTS = (DRY, RECYCLE, BINDER, RUBBER)


@dataclass(frozen=True, slots=True)
class OutletState:
    """Drum content behind the injection point, and the parcel that is forming."""

    stages: tuple[tuple[float, ...], ...]
    """[kg] For each part, what each stage holds of it."""
    forming: Masses = NOTHING
    """[kg] What has left the outlet since the last parcel, with what rounding left over."""
    began_s: float = 0.0
    next_number: int = 1
    quality: Quality = Quality.GOOD
    worst_state: str = ""
    worst_rank: int = 0
    controlled: bool = True
    older_mix: str = ""
    """Mix id of what passed the injection point before the newest began to; it may still be in the drum."""


def new_outlet(drum: DrumParams, mix_id: str) -> OutletState:
    """Make an empty drum."""
    return OutletState(((0.0,) * drum.outlet_stages,) * PARTS, older_mix=mix_id)


@dataclass(frozen=True, slots=True)
class Marks:
    """What a scan writes onto the parcel that forms."""

    now_s: float
    mix: MixParams
    """The newest that has begun to pass the injection point."""
    older: MixParams
    """The one before it: what is left of its material may still make up most of a parcel."""
    quality: Quality
    run_state: str
    state_rank: int
    """How bad the run state is for the rubber; higher is worse."""
    controlled: bool
    simulated: bool


def mix_changed(state: OutletState, older: str) -> OutletState:
    """Another mix begins to pass the injection point: mark all that has passed it as made under the mix before."""
    stages = (*state.stages[:NEWEST], (0.0,) * len(state.stages[NEWEST]))
    forming = (*state.forming[:NEWEST], 0.0)
    return OutletState(
        stages, forming, state.began_s, state.next_number, state.quality, state.worst_state, state.worst_rank,
        state.controlled, older,
    )  # fmt: skip


def pass_through(
    state: OutletState,
    drum: DrumParams,
    entering: Masses,
    drum_speed_ratio: float,
    marks: Marks,
    parcel_kg: float,
    dt_s: float,
) -> tuple[OutletState, Parcel | None, float]:
    """Move the drum's content on by one scan.

    Args:
        state: Before.
        drum: Residence and stages.
        entering: [kg] Parts that passed the injection point in this scan.
        drum_speed_ratio: Drum speed over nominal; 0 holds everything.
        marks: What this scan writes onto the forming parcel.
        parcel_kg: [kg] Size of a parcel.
        dt_s: [s] Length of the scan.

    Returns:
        State after, a parcel if one is complete, and the mass [kg] in it that its dose is a share of.
    """
    moves = drum_speed_ratio * pace(_load(state, drum), drum.load_effect)
    share = share_leaving(drum.outlet_residence_s, drum.outlet_stages, dt_s, moves)
    passed = [cascade(part, mass, share) for part, mass in zip(state.stages, entering, strict=True)]
    fresh = state.worst_state == ""
    worse = fresh or marks.state_rank > state.worst_rank
    after = OutletState(
        stages=tuple([content for content, _ in passed]),
        forming=tuple([held + left for held, (_, left) in zip(state.forming, passed, strict=True)]),
        began_s=marks.now_s if fresh else state.began_s,
        next_number=state.next_number,
        quality=min(state.quality, marks.quality),
        worst_state=marks.run_state if worse else state.worst_state,
        worst_rank=marks.state_rank if worse else state.worst_rank,
        controlled=state.controlled and marks.controlled,
        older_mix=state.older_mix,
    )
    if sum([after.forming[part] for part in MASS_PARTS]) < parcel_kg:
        return after, None, 0.0
    return _close(after, marks)


def _load(state: OutletState, drum: DrumParams) -> float:
    """Return the content from the injection point to the outlet over that at the normal rate."""
    if drum.load_effect <= 0.0:
        return 1.0
    content_kg = sum(state.stages[DRY]) + sum(state.stages[RECYCLE])
    return content_kg / (drum.outlet_residence_s * drum.normal_dry_kg_s)


def _close(state: OutletState, marks: Marks) -> tuple[OutletState, Parcel, float]:
    forming = state.forming
    grams = [max(0, int(kg * 1000.0)) for kg in forming]
    whole = sum(forming[part] for part in MASS_PARTS)
    governing = marks.mix if forming[NEWEST] * 2.0 >= whole else marks.older
    mix = Mix(forming[DRY], forming[RECYCLE], forming[RECYCLE_BINDER], forming[BINDER])
    parcel = Parcel(
        number=state.next_number,
        began_s=state.began_s,
        ended_s=marks.now_s,
        mix_id=governing.mix_id,
        dose_basis=governing.dose_basis.value,
        dose_target=governing.dose,
        target_rubber_g=grams[WANTED],
        rubber_g=grams[RUBBER],
        rubber_uncertainty_g=grams[UNCERTAINTY],
        dry_aggregate_g=grams[DRY],
        recycle_g=grams[RECYCLE],
        recycle_binder_g=grams[RECYCLE_BINDER],
        virgin_binder_g=grams[BINDER],
        quality=state.quality,
        worst_state=state.worst_state,
        controlled=state.controlled,
        simulated=marks.simulated,
    )
    left = tuple(kg - gram / 1000.0 for kg, gram in zip(forming, grams, strict=True))
    after = OutletState(
        state.stages, (*left[:NEWEST], 0.0), marks.now_s, state.next_number + 1, older_mix=state.older_mix
    )
    return after, parcel, base_of(governing.dose_basis, mix) * 1000.0
