"""The two balances of a closed period: all that went into the mix against load tickets, all rubber against the bags.

    aggregate + recycle + binder + rubber - tickets - waste - silo change = 0          (dry masses)
    bags - rubber - weigh hopper change - supply hopper change - rubber waste - rubber dumped out of the drum = 0

A stream is one instrument: what one scale weighed errs all together, by its scale's tolerance / sqrt(3) (GUM 4.3.7). So
n bags of one scale have n times the uncertainty of one, not sqrt(n) times. The weigh hopper's span enters both the
rubber and that hopper's own change: these two are correlated.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from math import sqrt

from crumbmeter.estimation.algebra import Matrix
from crumbmeter.estimation.balances import Balance, Problem, Stream
from crumbmeter.estimation.budget import Water
from crumbmeter.estimation.gum import of_limits
from crumbmeter.estimation.params import UncertaintyParams, Within

STEADY = 0.5
"""Below this the ratio of `steadiness` tells a trend (Cao and Rhinehart 1995, by computation.md, section 5)."""

DRY = Water()
FEEDER, WEIGH_HOPPER = "feeder", "weigh hopper"


@dataclass(frozen=True, slots=True)
class Recorded:
    """What the daemon itself measured of a period, dry, at the drum's outlet."""

    aggregate_kg: float
    recycle_kg: float
    binder_kg: float
    rubber_kg: float
    weighing_kg: float
    """[kg] Standard uncertainty of the rubber, without the hopper's span."""
    water: Water = DRY
    hopper_change_kg: float | None = None
    """[kg] Weigh hopper at the end less at the beginning; None: not read."""
    supply_change_kg: float | None = None
    on_the_way_kg: float = 0.0
    """[kg] Rubber that line and drum may hold more or less at the end than at the beginning; 0: both ends at rest."""
    dumped_kg: float = 0.0
    """[kg] Rubber in mix that was dumped out of the drum and is in no parcel; not part of `rubber_kg`."""


@dataclass(frozen=True, slots=True)
class Load:
    """One entry of people: a ticket, a bag, a reading."""

    mass_kg: float
    scale: str = ""
    within_kg: float | None = None
    """[kg] How exact, as a half-width; None: by the site's figure for its kind."""


@dataclass(frozen=True, slots=True)
class Entered:
    """All entries of a period. Empty: nobody entered any."""

    tickets: tuple[Load, ...] = ()
    bags: tuple[Load, ...] = ()
    waste: tuple[Load, ...] = ()
    """Mix, fines or aggregate that no ticket carries."""
    rubber_waste: tuple[Load, ...] = ()
    silo_changes: tuple[Load, ...] = ()
    hopper_changes: tuple[Load, ...] = ()
    supply_changes: tuple[Load, ...] = ()


@dataclass(frozen=True, slots=True)
class Part:
    """One stream of the balances with where its figures come from."""

    name: str
    mass_kg: float | None
    """None: nobody measured it."""
    variance_kg2: float
    mix: float
    """Its sign in the balance of mix."""
    rubber: float
    """Its sign in the balance of rubber."""
    source: str
    """What the uncertainty is, and whether that was stated or assumed."""
    remedy: str = ""
    """For an unmeasured one: what to do to have it checked."""


@dataclass(frozen=True, slots=True)
class PlantBalance:
    """A period made ready."""

    parts: tuple[Part, ...]
    problem: Problem
    notes: tuple[str, ...] = field(default=())


def plant_balance(params: UncertaintyParams, recorded: Recorded, entered: Entered) -> PlantBalance:
    """Put a closed period's balances together."""
    parts = (*_mix_parts(params, recorded, entered), *_rubber_parts(params, recorded, entered))
    covariance = [
        [part.variance_kg2 if row == at else 0.0 for at, part in enumerate(parts)] for row in range(len(parts))
    ]
    place = {part.name: at for at, part in enumerate(parts)}
    if recorded.hopper_change_kg is not None and not entered.hopper_changes:
        span = of_limits(params.hopper_scale.half_width) ** 2
        shared = span * recorded.rubber_kg * recorded.hopper_change_kg
        one, other = place[FEEDER], place[WEIGH_HOPPER]
        covariance[one][other] = covariance[other][one] = shared
    matrix: Matrix = tuple(tuple(row) for row in covariance)
    balances = (
        Balance("mix", tuple(part.mix for part in parts)),
        Balance("rubber", tuple(part.rubber for part in parts)),
    )
    streams = tuple(Stream(part.name, part.mass_kg) for part in parts)
    return PlantBalance(parts, Problem(streams, balances, matrix), _notes(recorded, entered))


