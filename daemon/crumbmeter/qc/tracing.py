"""Which trucks carry a deviation, surely or possibly, and what dose a ticket has.

Of a deviation D, of a ticket T on the axis of its silo, of its possible reach P and of its core C (`qc.outflow`):

    surely    max(0, |D in C|, |T| - |P without D| - foreign)      in it however the silo mixed within its band
    nominally |D in T|                                             first in, first out
    at most   min(net, |D in P|, net - |C without D|)              more cannot be in it

Own derivation. A gram that lies in C leaves with T even if it moved by the whole band. T is filled out of P (and of
foreign mix) alone: where P holds less of anything else than T takes, the rest must be D. `Mark.SURELY` says that some
of D is in the ticket for certain, not that all of the ticket is D.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Mapping, Sequence
from enum import StrEnum
from itertools import accumulate
from math import ceil, floor, hypot, sqrt

from crumbmeter.model.frozen import dataclass
from crumbmeter.model.quality import Quality
from crumbmeter.qc.booked import Booked
from crumbmeter.qc.outflow import Load, Outflow, Reach
from crumbmeter.qc.portions import NOTHING, Masses, Portion
from crumbmeter.qc.tickets import Ticket

Seqs = tuple[int, int]
"""First and last sequence of a run of parcels, both part of it."""


class UnknownTicketError(LookupError):
    """No such ticket in what was read; look at its number, and whether it is void."""


class Mark(StrEnum):
    """Whether a ticket carries some of a deviation."""

    SURELY = "surely"
    POSSIBLY = "possibly"


@dataclass(frozen=True, slots=True)
class Touched:
    """One ticket that a deviation may have got into. All masses are mix of the deviation."""

    ticket: Ticket
    mark: Mark
    surely_g: int
    nominal: Masses
    """First in, first out; these add up to the deviation over all tickets and what is left."""
    most_g: int


@dataclass(frozen=True, slots=True)
class DeviationTrace:
    """Where the mix of a deviation went."""

    tickets: tuple[Touched, ...]
    """By the end of loading."""
    in_silos: Mapping[str, Masses]
    """Nominally still in each silo."""
    written_off: Masses
    anywhere: Masses
    """Came while the diverter's position was not known; it is possibly in the tickets that say so, and in no sum."""
    on_the_way: Masses

    def of(self, mark: Mark) -> tuple[Touched, ...]:
        """Return the tickets of one mark."""
        return tuple(one for one in self.tickets if one.mark is mark)

    @property
    def mix_g(self) -> int:
        """[g] Return all of its mix: on tickets, in silos and elsewhere."""
        parts = [one.nominal for one in self.tickets]
        parts += [*self.in_silos.values(), self.written_off, self.anywhere, self.on_the_way]
        return sum(part.mix_g for part in parts)


@dataclass(frozen=True, slots=True)
class TicketDose:
    """What rubber a ticket carries, nominally, with its uncertainty."""

    ticket: Ticket
    masses: Masses
    """Of the mix whose parcels are known."""
    unknown_g: int
    """[g] Of its net mass, of which no parcel is known: nothing here speaks for that."""
    dose: float | None
    """Rubber per mix, as a fraction; None: no parcel is known."""
    target: float | None
    lowest: float | None
    """The smallest dose that a load of this mass can have within the ticket's reach."""
    highest: float | None
    weighing_uncertainty: float
    """Standard uncertainty of the dose by the feeder's weighing, its parcels erring together."""
    mixing_uncertainty: float
    """Standard uncertainty by the silo: rectangular between lowest and highest (JCGM 100, 4.3.7)."""
    foreign_g: int
    """[g] Mix of no known place that may be in it instead; not part of the uncertainty."""
    seqs: tuple[Seqs, ...]
    """Its parcels, nominally."""
    in_silo_least_s: float
    in_silo_most_s: float
    quality: Quality
    """Worst of its parcels; Bad where none is known."""
    simulated: bool

    @property
    def uncertainty(self) -> float:
        """Return the combined standard uncertainty of the dose (k = 1), as a fraction of mix."""
        return hypot(self.weighing_uncertainty, self.mixing_uncertainty)


