"""Per cent within limits of a lot: the feeder's dose as an indicator; what samples decide, with its pay factor."""

from collections.abc import Sequence

from crumbmeter.qc.laboratory.results import Result
from crumbmeter.qc.lots import Lot
from crumbmeter.qc.made import indicator
from crumbmeter.qc.pay import pay_factor
from crumbmeter.qc.within import Basis, WithinLimitsError, within_limits
from crumbmeter.report.lot import Judged
from crumbmeter.site.quality import Property, QualityPlan


def judged_of(plan: QualityPlan, lot: Lot, results: Sequence[Result]) -> list[Judged]:
    """Judge a lot.

    Args:
        plan: Its tolerance is that of the dose; its properties are those of the samples.
        lot: One lot.
        results: Of the laboratory, that belong to it.
    """
    found = [_dose(plan, lot), *(_property(plan, one, results) for one in plan.properties)]
    return [one for one in found if one is not None]


def _dose(plan: QualityPlan, lot: Lot) -> Judged | None:
    """Hold the windows of dose against the tolerance about what was asked for; None where that makes no sense."""
    target, within = lot.made.target_dose, plan.deviations.within
    if not target:
        return None
    try:
        made = indicator(lot.made.windows, target * (1.0 - within), target * (1.0 + within))
    except (WithinLimitsError, ValueError):
        return None  # too few windows, or several bases
    return Judged("dose of windows", "fraction", made, decimals=5)


def _property(plan: QualityPlan, one: Property, results: Sequence[Result]) -> Judged | None:
    values = [
        result.figures[one.figure] for result in results if result.test is one.test and one.figure in result.figures
    ]
    try:
        made = within_limits(values, one.lower, one.upper, basis=Basis.RANDOM_SAMPLES)
    except WithinLimitsError:
        return None  # fewer than three samples
    factor = None if plan.pay is None else pay_factor(made, plan.pay)
    percent = None if factor is None or factor.percent is None else float(factor.percent)
    unit = one.figure.rpartition("_")[2]
    return Judged(one.name.replace("_", " "), unit, made, one.decimals, percent)