def _mix_parts(params: UncertaintyParams, recorded: Recorded, entered: Entered) -> list[Part]:
    water = recorded.water
    aggregate = _dry(recorded.aggregate_kg, params.aggregate_scale, params.aggregate_moisture, water.aggregate)
    recycle = _dry(recorded.recycle_kg, params.recycle_scale, params.recycle_moisture, water.recycle)
    span = of_limits(params.hopper_scale.half_width) * recorded.rubber_kg
    rubber = recorded.weighing_kg**2 + span**2
    binder = (of_limits(params.binder_meter.half_width) * recorded.binder_kg) ** 2
    of_water = f"{_said(params.aggregate_scale)}, water {_said(params.aggregate_moisture)}"
    of_recycle = f"{_said(params.recycle_scale)}, water {_said(params.recycle_moisture)}"
    parts = [
        Part("aggregate scale", recorded.aggregate_kg, aggregate, 1.0, 0.0, of_water),
        Part("recycle scale", recorded.recycle_kg, recycle, 1.0, 0.0, of_recycle),
        Part("binder meter", recorded.binder_kg, binder, 1.0, 0.0, _said(params.binder_meter)),
        Part(FEEDER, recorded.rubber_kg, rubber, 1.0, -1.0, f"weighing and span {_said(params.hopper_scale)}"),
    ]
    parts += _scales(
        "load tickets", entered.tickets, params.ticket_scale, -1.0, 0.0, "Enter the period's load tickets."
    )
    parts.append(_sum("waste", entered.waste, params.waste, -1.0, 0.0))
    level = params.silo_level_kg
    remedy = "Enter silo_change: closing less opening level; 0 within 0 if the silos were empty both times."
    if entered.silo_changes:
        mass = sum(load.mass_kg for load in entered.silo_changes)
        variance = _variance(entered.silo_changes, sqrt(2.0) * level.half_width)
        said = f"two levels, each within {level.half_width:.0f} kg{'' if level.stated else ' (assumed)'}"
        said = "as entered" if all(load.within_kg is not None for load in entered.silo_changes) else said
        parts.append(Part("silo level", mass, variance, -1.0, 0.0, said))
    else:
        parts.append(Part("silo level", None, 0.0, -1.0, 0.0, "not entered", remedy))
    return parts


def _rubber_parts(params: UncertaintyParams, recorded: Recorded, entered: Entered) -> list[Part]:
    parts = _scales("bags", entered.bags, params.bag_scale, 0.0, 1.0, "Enter the bags that were emptied.")
    parts.append(
        _change(WEIGH_HOPPER, recorded.hopper_change_kg, entered.hopper_changes, params.hopper_scale, "hopper_change")
    )
    largest = max((load.mass_kg for load in entered.bags), default=0.0)
    if recorded.supply_change_kg is None and not entered.supply_changes:
        # Nobody knows what the supply hopper, or the bag that hangs there, held: less than one bag more or less.
        said = "not read: taken as unchanged within one bag"
        parts.append(Part("supply hopper", 0.0, of_limits(largest) ** 2, 0.0, -1.0, said))
    else:
        parts.append(
            _change(
                "supply hopper", recorded.supply_change_kg, entered.supply_changes, params.supply_scale, "supply_change"
            )
        )
    parts.append(_sum("rubber waste", entered.rubber_waste, params.waste, 0.0, -1.0))
    if recorded.dumped_kg > 0.0:
        said = f"by the share that people named, {_said(params.waste)}"
        variance = (of_limits(params.waste.half_width) * recorded.dumped_kg) ** 2
        parts.append(Part("dumped out of the drum", recorded.dumped_kg, variance, 0.0, -1.0, said))
    if recorded.on_the_way_kg > 0.0:
        said = f"not read: as much at the end as at the beginning within {recorded.on_the_way_kg:.1f} kg"
        parts.append(Part("line and drum", 0.0, of_limits(recorded.on_the_way_kg) ** 2, 0.0, -1.0, said))
    return parts


