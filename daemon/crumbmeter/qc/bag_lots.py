"""Which bag lots are in which parcels: first in, first out through supply hopper and weigh hopper, with what they mix.

As in a silo (`qc.outflow`) all rubber lies on one axis, in the order in which it is fed: what the hoppers held at
first, then bag after bag. A parcel takes its rubber in turn, waste and catch tests theirs. What lies within the mixing
mass around a parcel's place, widened by how far the books are out, is possibly in it; where all of that is of one lot,
it is surely that lot. Books that are out are taken for scales that differ; a bag that nobody entered is what the mass
balance is there to find (`qc.rubber_accounts`).
"""

from bisect import bisect_right
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from math import ceil

from crumbmeter.qc.booked import Booked
from crumbmeter.qc.rubber_entries import TAKEN_OUT, BagLoad, RubberEntry
from crumbmeter.qc.tracing import Seqs, runs_of

UNKNOWN_LOT = ""
"""Rubber of which nobody knows the lot."""


@dataclass(frozen=True, slots=True)
class Supply:
    """The hoppers between bags and auger."""

    mixing_g: int
    """[g] Stated: rubber may be fed by so much sooner or later than first-in-first-out would have it."""
    opening: tuple[tuple[str, int], ...] = ()
    """Lot and mass [g] of what they held at first, the oldest first."""
    opening_within_g: int = 0
    """[g] Half-width of that content."""
    closing_g: int | None = None
    """[g] What they held at the end; None: nobody read it."""
    mismatch_share: float = 0.0
    """How far bags and feeder may differ, as a share of what was fed since the beginning."""


@dataclass(frozen=True, slots=True)
class LotUse:
    """What became of one bag lot."""

    lot: str
    bags: int
    loaded_g: int
    """[g] In its bags, and in the hoppers at first."""
    in_parcels_g: int
    """[g] Nominally in parcels."""
    taken_out_g: int
    """[g] Nominally in waste, losses and catch tests."""
    left_g: int
    """[g] Nominally still in the hoppers. The three add up to `loaded_g`."""
    surely: tuple[Booked, ...]
    """Parcels whose rubber is all of it."""
    possibly: tuple[Booked, ...]
    """Parcels, these not among them, that may have rubber of it."""

    @property
    def surely_runs(self) -> tuple[Seqs, ...]:
        """Return first and last sequence of each run of `surely`."""
        return runs_of(self.surely)

    @property
    def all_runs(self) -> tuple[Seqs, ...]:
        """Return those of all parcels that may have some."""
        return runs_of([*self.surely, *self.possibly])


@dataclass(slots=True)
class _Taken:
    """What a parcel, or what was taken out, took of the axis."""

    booked: Booked | None
    from_g: int
    to_g: int
    came_g: int
    """[g] End of what had been loaded by then."""


