"""Runs that are made up from the estimators' own model, with noise that is known: what went in must come out."""

from math import log
from random import Random

from crumbmeter.estimation.travel.discharge import Doubts, Instrument, Layout, outflow
from crumbmeter.estimation.travel.moving import at_ends, lagged, later, off_belt
from crumbmeter.estimation.travel.record import AugerRun, DrumRun, LineRun, StreamRun

CELLS = 1300


def rates(levels: tuple[tuple[int, float], ...], cells: int = CELLS) -> list[float]:
    """Make a series from (cell, level from there on)."""
    series, level = [], 0.0
    steps = dict(levels)
    for cell in range(cells):
        level = steps.get(cell, level)
        series.append(level)
    return series


DAY = ((20, 45.0), (420, 57.0), (780, 37.0), (1060, 0.0))
"""A start, two rate changes, a stop: aggregate in kg/s."""


def drum_run(levels: tuple[tuple[int, float], ...] = DAY, *, recycle: float = 0.22) -> DrumRun:
    """Make what went in: aggregate, recycle in proportion, binder as it is due at the injection point."""
    feed = rates(levels)
    moved = [1.6 if kg > 0.0 else 0.0 for kg in feed]
    binder = [0.05 * value for value in later(feed, 60.0, 1.0)]
    return DrumRun(
        1.0,
        (
            StreamRun("aggregate", 22.0, 1.6, 45.0, 12, tuple(feed), tuple(moved)),
            StreamRun("rap", 12.0, 1.6, 18.0, 8, tuple(recycle * kg for kg in feed), tuple(moved)),
        ),
        tuple(binder), (1.0,) * len(feed), 60.0, 6,
    )  # fmt: skip


def current(run: DrumRun, longer: float, noise_a: float, seed: int, *, hang: float = 0.0) -> Instrument:
    """Make the current behind a drum that takes `longer` times what the site says.

    `hang` is how much a residual has of the one before it.
    """
    random = Random(seed)
    blank = Instrument("discharge current", "A", (None,) * len(run.turned_s), 4.0, 2.0)
    layout = Layout(run, blank, Doubts())
    falling = [off_belt(stream.mass_kg, stream.moved_m, stream.belt_m) for stream in run.streams]
    usual = [sum(kg for kg in masses) / max(1, sum(kg > 0.0 for kg in masses)) for masses in falling]
    at = [unknown.start for unknown in layout.unknowns]
    at[0] += log(longer)
    at[3] = 0.1
    flow = later(at_ends(outflow(run, layout, falling, usual, 2.5, at)), 4.0, 1.0)
    error, seen = 0.0, list[float | None]()
    for value in lagged(flow, 2.0, 1.0):
        error = hang * error + noise_a * random.gauss(0.0, 1.0)
        seen.append(38.0 + 0.55 * value + error)
    return Instrument("discharge current", "A", tuple(seen), 4.0, 2.0)


def whole_s(run: DrumRun) -> float:
    """[s] Return the drum's travel by the site."""
    return run.streams[0].drum_s + run.outlet_s


def line_run(travel_s: float, noise_pa: float, seed: int, *, sharp: bool = True) -> LineRun:
    """Make a feed that starts and stops, and its pressure."""
    random, cells = Random(seed), 3000
    fed = rates(((300, 0.05), (900, 0.06), (1600, 0.05), (2500, 0.0)), cells)
    if not sharp:
        fed = [0.05 * min(1.0, cell / 2500.0) for cell in range(cells)]
    total, held = 0.0, list[float]()
    sums = []
    for kg in fed:
        total += kg
        sums.append(total)
    for kg, gone in zip(sums, later(sums, travel_s, 0.2), strict=True):
        held.append(kg - gone)
    shown = lagged(held, 0.4, 0.2)
    pressure = tuple(6000.0 + 1500.0 * kg + random.gauss(0.0, noise_pa) for kg in shown)
    return LineRun(0.2, tuple(fed), pressure, tuple(0.2 * cell for cell in range(cells)), 4.0, 0.4)


def auger_run(lag_s: float, noise_rev_s: float, seed: int) -> AugerRun:
    """Make speeds asked for, and those of an auger with a lag."""
    random = Random(seed)
    asked = rates(((300, 0.3), (900, 0.4), (1600, 0.25), (2500, 0.0)), 3000)
    shown = tuple(value + random.gauss(0.0, noise_rev_s) for value in lagged(at_ends(asked), lag_s, 0.2))
    return AugerRun(0.2, tuple(asked), (True,) * 3000, shown, 0.9)
