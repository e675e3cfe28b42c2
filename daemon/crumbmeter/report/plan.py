"""A job's plan as a document: the checks that fail on top, then what is needed, fed, blown, wired and paid."""

from collections.abc import Iterator, Sequence
from typing import Final

from crumbmeter import __version__
from crumbmeter.planning.cost import JobCost, MixCost
from crumbmeter.planning.electric import Load, Total
from crumbmeter.planning.job import JobPlan, Step
from crumbmeter.planning.line_job import LineResult
from crumbmeter.planning.verdicts import Verdict
from crumbmeter.report.document import SIMULATE, Block, Column, Document, Fact, Facts, Table, Text, number
from crumbmeter.report.figures import Value, rounded, unit_words
from crumbmeter.report.plan_checks import check_tables, spaced
from crumbmeter.report.plan_figures import Figures
from crumbmeter.report.plan_taken import taken
from crumbmeter.site.job import JobInputs
from crumbmeter.site.settings import Site

INVENTED: Final = "INVENTED EXAMPLE"
CAUTIONS: Final = (
    "A plan is arithmetic on the figures of the job file, and no proof. It is no safety function and gives no hazard "
    "limit. Local codes and licensed practice come first: an electrician sizes conductors, protection and earthing. "
    "Lock out and tag out before anybody opens hopper, auger, airlock or line: a software stop is not lock-out, and "
    "the line is under pressure. Mind dust, hot mix and moving augers."
)
NO_CO2: Final = "No saving of CO2 is claimed: nothing here reckons it."
LINE_NOTE: Final = (
    "Saltation after Rizk; pressure drop as a sum after Rhodes with the air expanding along the line. Both ± 50 %, and "
    "never fitted on rubber: a trial decides. Velocity and density are those at the feed end, where the air is slowest."
)
COST_NOTE: Final = (
    "Per ton of mix, of what differs: virgin binder, rubber with waste and freight, and the feeder with its energy, "
    "against binder that comes modified. Aggregate, recycled material, placing and how long it lasts are not "
    "compared. All prices are the job file's."
)


_Row = tuple[str, str, int, list[float | None]]
"""Label, unit, decimals and values."""


def plan_document(inputs: JobInputs, plan: JobPlan, site: Site | None = None) -> Document:
    """Make the document of a plan.

    Args:
        inputs: The job, as it was read.
        plan: What it comes to.
        site: Where some of the figures come from, if one was given.
    """
    figures = Figures(inputs.units == "us", inputs.currency)
    marks = [INVENTED] if inputs.invented else []
    if site is not None and site.params.simulated:
        marks.append(SIMULATE)
    identity = [("crumbmeter", __version__), ("job file", inputs.path.name), ("job", inputs.job_id)]
    if site is not None:
        identity += [("site", site.title), ("settings", site.settings_id)]
    return Document(
        kind="plan",
        title="Plan of a job",
        site_title=" · ".join(part for part in (inputs.location, inputs.title) if part),
        period_text=headline(plan),
        identity=tuple(identity),
        blocks=tuple(_blocks(inputs, plan, figures)),
        marks=tuple(marks),
        metric=inputs.units == "metric",
        dense=True,
    )


def headline(plan: JobPlan) -> str:
    """Say how many checks came out how."""
    counts = {verdict: sum(check.verdict is verdict for check in plan.checks) for verdict in Verdict}
    return (
        f"{len(plan.checks)} checks: {counts[Verdict.FAILS]} fail, {counts[Verdict.NOT_JUDGED]} cannot be judged, "
        f"{counts[Verdict.PASSES]} pass"
    )


def _blocks(inputs: JobInputs, plan: JobPlan, figures: Figures) -> Iterator[Block]:
    yield from check_tables(plan.checks, figures, inputs.job.rates)
    yield _needs(inputs, plan, figures)
    yield _hours(inputs, plan, figures)
    if any(result.drop is not None for result in plan.line):
        yield _line(plan, figures)
    if plan.electric is not None:
        yield _electric(inputs, plan.electric)
    if plan.cost is not None:
        yield _cost(inputs, plan, figures, plan.cost)
    yield taken(inputs, figures)
    if inputs.from_site:
        yield Text(", ".join(inputs.from_site), "Taken from the site file")
    yield Text(f"{NO_CO2} {CAUTIONS}", "What this plan is not")


