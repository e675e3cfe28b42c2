"""The dose of the newest tons with its uncertainty: computed when a parcel is booked, never in between.

Sums are whole grams, kept as parcels come and go, so that a window of a hundred parcels costs no more than one of ten.
"""

from crumbmeter.control.params import Params
from crumbmeter.estimation.budget import Shift, Water, causes_of, dose_budget, weighing_uncertainty
from crumbmeter.model.frozen import dataclass
from crumbmeter.model.parcel import Parcel
from crumbmeter.model.quality import Quality
from crumbmeter.model.view import DoseView
from crumbmeter.process.dose import Mix
from crumbmeter.process.params import DoseBasis, StreamKind

SUMMED = 6
"""Mix, rubber, dry aggregate, recycle, its binder, virgin binder [g]."""
Grams = tuple[int, ...]


@dataclass(frozen=True, slots=True)
class BookedPart:
    """One parcel's share in the window."""

    grams: Grams
    ended_s: float
    weighing_kg: float
    """[kg] Standard uncertainty of its rubber, without the hopper's span."""
    rubber_kg_s: float
    """[kg/s] Rubber wanted over the time that the parcel took to leave."""
    quality: Quality


@dataclass(frozen=True, slots=True)
class ProvingState:
    """The window, and what it comes to."""

    mix_id: str = ""
    parts: tuple[BookedPart, ...] = ()
    sums: Grams = (0,) * SUMMED
    shown: DoseView | None = None


def prove(state: ProvingState, parcel: Parcel, params: Params, moisture: tuple[float, ...]) -> ProvingState:
    """Take a booked parcel into the window and say what the dose is, and how well that is known.

    Args:
        state: Before.
        parcel: Just booked.
        params: Site.
        moisture: Water in force, for each stream, as a fraction of dry mass.
    """
    if parcel.target_rubber_g <= 0 and parcel.rubber_g <= 0:
        return ProvingState() if state.parts or state.shown is not None else state
    if parcel.mix_id != state.mix_id:
        state = ProvingState(parcel.mix_id)
    weighing_kg = parcel.rubber_uncertainty_g / 1000.0
    part = BookedPart(_grams(parcel), parcel.ended_s, weighing_kg, _rate_kg_s(parcel), parcel.quality)
    parts = [*state.parts, part]
    sums = [held + more for held, more in zip(state.sums, part.grams, strict=True)]
    window_g = params.uncertainty.window_kg * 1000.0
    first = 0
    while first < len(parts) - 1 and sums[0] - parts[first].grams[0] >= window_g:
        sums = [held - less for held, less in zip(sums, parts[first].grams, strict=True)]
        first += 1
    kept = tuple(parts[first:])
    return ProvingState(parcel.mix_id, kept, tuple(sums), _shown(kept, sums, parcel.dose_basis, params, moisture))


def _grams(parcel: Parcel) -> Grams:
    return (
        parcel.mix_g, parcel.rubber_g, parcel.dry_aggregate_g, parcel.recycle_g, parcel.recycle_binder_g,
        parcel.virgin_binder_g,
    )  # fmt: skip


def _rate_kg_s(parcel: Parcel) -> float:
    took_s = parcel.ended_s - parcel.began_s
    return parcel.target_rubber_g / 1000.0 / took_s if took_s > 0.0 else 0.0


def _shown(
    parts: tuple[BookedPart, ...], sums: list[int], basis: str, params: Params, moisture: tuple[float, ...]
) -> DoseView | None:
    whole, rubber, dry, recycle, recycle_binder, binder = [gram / 1000.0 for gram in sums]
    mix = Mix(dry, recycle, recycle_binder, binder)
    weighing = weighing_uncertainty((part.ended_s, part.weighing_kg) for part in parts)
    shift = Shift(parts[0].rubber_kg_s, parts[-1].rubber_kg_s)
    causes = causes_of(params.uncertainty, rubber, weighing, mix, water_of(params, moisture), shift)
    budget = dose_budget(DoseBasis(basis), rubber, mix, causes)
    if budget is None:
        return None
    return DoseView(
        basis=basis,
        dose=budget.value,
        expanded=budget.expanded,
        coverage=budget.coverage,
        mix_kg=whole,
        quality=min([part.quality for part in parts]),
        largest=budget.components[0].name,
        assumed=budget.assumed,
    )


def water_of(params: Params, moisture: tuple[float, ...]) -> Water:
    """Return the least water in force of each kind: the less there is, the more a wrong figure for it matters."""
    least = {StreamKind.AGGREGATE: 1.0, StreamKind.RECYCLE: 1.0}
    for stream, water in zip(params.streams, moisture, strict=True):
        kind = StreamKind.RECYCLE if stream.kind is StreamKind.RECYCLE else StreamKind.AGGREGATE
        if stream.kind is not StreamKind.BINDER:
            least[kind] = min(least[kind], water)
    return Water(
        *(0.0 if water == 1.0 else water for water in (least[StreamKind.AGGREGATE], least[StreamKind.RECYCLE]))
    )
