"""The recall of a bag lot: which parcels, mix lots, tickets and projects have it, surely or possibly."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from crumbmeter.qc.bag_lots import LotsInMix, LotUse
from crumbmeter.qc.booked import Booked
from crumbmeter.qc.tracing import Mark, Touched, Trace, trace_deviation


@dataclass(frozen=True, slots=True)
class MixLot:
    """A lot of mix that a recall reaches."""

    lot_id: str
    mark: Mark
    """Surely: at least one of its parcels has nothing but this rubber."""
    mix_g: int
    """[g] Mix of its parcels that may have some."""
    rubber_g: int
    """[g] All rubber in these parcels, of this lot or not."""


@dataclass(frozen=True, slots=True)
class RecalledTicket:
    """A ticket that a recall reaches."""

    touched: Touched
    """By all parcels that may have rubber of the lot."""
    mark: Mark
    """Surely: mix of a parcel that surely has it is surely in the ticket."""


@dataclass(frozen=True, slots=True)
class Recall:
    """All that a bag lot got into."""

    use: LotUse
    surely_mix_g: int
    """[g] Mix of the parcels whose rubber is all of the lot."""
    possibly_mix_g: int
    """[g] Mix of the others that may have some."""
    mix_lots: tuple[MixLot, ...]
    tickets: tuple[RecalledTicket, ...]
    in_silos_g: int
    """[g] Mix of these parcels that is nominally still in silos: it can be held back."""
    simulated: bool
    """Whether any of these parcels is simulated."""

    def projects(self, mark: Mark) -> tuple[str, ...]:
        """Name the projects that have tickets of a mark; those named surely are not named possibly again."""
        sure = {one.touched.ticket.project for one in self.tickets if one.mark is Mark.SURELY}
        every = {one.touched.ticket.project for one in self.tickets}
        return tuple(sorted(sure if mark is Mark.SURELY else every - sure))


def recall(lot: str, in_mix: LotsInMix, trace: Trace, mix_lot_of: Callable[[Booked], str]) -> Recall:
    """Recall one bag lot.

    Args:
        lot: The bag lot.
        in_mix: Bags in parcels, over all the time in which the lot can have been fed.
        trace: Parcels in tickets, until the last of these parcels had left its silo.
        mix_lot_of: Returns the id of the mix lot of a parcel.
    """
    use = in_mix.use_of(lot)
    every = (*use.surely, *use.possibly)
    sure = {one.ticket.number for one in trace_deviation(trace, use.surely_runs).of(Mark.SURELY)}
    found = trace_deviation(trace, use.all_runs)
    tickets = [
        RecalledTicket(one, Mark.SURELY if one.ticket.number in sure else Mark.POSSIBLY) for one in found.tickets
    ]
    return Recall(
        use,
        sum(one.parcel.mix_g for one in use.surely),
        sum(one.parcel.mix_g for one in use.possibly),
        _mix_lots(use, mix_lot_of),
        tuple(tickets),
        sum(masses.mix_g for masses in found.in_silos.values()),
        any(one.parcel.simulated for one in every),
    )


def _mix_lots(use: LotUse, mix_lot_of: Callable[[Booked], str]) -> tuple[MixLot, ...]:
    found: dict[str, MixLot] = {}
    for mark, parcels in ((Mark.SURELY, use.surely), (Mark.POSSIBLY, use.possibly)):
        for one in _by_sequence(parcels):
            lot_id = mix_lot_of(one)
            had = found.get(lot_id, MixLot(lot_id, mark, 0, 0))
            found[lot_id] = MixLot(lot_id, had.mark, had.mix_g + one.parcel.mix_g, had.rubber_g + one.parcel.rubber_g)
    return tuple(found.values())


def _by_sequence(parcels: Iterable[Booked]) -> list[Booked]:
    return sorted(parcels, key=lambda one: one.seq)
