"""A batch plant explained back: its ingredients, its hand-shake, and what each mix asks for at three batch sizes.

Builds plain values that `crumbmeter check` writes as words or as JSON. Every number bears its unit in its name. Pure.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from crumbmeter.control.batch_cycle import window_ends_s
from crumbmeter.model.outputs import OutputRole
from crumbmeter.model.units import UNITS
from crumbmeter.process.batch import release_s
from crumbmeter.process.dose import rubber_for
from crumbmeter.process.params import BatchParams, IngredientParams, MixParams, StreamKind
from crumbmeter.site.settings import Site


@dataclass(frozen=True, slots=True)
class IngredientWords:
    """One ingredient: what its weigh hopper shows, and what is corrected."""

    ingredient_id: str
    kind: str
    register: str
    unit: str
    announced: str
    """Register of what the plant announces; empty: it does not."""
    corrections: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ContactWords:
    """One register of the hand-shake."""

    name: str
    register: str
    says: str


@dataclass(frozen=True, slots=True)
class ChargeWords:
    """What one mix asks for at one size of batch."""

    mix_id: str
    size: str
    """smallest, normal or largest."""
    mix_short_ton: float
    mix_tonne: float
    rubber_lb: float
    rubber_kg: float
    dose_s: float
    """[s] To dose the charge."""
    blow_s: float
    """[s] From the valve's opening to the last dust."""


@dataclass(frozen=True, slots=True)
class BatchWords:
    """All of it."""

    ingredients: tuple[IngredientWords, ...]
    reads: tuple[ContactWords, ...]
    writes: tuple[ContactWords, ...]
    charges: tuple[ChargeWords, ...]
    longest_window_s: float
    latest_s: float
    """[s] The valve is shut at this age of a window at the latest."""
    counter_wraps_at: int
    fills_to_order: bool


def explain_batch(site: Site) -> BatchWords | None:
    """Explain the batch plant of a site; None for a drum plant."""
    batch = site.params.batch
    if batch is None:
        return None
    return BatchWords(
        ingredients=tuple(_ingredient(site, one) for one in batch.ingredients),
        reads=tuple(_read(site, batch)),
        writes=tuple(_written(site)),
        charges=tuple(row for mix in site.params.mixes for row in _charges(site, batch, mix)),
        longest_window_s=batch.longest_window_s,
        latest_s=window_ends_s(batch, site.params.line.travel_s),
        counter_wraps_at=batch.counter_modulus,
        fills_to_order=batch.refill,
    )


def batch_corrections(one: IngredientParams) -> tuple[str, ...]:
    """Say what is corrected in the weight of an ingredient."""
    if one.kind is StreamKind.BINDER:
        return ("nothing: binder is weighed",)
    done = []
    if one.moisture > 0.0:
        done.append(
            f"wet: divided by 1 + {one.moisture * 100:g} % of water on dry mass (x {1 / (1 + one.moisture):.4f})"
        )
    if one.binder_content > 0.0:
        done.append(f"{one.binder_content * 100:g} % of its dry mass is counted as binder")
    return tuple(done) or ("nothing: weighed dry",)


def _ingredient(site: Site, one: IngredientParams) -> IngredientWords:
    return IngredientWords(
        ingredient_id=one.ingredient_id,
        kind=one.kind.value,
        register=site.registers[one.weighed],
        unit=site.params.sources[one.weighed].unit,
        announced="" if one.announced is None else site.registers[one.announced],
        corrections=batch_corrections(one),
    )


def _read(site: Site, batch: BatchParams) -> list[ContactWords]:
    named: Sequence[tuple[str, int | None, str]] = (
        ("rubber wanted", batch.wanted, "closed: the dry-mix window is open. Nothing is blown in at any other time"),
        ("weighed", batch.weighed, "closed: the next batch is weighed, and its weights are final"),
        ("counter", batch.counter, f"one more: a batch was dropped. Begins again at {batch.counter_modulus}"),
        ("discharging", batch.discharging, "opens: the batch has left, and is booked"),
        ("aborted", batch.aborted, "closed: what is in the pugmill is thrown away"),
        ("vessel mass", batch.vessel_mass, "what lies in the transfer vessel"),
    )
    return [ContactWords(name, site.registers[index], says) for name, index, says in named if index is not None]


def _written(site: Site) -> list[ContactWords]:
    says = {
        OutputRole.RELEASE.value: "closed: the valve under the vessel opens; never outside the window",
        OutputRole.CHARGE_READY.value: "closed: the charge for the next batch is weighed; opens on any doubt",
        OutputRole.CHARGE_DELIVERED.value: "closed: this batch has its rubber; opens with the window",
        OutputRole.REFILL.value: "closed: the weigh hopper may be filled; never while a charge is dosed",
    }
    pairs = zip(site.params.outputs, site.output_registers, strict=True)
    return [ContactWords(spec.role, register, says[spec.role]) for spec, register in pairs if spec.role in says]


def _charges(site: Site, batch: BatchParams, mix: MixParams) -> list[ChargeWords]:
    if mix.dose <= 0.0:
        return []
    line, rows = site.params.line, []
    for size, whole in zip(("smallest", "normal", "largest"), site.batches[mix.mix_id], strict=True):
        kg = rubber_for(mix.dose_basis, mix.dose, whole)
        slow = min(kg, batch.dribble_kg)
        rows.append(
            ChargeWords(
                mix_id=mix.mix_id,
                size=size,
                mix_short_ton=UNITS["short_ton"].from_si(whole.total),
                mix_tonne=UNITS["tonne"].from_si(whole.total),
                rubber_lb=UNITS["lb"].from_si(kg),
                rubber_kg=kg,
                dose_s=(kg - slow) / batch.dose_kg_s + slow / batch.dribble_kg_s + batch.settle_s,
                blow_s=release_s(kg, batch.release_kg_s, line.travel_s, batch.tail_s),
            )
        )
    return rows
