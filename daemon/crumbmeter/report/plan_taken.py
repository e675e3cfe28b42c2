"""What a plan rests on: the figures of feeder, line and prices as they were taken, so that it can be checked."""

from collections.abc import Iterator

from crumbmeter.report.document import Fact, Facts
from crumbmeter.report.plan_figures import Figures
from crumbmeter.site.job import JobInputs

UNKNOWN = "not known"


def taken(inputs: JobInputs, figures: Figures) -> Facts:
    """List the figures; what was not given says so."""
    facts = (*_feeder(inputs, figures), *_line(inputs, figures), *_prices(inputs, figures))
    return Facts(facts, "What the plan rests on")


def _of(label: str, *texts: str, after: str = "") -> Fact:
    """Make a fact of one figure or of a range; it is known only as a whole."""
    known = all(texts)
    return Fact(label, f"{' to '.join(texts)} {after}".rstrip() if known else UNKNOWN)


def _feeder(inputs: JobInputs, figures: Figures) -> Iterator[Fact]:
    feeder = inputs.job.feeder
    yield _of("Feed factor", figures.text("factor", feeder.feed_factor_kg_rev, 3), after="a turn")
    yield _of(
        "Calibrated range", figures.text("speed", feeder.low_rev_s, 1), figures.text("speed", feeder.high_rev_s, 1)
    )
    yield _of(
        "Weigh hopper refilled", figures.text("small", feeder.refill_at_kg, 0),
        figures.text("small", feeder.refill_to_kg, 0),
    )  # fmt: skip
    yield _of("Refill rate", figures.text("small_min", feeder.refill_kg_s, 0))
    yield _of("Supply hopper", figures.text("small", feeder.supply_kg, 0))
    yield _of("It calls for a bag at", figures.text("small", feeder.supply_low_kg, 0))


def _line(inputs: JobInputs, figures: Figures) -> Iterator[Fact]:
    pipe = inputs.job.line.pipe
    if pipe is None:
        yield Fact("Conveying line", UNKNOWN)
        return
    yield Fact("Bore of the line", f"{1000.0 * pipe.inner_diameter_m:.1f} mm")
    yield _of("Level pipe", figures.text("length", pipe.horizontal_m, 1))
    yield Fact("Rise and bends", f"{figures.text('length', pipe.vertical_m, 1)}, {pipe.bends} bends of 90°")
    yield Fact("Air in the line", f"{3600.0 * pipe.air_kg_s:.0f} kg/h at {pipe.temperature_k - 273.15:.0f} °C")
    yield Fact("Pressure of the place", f"{pipe.end_pa / 1000.0:.1f} kPa")
    yield Fact("Grains", f"{1000.0 * pipe.particle_m:g} mm, {pipe.particle_kg_m3:g} kg/m³")


def _prices(inputs: JobInputs, figures: Figures) -> Iterator[Fact]:
    prices = inputs.job.prices
    if prices is None:
        yield Fact("Prices", UNKNOWN)
        return
    yield _of("Rubber", figures.text("money", prices.rubber_per_kg, 0))
    yield _of("Freight of the rubber", figures.text("money", prices.freight_per_kg, 2))
    yield _of("Virgin binder", figures.text("money", prices.binder_per_kg, 0))
    yield _of("Modified binder, the buyer's", figures.text("money", prices.modified_per_kg, 0))