@dataclass(slots=True)
class LotsInMix:
    """The lots of some shifts, ready to be asked. `lots_in_mix` makes it."""

    supply: Supply
    lots: list[str] = field(default_factory=list)
    """Lot of each piece of the axis."""
    ends_g: list[int] = field(default_factory=list)
    """[g] Where on the axis each of them ends."""
    taken: list[_Taken] = field(default_factory=list)
    short_g: int = 0
    """[g] Fed, or taken out, while the books held no rubber: of unknown lot."""
    out_g: int = 0
    bags: list[BagLoad] = field(default_factory=list)

    @property
    def left_g(self) -> int:
        """[g] Return what the books still hold."""
        return (self.ends_g[-1] if self.ends_g else 0) - self.out_g

    @property
    def mismatch_g(self) -> int | None:
        """[g] Return how much more was loaded than fed; None: nobody read what was left."""
        return None if self.supply.closing_g is None else self.left_g - self.supply.closing_g - self.short_g

    def left(self) -> tuple[tuple[str, int], ...]:
        """Return lot and mass [g] of what the hoppers hold: the opening of the next shift."""
        return tuple(self._pieces(self.out_g, self.out_g + self.left_g))

    def use_of(self, lot: str) -> LotUse:
        """Say what became of a lot."""
        parcels_g = taken_out_g = 0
        surely: list[Booked] = []
        possibly: list[Booked] = []
        for taken in self.taken:
            nominal_g = self._of(lot, taken.from_g, taken.to_g)
            if taken.booked is None:
                taken_out_g += nominal_g
                continue
            parcels_g += nominal_g
            from_g, to_g = self._reach(taken)
            within_g = self._of(lot, from_g, to_g)
            rubber_g = taken.booked.parcel.rubber_g
            if within_g and rubber_g:
                alone = within_g == to_g - from_g and self._clear(taken, rubber_g)
                (surely if alone else possibly).append(taken.booked)
        bags = [bag for bag in self.bags if bag.lot == lot]
        loaded_g = sum(bag.mass_g for bag in bags) + sum(mass_g for name, mass_g in self.supply.opening if name == lot)
        left_g = self._of(lot, self.out_g, self.out_g + self.left_g)
        return LotUse(lot, len(bags), loaded_g, parcels_g, taken_out_g, left_g, tuple(surely), tuple(possibly))

    def lots_of(self, from_seq: int, through_seq: int) -> tuple[str, ...]:
        """Name all lots that may be in the parcels of a range of sequences, the oldest first."""
        found: dict[str, None] = {}
        for taken in self.taken:
            if taken.booked is not None and from_seq <= taken.booked.seq <= through_seq:
                found |= dict.fromkeys(lot for lot, _ in self._pieces(*self._reach(taken)))
        return tuple(found)

    def load(self, lot: str, mass_g: int) -> None:
        """Put rubber behind all that is there."""
        if mass_g > 0:
            self.lots.append(lot)
            self.ends_g.append((self.ends_g[-1] if self.ends_g else 0) + mass_g)

    def take(self, booked: Booked | None, wanted_g: int) -> None:
        """Take the oldest rubber."""
        taken_g = min(wanted_g, self.left_g)
        came_g = self.out_g + self.left_g
        self.taken.append(_Taken(booked, self.out_g, self.out_g + taken_g, came_g))
        self.out_g += taken_g
        self.short_g += wanted_g - taken_g

    def _early_g(self) -> int:
        more_g = 0 if self.supply.closing_g is None else max(0, self.supply.closing_g - self.left_g)
        return self.short_g + more_g + self.supply.opening_within_g

    def _late_g(self) -> int:
        more_g = 0 if self.supply.closing_g is None else max(0, self.left_g - self.supply.closing_g)
        return more_g + self.supply.opening_within_g

    def _band_g(self, taken: _Taken) -> int:
        return self.supply.mixing_g + ceil(self.supply.mismatch_share * taken.to_g)

    def _clear(self, taken: _Taken, rubber_g: int) -> bool:
        """Tell whether a parcel is all on the axis, and clear of what lay in front of a content that is not exact."""
        in_front = taken.from_g < self._band_g(taken) + self._early_g()
        return taken.to_g - taken.from_g == rubber_g and not (in_front and self.supply.opening_within_g)

    def _reach(self, taken: _Taken) -> tuple[int, int]:
        band_g = self._band_g(taken)
        from_g = max(0, taken.from_g - band_g - self._early_g())
        return from_g, max(taken.to_g, min(taken.came_g, taken.to_g + band_g + self._late_g()))

    def _pieces(self, from_g: int, to_g: int) -> Iterator[tuple[str, int]]:
        """Yield lot and mass of a stretch of the axis."""
        at = bisect_right(self.ends_g, from_g)
        while from_g < to_g and at < len(self.ends_g):
            until_g = min(to_g, self.ends_g[at])
            yield self.lots[at], until_g - from_g
            from_g = until_g
            at += 1

    def _of(self, lot: str, from_g: int, to_g: int) -> int:
        """[g] Return how much of a stretch is of a lot."""
        return sum(mass_g for name, mass_g in self._pieces(from_g, to_g) if name == lot)


def lots_in_mix(
    parcels: Iterable[Booked], bags: Sequence[BagLoad], entries: Iterable[RubberEntry], supply: Supply
) -> LotsInMix:
    """Follow bags through the hoppers into parcels.

    Args:
        parcels: In the order of the record, from the moment for which `supply.opening` holds. Their rubber was fed some
            minutes before they left the drum; their order is that of feeding all the same.
        bags: In the order they were emptied.
        entries: Of these, waste, losses and catch tests are taken out in their turn.
        supply: The hoppers.
    """
    made = LotsInMix(supply, bags=list(bags))
    for lot, mass_g in supply.opening:
        made.load(lot, mass_g)
    gone = sorted((one for one in entries if one.word in TAKEN_OUT), key=lambda one: (one.at_us, one.seq))
    waiting, leaving = iter([*bags, None]), iter([*gone, None])
    bag, out = next(waiting), next(leaving)
    for booked in parcels:
        while bag is not None and bag.loaded_us <= booked.ended_us:
            made.load(bag.lot, bag.mass_g)
            bag = next(waiting)
        while out is not None and out.at_us <= booked.ended_us:
            made.take(None, out.mass_g)
            out = next(leaving)
        made.take(booked, booked.parcel.rubber_g)
    while bag is not None:
        made.load(bag.lot, bag.mass_g)
        bag = next(waiting)
    while out is not None:
        made.take(None, out.mass_g)
        out = next(leaving)
    return made
