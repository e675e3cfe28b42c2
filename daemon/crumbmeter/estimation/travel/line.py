"""The rubber line's travel from its pressure, and the auger's lag from its speed.

Rubber under way raises the line's pressure. After the feed has stepped, the pressure rises until the first of the new
rubber arrives: what is under way is what was fed within one travel. So the pressure's ramp is as long as the travel.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate
from math import hypot, sqrt

from crumbmeter.estimation.travel.discharge import Withheld
from crumbmeter.estimation.travel.fitting import Fit, NotFittedError, Shape, Unknown, fit
from crumbmeter.estimation.travel.moving import at_ends, lagged, later
from crumbmeter.estimation.travel.record import AugerRun, LineRun, Seen
from crumbmeter.estimation.travel.steps import Step, steps_in

BEFORE_S, AFTER_S = 6.0, 14.0
"""[s] Readings so long before and after a step are used (longer after it where the line is long). Between steps the
feed is known too badly: a per cent of doubt in it is as much pressure as half a second of travel."""
SHARPEST = 8
"""Of the steps, so many are used: the largest."""
SHARP = 0.25
"""A change of at least this share of the usual rate within `SETTLE_S` is sharp."""
SETTLED_AIR_S = 12.0
"""[s] After the blower has started, the pressure is that of its run-up."""
SLOWING_AIR_S = 5.0
"""[s] So long before the contact "blower runs" opens, the air may already be slower."""
LAG_DOUBT = 0.25
"""Standard uncertainty of the site's figure of the pressure's own lag, relative."""
SPREAD, SPREAD_DOUBT = 0.1, 0.06
"""Share of the travel over which the first and the last of a batch are drawn apart, as is assumed."""
LONGEST_S = 60.0
LEAST_ANSWER = 8.0
MOST_DOUBT_S = 1.0
SETTLE_S = 3.0
LEAST_READINGS = 30
"""Of a step, or it is not used."""
LONGEST_LAG_S = 10.0


@dataclass(frozen=True, slots=True)
class TimeFit:
    """One time found from one instrument."""

    fit: Fit
    value_s: float
    standard_s: float
    steps: tuple[Step, ...]


def fit_line(run: LineRun) -> TimeFit | Withheld:
    """Find the line's travel.

    Args:
        run: Feed and pressure.
    """
    believed_s, lag_s = run.travel_s, run.pressure_lag_s
    rate = [kg / run.cell_s for kg in run.fed_kg]
    after_s = max(AFTER_S, 3.0 * believed_s)
    steps = _sharp(rate, run.cell_s, after_s)
    if not steps:
        return Withheld(
            "the feed never changed sharply (by a quarter within 3 s). `stop-feed` at full rate is such a change; so "
            "is `start-feed` when the mix has come"
        )
    shape = line_shape(run)
    start_s = min(LONGEST_S / 2.0, max(1.0, believed_s))
    unknowns = (
        Unknown("travel", start_s, 0.3, LONGEST_S, 0.5 * run.cell_s),
        Unknown("lag", lag_s, 0.02, 6.0, 0.1 * run.cell_s, lag_s, LAG_DOUBT * lag_s),
        Unknown("spread", SPREAD, 0.0, 0.6, 0.02, SPREAD, SPREAD_DOUBT),
    )
    groups = _groups(steps, len(rate), run.cell_s, after_s)
    seen = _in_settled_air(run, groups)
    groups, kept = _without_empty(groups, seen)
    if not kept:
        return Withheld("no step of the feed with settled air and good readings of the pressure around it")
    try:
        found = fit(shape, seen, unknowns, round(LONGEST_LAG_S / run.cell_s), groups)
    except NotFittedError as fault:
        return Withheld(f"pressure: {fault}")
    steps = [steps[number] for number in kept]
    return _judged("the line's pressure", "the rubber under way", found, run.cell_s, steps)


def _sharp(rate: Sequence[float], cell_s: float, after_s: float) -> list[Step]:
    steps = steps_in(rate, round(SETTLE_S / cell_s), round(after_s / cell_s), SHARP)
    largest = sorted(steps, key=lambda step: -abs(step.after - step.before))[:SHARPEST]
    return sorted(largest, key=lambda step: step.at_cell)


def _groups(steps: Sequence[Step], cells: int, cell_s: float, after_s: float) -> list[int]:
    """Give every cell near a step that step's number, and all others -1."""
    groups = [-1] * cells
    for number, step in enumerate(steps):
        first, last = step.at_cell - round(BEFORE_S / cell_s), step.at_cell + round(after_s / cell_s)
        for cell in range(max(0, first), min(cells, last)):
            groups[cell] = number
    return groups