def _needs(inputs: JobInputs, plan: JobPlan, figures: Figures) -> Facts:
    needs, bags = plan.needs, inputs.job.bags
    tons, small = figures.unit("tons"), figures.unit("small")
    return Facts(
        (
            Fact("Mix, with its rubber", figures.value("tons", needs.mix_kg), tons, 0),
            Fact("Production at the typical rate", needs.production_s / 3600.0, "h", 1),
            Fact("Days of production", needs.days),
            Fact("Rubber in the mix", figures.value("small", needs.rubber_kg), small, 0),
            Fact(
                f"Waste allowance, {100.0 * bags.waste:g} %", figures.value("small", needs.waste_kg), small, 0
            ),
            Fact("Rubber in all", figures.value("small", needs.rubber_kg + needs.waste_kg), small, 0),
            Fact("Rubber in a bag", figures.value("small", bags.bag_kg), small, 0),
            Fact("Bags in all", needs.bags),
            Fact("Bags in stock", bags.on_hand_bags),
            Fact("Bags to be ordered", needs.deliver_bags),
            Fact("Trucks of bags", "not known: bags.a_truck" if needs.trucks is None else needs.trucks),
            Fact("Bags for a day, at most", needs.day_bags),
        ),
        "What the job takes",
    )  # fmt: skip


def _hours(inputs: JobInputs, plan: JobPlan, figures: Figures) -> Table:
    columns = (
        Column("mix"), Column("rate"),
        number("mix", figures.unit("ton_rate")), number("rubber", figures.unit("small_hour")),
        number("rubber", figures.unit("small_min"), 2), number("auger", "rpm", 1), Column("calibrated"),
        number("bag lasts", "min", 1), number("charge lasts", "s"), number("refill", "s"),
        number("in refill", "percent", 1),
    )  # fmt: skip
    feeder = inputs.job.feeder
    names = "; ".join(f"{spaced(mix.mix_id)}: {mix.title}" for mix in inputs.job.mixes if mix.title != mix.mix_id)
    rows = [_hour_row(step, figures, (feeder.low_rev_s, feeder.high_rev_s)) for step in plan.steps]
    note = (
        "Rates of mix are with the rubber. A charge is what the weigh hopper gives from refill_to to refill_at; time "
        "in refill counts settling. "
    )
    return Table("Rubber by the hour", columns, rows, f"{note}{names}.")


def _hour_row(step: Step, figures: Figures, ends: tuple[float | None, float | None]) -> tuple[Value, ...]:
    hour, turn, speed = step.hour, step.refilling, step.speed_rev_s
    low, high = ends
    inside = ""
    if speed is not None and low is not None and high is not None and hour.rubber_kg_s > 0.0:
        inside = "below" if speed < low * (1.0 - 1e-9) else "above" if speed > high * (1.0 + 1e-9) else "yes"
    return (
        spaced(hour.mix_id), hour.rate_name, figures.value("ton_rate", hour.mix_kg_s),
        figures.value("small_hour", hour.rubber_kg_s), figures.value("small_min", hour.rubber_kg_s),
        figures.value("speed", speed), inside, figures.value("minutes", step.bag_lasts_s),
        None if turn is None else turn.lasts_s, None if turn is None else turn.refill_s,
        None if turn is None else 100.0 * turn.share,
    )  # fmt: skip


def _line(plan: JobPlan, figures: Figures) -> Table:
    names = ("least rubber", "most rubber") if len(plan.line) > 1 else ("the one rate",)
    columns = {name: _line_rows(one, figures) for name, one in zip(names, plan.line, strict=True) if one.drop}
    rows = [
        (label, unit_words(figures.unit(dimension)), *(rows[at][3] for rows in columns.values()))
        for at, (label, dimension, _, _) in enumerate(next(iter(columns.values())))
    ]
    return Table("Conveying line and blower", _turned(list(columns)), rows, LINE_NOTE)