class Trace:
    """The outflow of some hours, made ready to be asked."""

    def __init__(self, outflow: Outflow) -> None:
        self.outflow = outflow
        self.loads = {load.ticket.number: load for load in outflow.loads}
        self.ends_g = {silo_id: _added(axis, _mix_g) for silo_id, axis in outflow.axes.items()}
        """[g] Where each portion of an axis ends."""

    def still_in(self, silo_id: str) -> tuple[Portion, ...]:
        """Return what is still in a silo."""
        ends_g = self.ends_g[silo_id]
        out_g = (ends_g[-1] if ends_g else 0) - self.outflow.left_g[silo_id]
        behind = self.outflow.axes[silo_id][bisect_right(ends_g, out_g) :]
        return tuple(one for one in behind if not one.loose)


class _Deviation:
    """The parcels of a deviation on the axes of the silos."""

    def __init__(self, trace: Trace, runs: Sequence[Seqs]) -> None:
        self._runs = sorted(runs)
        self._firsts = [first for first, _ in self._runs]
        axes = trace.outflow.axes
        self._sums = {
            silo_id: _Stairs(0, [(_mix_g(one), self._inside_g(one)) for one in axis]) for silo_id, axis in axes.items()
        }
        self._loose = {
            silo_id: [
                (end_g, one.mix_g)
                for end_g, one in zip(trace.ends_g[silo_id], axis, strict=True)
                if one.loose and self.holds(one)
            ]
            for silo_id, axis in axes.items()
        }

    def holds(self, portion: Portion) -> bool:
        at = bisect_right(self._firsts, portion.seq)
        return portion.source is not None and at > 0 and portion.seq <= self._runs[at - 1][1]

    def of(self, portions: Sequence[Portion]) -> Masses:
        return _sum_of([one for one in portions if self.holds(one)])

    def between(self, silo_id: str, from_g: int, to_g: int) -> float:
        """[g] Return its mix on a stretch of an axis."""
        if to_g <= from_g:
            return 0.0
        return self._sums[silo_id].at(to_g) - self._sums[silo_id].at(from_g)

    def perhaps(self, reach: Reach) -> int:
        """[g] Return its mix that may have come in within a reach, and is on no axis."""
        found = self._loose[reach.silo_id]
        return sum(mix_g for at_g, mix_g in found if reach.possible_from_g <= at_g <= reach.possible_to_g)

    def _inside_g(self, portion: Portion) -> int:
        return portion.mix_g if not portion.loose and self.holds(portion) else 0


def trace_deviation(trace: Trace, runs: Sequence[Seqs]) -> DeviationTrace:
    """Say which tickets carry mix of a deviation.

    Args:
        trace: What left the silos from before its parcels were made until they were gone.
        runs: Its parcels; runs do not overlap.
    """
    deviation = _Deviation(trace, runs)
    outflow = trace.outflow
    touched = [_touched(load, deviation) for load in outflow.loads]
    return DeviationTrace(
        tuple(one for one in touched if one is not None),
        {silo_id: deviation.of(trace.still_in(silo_id)) for silo_id in outflow.axes},
        deviation.of(outflow.written_off),
        deviation.of(outflow.anywhere),
        deviation.of(outflow.on_the_way),
    )


def _touched(load: Load, deviation: _Deviation) -> Touched | None:
    surely_g, most_g = 0, 0
    for reach in load.reaches:
        silo_id = reach.silo_id
        within_g = deviation.between(silo_id, reach.possible_from_g, reach.possible_to_g)
        core_g = max(0, reach.core_to_g - reach.core_from_g)
        in_core_g = deviation.between(silo_id, reach.core_from_g, reach.core_to_g)
        others_g = reach.possible_to_g - reach.possible_from_g - within_g + reach.foreign_g
        surely_g = max(surely_g, floor(in_core_g), floor(reach.to_g - reach.from_g - others_g))
        most_g += max(0, ceil(min(within_g + deviation.perhaps(reach), load.ticket.net_g - core_g + in_core_g)))
    nominal = deviation.of(load.pieces)
    most_g = max(min(most_g, load.ticket.net_g), nominal.mix_g)
    if not most_g:
        return None
    surely_g = min(surely_g, most_g)
    return Touched(load.ticket, Mark.SURELY if surely_g else Mark.POSSIBLY, surely_g, nominal, most_g)