def _in_settled_air(run: LineRun, groups: Sequence[int]) -> Seen:
    """Leave out what is not near a step, or shows the blower running up or down."""
    # The contact opens when the blower has already slowed down.
    ahead = round(SLOWING_AIR_S / run.cell_s)
    aired = [*run.aired_s, *[run.aired_s[-1] + (cell + 1) * run.cell_s for cell in range(ahead)]]
    return tuple(
        [
            value if group >= 0 and aired[cell] >= SETTLED_AIR_S and aired[cell + ahead] > aired[cell] else None
            for cell, (value, group) in enumerate(zip(run.pressure_pa, groups, strict=True))
        ]
    )


def _without_empty(groups: Sequence[int], seen: Seen) -> tuple[list[int], list[int]]:
    """Number the groups anew without those that have too few readings; also return which are left."""
    numbers = range(max(groups) + 1)
    counts = [0] * len(numbers)
    for group, value in zip(groups, seen, strict=True):
        if group >= 0 and value is not None:
            counts[group] += 1
    kept = [number for number in numbers if counts[number] >= LEAST_READINGS]
    names = {number: place for place, number in enumerate(kept)}
    return [names.get(group, -1) for group in groups], kept


def line_shape(run: LineRun) -> Shape:
    """Return the rubber under way as the pressure shows it, as a function of travel, the pressure's lag and spread."""
    total = list(accumulate(run.fed_kg))

    def shape(at: Sequence[float]) -> list[float]:
        travel_s, own_lag_s, spread = at
        gone = lagged(later(total, travel_s * (1.0 - spread), run.cell_s), travel_s * spread, run.cell_s)
        return lagged([a - b for a, b in zip(total, gone, strict=True)], own_lag_s, run.cell_s)

    return shape


def auger_shape(run: AugerRun) -> Shape:
    """Return the speed that follows the one asked for, as a function of the whole time and of the lag in it."""
    asked = at_ends(run.asked_rev_s)

    def shape(at: Sequence[float]) -> list[float]:
        mean_s, lag_s = at
        lag_s = min(lag_s, mean_s)
        return lagged(later(asked, mean_s - lag_s, run.cell_s), lag_s, run.cell_s)

    return shape


def fit_auger(run: AugerRun) -> TimeFit | Withheld:
    """Find the auger's mean lag, from the speed asked for to the speed measured.

    Args:
        run: Both speeds.
    """
    steps = steps_in(run.asked_rev_s, round(SETTLE_S / run.cell_s), round(AFTER_S / run.cell_s))
    if not steps:
        return Withheld("no step of the speed asked for with enough record behind it")

    shape = auger_shape(run)
    start_s = min(20.0, max(0.3, run.lag_s))
    unknowns = (
        Unknown("mean", start_s, 0.02, 30.0, 0.25 * run.cell_s),
        Unknown("lag", 0.8 * start_s, 0.02, 30.0, 0.25 * run.cell_s, 0.8 * start_s, 2.0),
    )
    before, after = round(BEFORE_S / run.cell_s), round(AFTER_S / run.cell_s)
    near = {cell for step in steps for cell in range(step.at_cell - before, step.at_cell + after)}
    seen = tuple(value if cell in near and run.controlled[cell] else None for cell, value in enumerate(run.shown_rev_s))
    try:
        found = fit(shape, seen, unknowns, round(LONGEST_LAG_S / run.cell_s))
    except NotFittedError as fault:
        return Withheld(f"auger speed: {fault}")
    return _judged("the auger's speed", "the speed asked for", found, run.cell_s, steps)


def _judged(what: str, cause: str, found: Fit, scan_s: float, steps: Sequence[Step]) -> TimeFit | Withheld:
    # Both ends of the time are known to a scan only (a rectangle of its length, JCGM 100, 4.3.7).
    standard_s = hypot(found.standard(0), scan_s / sqrt(12.0))
    if found.answer < LEAST_ANSWER:
        return Withheld(f"{what} does not answer to {cause}: {found.answer:.1f} times its noise")
    if standard_s > MOST_DOUBT_S:
        return Withheld(f"{what} leaves the time open by {standard_s:.1f} s (standard uncertainty)")
    if not found.settled:
        return Withheld(f"{what}: the search did not come to rest in {found.rounds} rounds")
    return TimeFit(found, found.values[0], standard_s, tuple(steps))
