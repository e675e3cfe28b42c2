"""The rubber account of a shift: all that came in with bags against all that the feeder says went out.

    opening + bags - fed - caught - waste - losses - dumped - closing = residual          [g]

Uncertainty by causes, each with all that it does to the residual at once (JCGM 100, 5.2.2, note 1): n bags of one scale
have n times the bias of one, and sqrt(n) times what each has by itself; the span of the weigh hopper is in the fed
total and in that hopper's own change, with the same sign. Causes are independent and add in squares.
"""

from collections.abc import Iterable, Mapping, Sequence
from enum import StrEnum
from math import hypot, sqrt

from crumbmeter.model.frozen import dataclass
from crumbmeter.qc.rubber_entries import TAKEN_OUT, BagLoad, BagLot, RubberEntry

COVERAGE = 2.0
"""Coverage factor of the verdict (JCGM 100, 6.3.3)."""


@dataclass(frozen=True, slots=True)
class Assumed:
    """Half-widths for what nobody stated, as shares of the mass: those of the site's [uncertainty]."""

    bag: float
    """Of a bag, shared by all of its scale."""
    taken_out: float
    """Of waste, losses and catch tests."""


@dataclass(frozen=True, slots=True)
class Fed:
    """What went into the mix by the feeder."""

    rubber_g: int
    """[g] Of all parcels of the shift."""
    weighing_g: float
    """[g] Standard uncertainty without the span (`ledger.period`: `weighing_kg`)."""
    span_share: float = 0.0
    """Standard uncertainty of the weigh hopper's span, as a share."""
    on_the_way_g: float = 0.0
    """[g] Half-width of what line and drum may hold more or less at the end than at the beginning."""
    dumped_g: int = 0
    """[g] In mix that was dumped out of the drum and is in no parcel."""
    parcels: int = 0


@dataclass(frozen=True, slots=True)
class Hopper:
    """What one hopper held at both ends."""

    name: str
    opening_g: int | None
    """[g] None: nobody knows."""
    closing_g: int | None
    within_g: float = 0.0
    """[g] Half-width of each of the two, independent of the other."""
    span_share: float = 0.0
    """Standard uncertainty of its scale's span, as a share of the change."""
    feeds: bool = False
    """Whether it is the feeder's own weigh hopper: its span is that of the fed total."""


class Verdict(StrEnum):
    """What the account says."""

    AGREE = "bags and feeder agree"
    BAGS_MORE = "more came with the bags than the feeder says went out"
    FEEDER_MORE = "the feeder says more went out than came with the bags"
    NOTHING_TO_COMPARE = "no bags and no feeding"


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the account."""

    name: str
    mass_g: int
    """[g] With its sign in the residual."""
    count: int
    """Bags or entries."""
    told: str
    """Where its uncertainty comes from."""


@dataclass(frozen=True, slots=True)
class Cause:
    """One cause of uncertainty."""

    name: str
    contribution_g: float
    """[g] What one standard deviation of it does to the residual: that of a `Component` of `estimation.gum`."""
    stated: bool = True


@dataclass(frozen=True, slots=True)
class RubberAccount:
    """A shift's account."""

    lines: tuple[Line, ...]
    causes: tuple[Cause, ...]
    """The largest first."""
    bags_g: int
    fed_g: int
    notes: tuple[str, ...]

    @property
    def residual_g(self) -> int:
        """[g] Return how much more came in than went out: exact, the sum of its lines."""
        return sum(line.mass_g for line in self.lines)

    @property
    def uncertainty_g(self) -> float:
        """[g] Return the combined standard uncertainty of the residual (k = 1)."""
        return hypot(*(cause.contribution_g for cause in self.causes))

    @property
    def expanded_g(self) -> float:
        """[g] Return the expanded uncertainty (k = 2)."""
        return COVERAGE * self.uncertainty_g

    @property
    def residual_share(self) -> float | None:
        """Return the residual as a share of what was fed."""
        return self.residual_g / self.fed_g if self.fed_g else None

    @property
    def verdict(self) -> Verdict:
        """Say whether both sides agree within the expanded uncertainty."""
        if not self.bags_g and not self.fed_g:
            return Verdict.NOTHING_TO_COMPARE
        if abs(self.residual_g) <= self.expanded_g:
            return Verdict.AGREE
        return Verdict.BAGS_MORE if self.residual_g > 0 else Verdict.FEEDER_MORE