def _dry(mass_kg: float, scale: Within, moisture: Within, water: float) -> float:
    """[kg^2] Return the variance of a dry mass from a wet scale."""
    by_scale, by_water = of_limits(scale.half_width), of_limits(moisture.half_width) / (1.0 + water)
    return mass_kg * mass_kg * (by_scale * by_scale + by_water * by_water)


def _said(within: Within) -> str:
    return f"within {100.0 * within.half_width:g} %{'' if within.stated else ' (assumed)'}"


def _scales(name: str, loads: Sequence[Load], within: Within, mix: float, rubber: float, remedy: str) -> list[Part]:
    """Make a stream of each scale that weighed loads of one kind."""
    if not loads:
        return [Part(name, None, 0.0, mix, rubber, "none entered", remedy)]
    by_scale: dict[str, list[Load]] = {}
    for load in loads:
        by_scale.setdefault(load.scale, []).append(load)
    return [
        Part(
            f"{name} of {scale}" if scale else name,
            sum(load.mass_kg for load in group),
            together([_half_width(load, within)
                      for load in group]) ** 2,
            mix,
            rubber,
            f"{len(group)} by one scale, {_said(within) if group[0].within_kg is None else 'as entered'}",
        )
        for scale, group in by_scale.items()
    ]  # fmt: skip


def together(half_widths_kg: Iterable[float]) -> float:
    """[kg] Return the standard uncertainty of a sum whose parts all err the same way: bags or tickets of one scale."""
    return sum(of_limits(half_width_kg) for half_width_kg in half_widths_kg)


def _half_width(load: Load, within: Within) -> float:
    return within.half_width * abs(load.mass_kg) if load.within_kg is None else load.within_kg


def _sum(name: str, loads: Sequence[Load], within: Within, mix: float, rubber: float) -> Part:
    """Make one stream of what may well be nothing."""
    mass_kg = sum(load.mass_kg for load in loads)
    variance = together(_half_width(load, within) for load in loads)
    return Part(name, mass_kg, variance**2, mix, rubber, _said(within) if loads else "none entered: taken as none")


def _variance(loads: Sequence[Load], half_width_kg: float) -> float:
    return together(half_width_kg if load.within_kg is None else load.within_kg for load in loads) ** 2


def _change(name: str, read_kg: float | None, loads: Sequence[Load], within: Within, key: str) -> Part:
    """Make the change of a hopper: as entered, else as read."""
    if loads:
        mass = sum(load.mass_kg for load in loads)
        variance = together(_half_width(load, within) for load in loads)
        return Part(name, mass, variance**2, 0.0, -1.0, f"as entered, {_said(within)}")
    if read_kg is None:
        return Part(name, None, 0.0, 0.0, -1.0, "no weight in the record at the ends", f"Enter {key}.")
    variance = (of_limits(within.half_width) * read_kg) ** 2
    return Part(name, read_kg, variance, 0.0, -1.0, f"from the record, {_said(within)}")


def _notes(recorded: Recorded, entered: Entered) -> tuple[str, ...]:
    notes = []
    if not entered.waste:
        notes.append("No waste was entered: none is taken to have been made.")
    if recorded.recycle_kg == 0.0:
        notes.append("No recycle ran.")
    return tuple(notes)


def steadiness(values: Sequence[float]) -> float | None:
    """Return half of von Neumann's ratio: about 1 for noise around a steady value, far less for a trend.

    None where there are fewer than three values. Values that are all the same are steady.
    """
    count = len(values)
    if count < 3:
        return None
    mean = sum(values) / count
    about = sum((value - mean) ** 2 for value in values)
    if about <= (1e-9 * mean) ** 2 * count:
        return 1.0
    steps = sum((after - before) ** 2 for before, after in pairwise(values))
    return 0.5 * steps / about