def dose_of_ticket(trace: Trace, number: str) -> TicketDose:
    """Say what rubber a ticket carries.

    Raises:
        UnknownTicketError: it is not among those that were read.
    """
    load = trace.loads.get(number)
    if load is None:
        raise UnknownTicketError(f"no ticket {number!r} in the hours that were read; look at its number and time")
    known = [(one, one.source) for one in load.pieces if one.source is not None]
    masses = _sum_of([one for one, _ in known])
    mix_g = masses.mix_g
    dose = masses.rubber_g / mix_g if mix_g else None
    doses = [] if dose is None else [dose, *_doses_within(trace, load)]
    widest = 0.0 if dose is None else max(max(doses) - dose, dose - min(doses))
    waits_s = [max(0.0, (load.ticket.loaded_us - one.arrived_us) / 1e6) for one, _ in known]
    return TicketDose(
        ticket=load.ticket,
        masses=masses,
        unknown_g=load.ticket.net_g - mix_g,
        dose=dose,
        target=masses.target_rubber_g / mix_g if mix_g else None,
        lowest=min(doses, default=None),
        highest=max(doses, default=None),
        weighing_uncertainty=masses.rubber_uncertainty_g * (mix_g - masses.rubber_g) / mix_g**2 if mix_g else 0.0,
        mixing_uncertainty=widest / sqrt(3.0),
        foreign_g=max((one.foreign_g for one in load.reaches), default=0),
        seqs=runs_of([source for _, source in known]),
        in_silo_least_s=min(waits_s, default=0.0),
        in_silo_most_s=max(waits_s, default=0.0),
        quality=min((source.parcel.quality for _, source in known), default=Quality.BAD),
        simulated=any(source.parcel.simulated for _, source in known),
    )


def _doses_within(trace: Trace, load: Load) -> list[float]:
    """Return the doses of all loads of this mass within the reach that can be the extreme ones.

    The dose of a load that is moved along the axis goes one way between two places at which one of its ends meets the
    end of a portion; so the extremes are at such places.
    """
    found = []
    for reach in load.reaches:
        axis, ends_g = trace.outflow.axes[reach.silo_id], trace.ends_g[reach.silo_id]
        long_g, last_g = reach.to_g - reach.from_g, reach.possible_to_g
        near = range(bisect_left(ends_g, reach.possible_from_g), min(len(axis), bisect_left(ends_g, last_g) + 1))
        base_g = ends_g[near.start - 1] if near.start else 0
        rubber = _Stairs(base_g, [(axis[at].mix_g, axis[at].masses.rubber_g) for at in near if not axis[at].loose])
        known = _Stairs(base_g, [(axis[at].mix_g, _known_g(axis[at])) for at in near if not axis[at].loose])
        places = {reach.possible_from_g, last_g - long_g}
        places |= {ends_g[at] for at in near} | {ends_g[at] - long_g for at in near}
        for from_g in places:
            if reach.possible_from_g <= from_g <= last_g - long_g:
                mix_g = known.at(from_g + long_g) - known.at(from_g)
                if mix_g > 0.0:
                    found.append((rubber.at(from_g + long_g) - rubber.at(from_g)) / mix_g)
    return found


class _Stairs:
    """A sum along an axis, even within each portion."""

    def __init__(self, base_g: int, steps: Sequence[tuple[int, int]]) -> None:
        self._ends_g = list(accumulate((long_g for long_g, _ in steps), initial=base_g))
        self._sums = list(accumulate((amount for _, amount in steps), initial=0))

    def at(self, at_g: int) -> float:
        right = min(max(1, bisect_left(self._ends_g, at_g)), len(self._ends_g) - 1)
        if not right:
            return 0.0  # nothing lies on this axis
        from_g, lasts_g = self._ends_g[right - 1], self._ends_g[right] - self._ends_g[right - 1]
        share = (at_g - from_g) / lasts_g if lasts_g else 0.0
        return self._sums[right - 1] + (self._sums[right] - self._sums[right - 1]) * share


def runs_of(parcels: Sequence[Booked]) -> tuple[Seqs, ...]:
    """Gather parcels into runs of those that follow each other by number: first and last sequence of each."""
    runs: list[Seqs] = []
    number = 0
    for one in sorted({one.seq: one for one in parcels}.values(), key=lambda booked: booked.seq):
        follows = bool(runs) and one.parcel.number == number + 1
        runs[-1:] = [(runs[-1][0], one.seq)] if follows else [*runs[-1:], (one.seq, one.seq)]
        number = one.parcel.number
    return tuple(runs)


def _mix_g(portion: Portion) -> int:
    return 0 if portion.loose else portion.mix_g


def _known_g(portion: Portion) -> int:
    return 0 if portion.source is None else portion.mix_g


def _added(axis: Sequence[Portion], amount: Callable[[Portion], int]) -> list[int]:
    return list(accumulate(amount(one) for one in axis))


def _sum_of(portions: Sequence[Portion]) -> Masses:
    return sum((one.masses for one in portions), NOTHING)
