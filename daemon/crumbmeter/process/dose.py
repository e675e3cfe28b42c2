"""Dose in every basis, and its inverse. The same functions serve rates [kg/s] and masses [kg].

Each basis stands with its formula in `params.DoseBasis`. All are fractions, never percent. Worked values with their
sources stand in tests/spec/test_dose_published.py.
"""

from crumbmeter.model.frozen import dataclass
from crumbmeter.process.params import DoseBasis

LB_PER_SHORT_TON = 2000.0
"""[lb/short_ton] One part of mix in pounds per short ton."""
KG_PER_TONNE = 1000.0


@dataclass(frozen=True, slots=True)
class Mix:
    """Parts of a mix without rubber, as rates [kg/s] or masses [kg]."""

    dry_aggregate: float = 0.0
    """Virgin aggregate and filler, dry."""
    recycle: float = 0.0
    """Dry recycle with the binder it carries."""
    recycle_binder: float = 0.0
    """Binder carried by the recycle; part of `recycle`."""
    virgin_binder: float = 0.0

    @property
    def total(self) -> float:
        """Return the mix without rubber, M0."""
        return self.dry_aggregate + self.recycle + self.virgin_binder

    @property
    def binder(self) -> float:
        """Return the total binder, Bt."""
        return self.virgin_binder + self.recycle_binder

    @property
    def binder_replacement(self) -> float | None:
        """Return the share of the total binder that recycle brings (RBR); None with no binder at all."""
        return self.recycle_binder / self.binder if self.binder > 0.0 else None


def dry_rate(wet: float, moisture: float) -> float:
    """Take the water off.

    Args:
        wet: [kg/s] or [kg] Wet material.
        moisture: Water as a fraction of DRY mass (AASHTO T 255).
    """
    return wet / (1.0 + moisture)


def virgin_binder_for(dry_total: float, recycle_binder: float, total_binder_content: float) -> float:
    """Return the virgin binder that a job mix formula asks for.

    Args:
        dry_total: [kg/s] or [kg] All dry streams, recycle with its binder.
        recycle_binder: [kg/s] or [kg] Binder within it.
        total_binder_content: Total binder as a fraction of the mix without rubber. Below 1.
    """
    return max(0.0, binder_short(dry_total, recycle_binder, total_binder_content))


def binder_short(dry_total: float, recycle_binder: float, total_binder_content: float) -> float:
    """Return what a job mix formula asks for beyond the recycle's binder; negative where that is more than it wants."""
    # Bt = Pb * (dry_total + Bv) and Bt = Bv + recycle_binder, solved for Bv.
    return (total_binder_content * dry_total - recycle_binder) / (1.0 - total_binder_content)


def base_of(basis: DoseBasis, mix: Mix) -> float:
    """Return what the rubber is related to, before the rubber itself is counted."""
    match basis:
        case DoseBasis.TOTAL_MIX | DoseBasis.ADDED_TO_MIX:
            return mix.total
        case DoseBasis.TOTAL_BINDER | DoseBasis.BINDER_RUBBER_BLEND:
            return mix.binder
        case DoseBasis.VIRGIN_BINDER:
            return mix.virgin_binder
        case DoseBasis.DRY_AGGREGATE:
            return mix.dry_aggregate


def counts_rubber(basis: DoseBasis) -> bool:
    """Tell whether the rubber is part of its own base."""
    return basis in (DoseBasis.TOTAL_MIX, DoseBasis.BINDER_RUBBER_BLEND)


def ratio_of(basis: DoseBasis, dose: float) -> float:
    """Return rubber per part of `base_of`: the factor that makes a dose a rate.

    Args:
        basis: What the dose is a share of.
        dose: Fraction, 0 <= dose < 1.
    """
    return dose / (1.0 - dose) if counts_rubber(basis) else dose


def rubber_for(basis: DoseBasis, dose: float, mix: Mix) -> float:
    """Return the rubber that a dose asks for, in the unit of `mix`."""
    return ratio_of(basis, dose) * base_of(basis, mix)


def dose_of(basis: DoseBasis, rubber: float, mix: Mix) -> float | None:
    """Return the dose that an amount of rubber makes; None where there is nothing to relate it to."""
    whole = base_of(basis, mix) + (rubber if counts_rubber(basis) else 0.0)
    return rubber / whole if whole > 0.0 else None


def from_lb_per_short_ton(pounds: float) -> float:
    """Convert pounds of rubber per short ton of mix to a fraction (which mix, the basis says)."""
    return pounds / LB_PER_SHORT_TON


def to_lb_per_short_ton(dose: float) -> float:
    """Convert a fraction to pounds per short ton of the same mix."""
    return dose * LB_PER_SHORT_TON


def from_kg_per_tonne(kilograms: float) -> float:
    """Convert kilograms of rubber per tonne of mix to a fraction."""
    return kilograms / KG_PER_TONNE


def to_kg_per_tonne(dose: float) -> float:
    """Convert a fraction to kilograms per tonne of the same mix."""
    return dose * KG_PER_TONNE
