"""A quantity of mix on its way from the drum to a truck: a parcel, or a part of one, cut so that no gram is lost.

Cut at so many grams of mix, the head holds exactly these: its aggregate, recycle, binder and rubber are their shares,
rounded by largest remainder. The rest is what is left, so that both together are the whole in every mass.
"""

from crumbmeter.model.frozen import dataclass
from crumbmeter.qc.booked import Booked


@dataclass(frozen=True, slots=True)
class Masses:
    """What a portion is made of. All whole grams; all add."""

    dry_aggregate_g: int = 0
    recycle_g: int = 0
    virgin_binder_g: int = 0
    rubber_g: int = 0
    unknown_g: int = 0
    """[g] Mix of which nobody knows what is in it: a silo's opening content."""
    recycle_binder_g: int = 0
    """[g] Part of `recycle_g`."""
    target_rubber_g: int = 0
    rubber_uncertainty_g: int = 0
    """[g] Standard uncertainty of `rubber_g`, as if all parts erred together: the sum of those of its parts."""

    @property
    def mix_g(self) -> int:
        """[g] All of it."""
        return self.dry_aggregate_g + self.recycle_g + self.virgin_binder_g + self.rubber_g + self.unknown_g

    def __add__(self, other: "Masses") -> "Masses":
        return Masses(
            self.dry_aggregate_g + other.dry_aggregate_g,
            self.recycle_g + other.recycle_g,
            self.virgin_binder_g + other.virgin_binder_g,
            self.rubber_g + other.rubber_g,
            self.unknown_g + other.unknown_g,
            self.recycle_binder_g + other.recycle_binder_g,
            self.target_rubber_g + other.target_rubber_g,
            self.rubber_uncertainty_g + other.rubber_uncertainty_g,
        )

    def __sub__(self, other: "Masses") -> "Masses":
        return Masses(
            self.dry_aggregate_g - other.dry_aggregate_g,
            self.recycle_g - other.recycle_g,
            self.virgin_binder_g - other.virgin_binder_g,
            self.rubber_g - other.rubber_g,
            self.unknown_g - other.unknown_g,
            self.recycle_binder_g - other.recycle_binder_g,
            self.target_rubber_g - other.target_rubber_g,
            self.rubber_uncertainty_g - other.rubber_uncertainty_g,
        )


NOTHING = Masses()


@dataclass(frozen=True, slots=True)
class Portion:
    """Mix of one parcel that stays together."""

    masses: Masses
    mix_g: int
    """[g] Of `masses`, kept because it is asked for most."""
    arrived_us: int
    """[us] UTC at which its first mass was at the silo, or at the truck."""
    source: Booked | None
    """The parcel; None: of unknown origin."""
    loose: bool = False
    """Whether it is only said to be possibly here: its mass counts nowhere, and `mix_g` is how much it may be."""

    @property
    def seq(self) -> int:
        """Its parcel's entry in the plant's record; 0: of unknown origin."""
        return 0 if self.source is None else self.source.seq


def of_parcel(booked: Booked, arrived_us: int) -> Portion:
    """Take a whole parcel."""
    parcel = booked.parcel
    masses = Masses(
        parcel.dry_aggregate_g,
        parcel.recycle_g,
        parcel.virgin_binder_g,
        parcel.rubber_g,
        0,
        parcel.recycle_binder_g,
        parcel.target_rubber_g,
        parcel.rubber_uncertainty_g,
    )
    return Portion(masses, masses.mix_g, arrived_us, booked)


def unknown(mix_g: int, arrived_us: int) -> Portion:
    """Take mix of unknown origin."""
    return Portion(Masses(unknown_g=mix_g), mix_g, arrived_us, None)


def cut(portion: Portion, head_g: int, rest_arrived_us: int | None = None) -> tuple[Portion, Portion]:
    """Cut a portion in two.

    Args:
        portion: What is cut.
        head_g: [g] Mix in the first part; between 0 and all of it.
        rest_arrived_us: [us] Arrival of the second part; None: as the first.

    Raises:
        ValueError: more than there is, or less than nothing.
    """
    if not 0 <= head_g <= portion.mix_g:
        raise ValueError(f"{head_g} g cannot be cut off {portion.mix_g} g of mix")
    masses = portion.masses
    head = _head(masses, head_g, portion.mix_g)
    later_us = portion.arrived_us if rest_arrived_us is None else rest_arrived_us
    return (
        Portion(head, head_g, portion.arrived_us, portion.source),
        Portion(masses - head, portion.mix_g - head_g, later_us, portion.source),
    )


def _head(masses: Masses, head_g: int, whole_g: int) -> Masses:
    if head_g == whole_g:
        return masses
    if head_g == 0:
        return NOTHING
    parts = (masses.dry_aggregate_g, masses.recycle_g, masses.virgin_binder_g, masses.rubber_g, masses.unknown_g)
    dry_g, recycle_g, virgin_g, rubber_g, unknown_g = shared_out(head_g, parts)
    return Masses(
        dry_g,
        recycle_g,
        virgin_g,
        rubber_g,
        unknown_g,
        masses.recycle_binder_g * recycle_g // masses.recycle_g if masses.recycle_g else 0,
        masses.target_rubber_g * head_g // whole_g,
        masses.rubber_uncertainty_g * head_g // whole_g,
    )


def shared_out(total: int, weights: tuple[int, ...]) -> tuple[int, ...]:
    """Share out a whole number by weights, by largest remainder: the shares add up to it exactly.

    Of equal remainders the first one gets more. While the total is not above the sum of the weights no share is above
    its weight.

    Raises:
        ValueError: there is something to share out and no weight.
    """
    of_all = sum(weights)
    if of_all <= 0:
        if total:
            raise ValueError(f"{total} cannot be shared out by weights that are all 0")
        return tuple(0 for _ in weights)
    shares = [total * weight // of_all for weight in weights]
    left = total - sum(shares)
    if left:
        order = sorted(range(len(weights)), key=lambda at: -(total * weights[at] % of_all))
        for at in order[:left]:
            shares[at] += 1
    return tuple(shares)