def _line_rows(one: LineResult, figures: Figures) -> list[tuple[str, str, int, Value]]:
    """Return one column of the table: label, dimension, decimals, and the figure in its unit."""
    check, drop, figure = one.check, one.drop, 0 if figures.us else 1
    rows = (
        ("rubber", "small_min", 1, one.rubber_kg_s),
        ("air at the feed end", "velocity", figure, None if check is None else check.velocity_m_s),
        ("saltation there", "velocity", figure, None if check is None else check.saltation_m_s),
        ("air over saltation", "", 2, None if check is None else check.margin),
        ("solids loading, kg/kg", "", 2, None if check is None else check.loading),
        ("drop in level pipe", "pressure", 2, None if drop is None else drop.horizontal_pa),
        ("drop in the rise", "pressure", 2, None if drop is None else drop.vertical_pa),
        ("drop in bends", "pressure", 2, None if drop is None else drop.bends_pa),
        ("drop by acceleration", "pressure", 2, None if drop is None else drop.acceleration_pa),
        ("pressure at the blower", "pressure", 2, one.rise_pa),
        ("blower's shaft power", "power", 1, one.power_w),
    )
    return [
        (label, dimension, decimals, _rounded(figures.value(dimension, value), decimals))
        for label, dimension, decimals, value in rows
    ]


def _turned(heads: Sequence[str]) -> tuple[Column, ...]:
    return (Column("figure"), Column("unit"), *(number(head, "", None) for head in heads))


def _rounded(value: float | None, decimals: int) -> Value:
    return None if value is None else rounded(value, decimals)


def _electric(inputs: JobInputs, total: Total) -> Table:
    columns = (
        Column("load"), number("power", "kW", 1), number("voltage", "V"), number("phases", "", None),
        number("power factor", "", 2), number("apparent power", "kVA", 2), number("current", "A", 1),
        number("duty", "percent"),
    )  # fmt: skip
    note = (
        f"With a diversity of {100.0 * inputs.job.diversity:g} % {total.demand_va / 1000.0:.1f} kVA. Energy at these "
        f"duties {total.mean_w / 1000.0:.1f} kWh an hour. Apparent powers are added as vectors, all inductive, and the "
        "phases taken as evenly loaded. Starting currents are not reckoned."
    )
    sum_row = (
        "together", total.connected_w / 1000.0, None, None, total.connected_w / total.connected_va,
        total.connected_va / 1000.0, None, None,
    )  # fmt: skip
    return Table("Electric loads", columns, [_load_row(load) for load in inputs.job.loads], note, sum_row)


def _load_row(load: Load) -> tuple[str | float | int, ...]:
    return (
        load.name, load.power_w / 1000.0, load.voltage_v, load.phases, load.power_factor, load.apparent_va / 1000.0,
        load.current_a, 100.0 * load.duty,
    )  # fmt: skip


def _cost(inputs: JobInputs, plan: JobPlan, figures: Figures, cost: JobCost) -> Table:
    money, tons, costs = figures.money, figures.unit("tons"), plan.costs
    per_ton = figures.per_ton
    whole = sum(one.mass_kg for one in costs)
    each: list[MixCost | JobCost] = [*costs, cost]
    rows: list[_Row] = [
        ("mix", tons, 0, [figures.value("tons", kg) for kg in (*(one.mass_kg for one in costs), whole)]),
        ("virgin binder", money, 2, [*(per_ton(one.binder_per_kg) for one in costs), None]),
        ("rubber, waste, freight", money, 2, [*(per_ton(one.rubber_per_kg) for one in costs), None]),
        ("feeder and its energy", money, 2, [*(per_ton(one.running_per_kg) for one in costs), None]),
        ("dry route", money, 2, [per_ton(one.dry_per_kg) for one in each]),
        ("with modified binder", money, 2, [per_ton(one.modified_per_kg) for one in each]),
        ("modified minus dry", money, 2,
         [per_ton(_less(one.modified_per_kg, one.dry_per_kg)) for one in each]),
        ("modified breaks even at", money, 0, [per_ton(one.break_even_per_kg) for one in each]),
    ]  # fmt: skip
    turned = [
        (label, unit_words(unit), *(_rounded(value, decimals) for value in values))
        for label, unit, decimals, values in rows
    ]
    prices = inputs.job.prices
    own = None if prices is None else per_ton(prices.modified_per_kg)
    said = "" if own is None else f"The buyer's own price of modified binder is {own:.0f} {unit_words(money)}. "
    return Table("Cost", _turned([*(spaced(one.mix_id) for one in costs), "the job"]), turned, said + COST_NOTE)


def _less(whole: float | None, part: float) -> float | None:
    return None if whole is None else whole - part
