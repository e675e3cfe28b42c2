"""A whole job planned before the truck leaves: figures, and checks with their limits. SI. Pure.

Nothing here is asked while the plant runs: it starts nothing, stops nothing and releases nothing.
"""

from collections.abc import Iterator

from crumbmeter.model.frozen import dataclass
from crumbmeter.planning import electric
from crumbmeter.planning.cost import JobCost, MixCost, Prices, job_cost, mix_cost
from crumbmeter.planning.electric import Load, Supply
from crumbmeter.planning.feeding import FeederPlan, Refilling, refilling
from crumbmeter.planning.job_checks import bag_checks, cost_check, feeder_checks, line_checks, supply_check
from crumbmeter.planning.line_job import LineJob, LineResult, line_result
from crumbmeter.planning.rubber import Bags, Hour, JobMix, Needs, Rates, hours, needs
from crumbmeter.planning.verdicts import Check, worst_first


@dataclass(frozen=True, slots=True)
class Job:
    """All that is known of a job. None: that part is not known, and its checks cannot be judged."""

    mixes: tuple[JobMix, ...]
    rates: Rates
    bags: Bags
    feeder: FeederPlan
    line: LineJob
    loads: tuple[Load, ...] = ()
    diversity: float = 1.0
    supply: Supply | None = None
    prices: Prices | None = None


@dataclass(frozen=True, slots=True)
class Step:
    """One mix at one rate, and what it asks of the feeder."""

    hour: Hour
    speed_rev_s: float | None
    bag_lasts_s: float | None
    """[s] None: no rubber."""
    refilling: Refilling | None


@dataclass(frozen=True, slots=True)
class JobPlan:
    """What a job comes to."""

    needs: Needs
    steps: tuple[Step, ...]
    line: tuple[LineResult, ...]
    """At the lowest and at the highest rate of rubber; empty: the line is not known."""
    electric: electric.Total | None
    costs: tuple[MixCost, ...]
    cost: JobCost | None
    checks: tuple[Check, ...]
    """Those that fail first."""


def plan(job: Job) -> JobPlan:
    """Plan a job."""
    steps = tuple(_step(job, hour) for hour in hours(job.mixes, job.rates))
    fed = tuple(step for step in steps if step.hour.rubber_kg_s > 0.0)
    needed = needs(job.mixes, job.rates, job.bags)
    rates = sorted({step.hour.rubber_kg_s for step in fed})
    line = tuple(line_result(job.line, rate) for rate in dict.fromkeys((rates[0], rates[-1]))) if rates else ()
    total = electric.total(job.loads, job.diversity) if job.loads else None
    costs = tuple(_costs(job, 0.0 if total is None else total.mean_w))
    cost = job_cost(costs) if costs else None
    checks = (
        *feeder_checks(job.feeder, [step.hour for step in fed]),
        *bag_checks(job.bags, job.feeder, needed, [step.hour for step in fed]),
        *(line_checks(job.line, line) if rates else ()),
        supply_check(job.supply, total),
        *(() if not rates else (cost_check(cost),)),
    )
    return JobPlan(needed, steps, line, total, costs, cost, worst_first(checks))


def _step(job: Job, hour: Hour) -> Step:
    rate_kg_s = hour.rubber_kg_s
    bag_s = job.bags.bag_kg / rate_kg_s if rate_kg_s > 0.0 else None
    return Step(hour, job.feeder.speed_rev_s(rate_kg_s), bag_s, refilling(job.feeder, rate_kg_s))


def _costs(job: Job, mean_w: float) -> Iterator[MixCost]:
    if job.prices is not None:
        for mix in job.mixes:
            if mix.rubber_share > 0.0:
                yield mix_cost(mix, job.prices, job.bags.waste, job.rates.typical_kg_s, mean_w)