def mass_balance(
    bags: Sequence[BagLoad], lots: Mapping[str, BagLot], fed: Fed, hoppers: Sequence[Hopper],
    entries: Iterable[RubberEntry], assumed: Assumed,
) -> RubberAccount:  # fmt: skip
    """Balance a shift.

    Args:
        bags: Emptied in it.
        lots: What is known of their lots; a bag of another lot is weighed as the site assumes.
        fed: By the feeder.
        hoppers: Of supply and feeder.
        entries: In force; those of contents are passed over (they make `hoppers`).
        assumed: For what nobody stated.
    """
    notes: list[str] = []
    lines, causes = _bags(bags, lots, assumed, notes)
    lines.append(Line("fed into the mix", -fed.rubber_g, fed.parcels, "weighing, and span of the weigh hopper"))
    causes.append(Cause("weighing of the feeder", -fed.weighing_g))
    with_span_g = float(fed.rubber_g)
    if fed.dumped_g:
        lines.append(Line("dumped out of the drum", -fed.dumped_g, 1, "by the share that people named"))
        causes.append(Cause("dumped share", -_of_limits(assumed.taken_out * fed.dumped_g), stated=False))
    if fed.on_the_way_g:
        causes.append(Cause("line and drum", _of_limits(fed.on_the_way_g)))
    largest_g = max((bag.mass_g for bag in bags), default=0)
    for hopper in hoppers:
        change_g = _hopper(hopper, largest_g, lines, causes, notes)
        if hopper.feeds:
            with_span_g += change_g
        else:
            causes.append(Cause(f"span of the {hopper.name}", -hopper.span_share * change_g))
    causes.append(Cause("span of the weigh hopper", -fed.span_share * with_span_g))
    _taken_out(entries, assumed, lines, causes)
    ordered = sorted((one for one in causes if one.contribution_g), key=lambda one: -abs(one.contribution_g))
    return RubberAccount(tuple(lines), tuple(ordered), sum(bag.mass_g for bag in bags), fed.rubber_g, tuple(notes))


def _bags(
    bags: Sequence[BagLoad], lots: Mapping[str, BagLot], assumed: Assumed, notes: list[str]
) -> tuple[list[Line], list[Cause]]:
    by_lot: dict[str, list[BagLoad]] = {}
    for bag in bags:
        by_lot.setdefault(bag.lot, []).append(bag)
    lines: list[Line] = []
    biases: dict[tuple[str, bool], float] = {}
    random: list[float] = []
    for name, group in by_lot.items():
        lot = lots.get(name, BagLot(name))
        mass_g = sum(bag.mass_g for bag in group)
        stated = lot.bias_g is not None
        bias_g = len(group) * lot.bias_g if lot.bias_g is not None else _of_limits(assumed.bag * mass_g)
        place = (lot.scale or f"lot {name}", stated)
        biases[place] = biases.get(place, 0.0) + bias_g
        random.append(sqrt(len(group)) * lot.random_g)
        told = "as its lot states" if stated else f"within {100.0 * assumed.bag:g} % (assumed)"
        lines.append(Line(f"bags of lot {name}", mass_g, len(group), told))
        if name not in lots:
            notes.append(f"Lot {name} is in no entry: its certificate and the scale of its bags are not known.")
        elif not lot.certificate:
            notes.append(f"Lot {name} has no certificate.")
    causes = [Cause(f"bags of {place}", bias_g, stated) for (place, stated), bias_g in biases.items()]
    return lines, [*causes, Cause("bags, each by itself", hypot(*random))]


def _hopper(hopper: Hopper, largest_g: int, lines: list[Line], causes: list[Cause], notes: list[str]) -> int:
    """[g] Put a hopper in, and return its change."""
    if hopper.opening_g is None or hopper.closing_g is None:
        notes.append(f"What the {hopper.name} held was not read: taken as unchanged within one bag.")
        causes.append(Cause(f"content of the {hopper.name}", _of_limits(float(largest_g)), stated=False))
        return 0
    lines.append(Line(f"opening of the {hopper.name}", hopper.opening_g, 1, f"within {hopper.within_g / 1000:g} kg"))
    lines.append(Line(f"closing of the {hopper.name}", -hopper.closing_g, 1, f"within {hopper.within_g / 1000:g} kg"))
    causes.append(Cause(f"content of the {hopper.name}", sqrt(2.0) * _of_limits(hopper.within_g)))
    return hopper.closing_g - hopper.opening_g


def _taken_out(entries: Iterable[RubberEntry], assumed: Assumed, lines: list[Line], causes: list[Cause]) -> None:
    """Put in what was taken out; entries of one kind are wrong the same way, as one person or bucket is."""
    by_word: dict[str, list[RubberEntry]] = {}
    for entry in entries:
        if entry.word in TAKEN_OUT:
            by_word.setdefault(entry.word.value, []).append(entry)
    for word, group in by_word.items():
        stated = all(one.within_g is not None for one in group)
        halves = [assumed.taken_out * one.mass_g if one.within_g is None else one.within_g for one in group]
        told = "as entered" if stated else f"within {100.0 * assumed.taken_out:g} % (assumed)"
        lines.append(Line(word, -sum(one.mass_g for one in group), len(group), told))
        causes.append(Cause(word, -_of_limits(sum(halves)), stated))


def _of_limits(half_width_g: float) -> float:
    """[g] Return the standard uncertainty of what lies anywhere within so much of its value (JCGM 100, 4.3.7)."""
    return half_width_g / sqrt(3.0)
