"""Control charts of sublot doses as diagrams: individuals, EWMA and CUSUM, each with what it is good for."""

from collections.abc import Iterator, Sequence
from typing import Final

from crumbmeter.qc.charts import Cusum, Ewma, Individuals, OutOfControl, cusum, ewma, individuals
from crumbmeter.qc.lots import Sublot
from crumbmeter.report.document import Chart, Drawn, Limit, Series, Text

LEAST: Final = 8
"""Sublots. Ours: limits of fewer moving ranges are too uncertain to be shown."""
ALLOWANCE_SIGMAS: Final = 0.5
"""[s] Half of a shift of one standard deviation (NIST 6.3.2.3)."""
LIMIT_SIGMAS: Final = 5.0
"""[s] About 465 values to a false alarm with that allowance (Montgomery, table of ARL, FROM MEMORY)."""
SAYS: Final = (
    "A control chart says that something changed, never that a lot is out of specification. Doses are the feeder's own"
    " figures. Limits come from the sublots of this report."
)


def control_charts(sublots: Sequence[Sublot]) -> Iterator[Chart | Text]:
    """Make the three charts of the sublots that have a dose, in order; a text where there are too few.

    Args:
        sublots: All in one basis; those of another basis than the first are left out.
    """
    with_dose = [one for one in sublots if one.made.mean_dose is not None and one.made.basis is not None]
    if with_dose:
        with_dose = [one for one in with_dose if one.made.basis is with_dose[0].made.basis]
    values = [100.0 * (one.made.mean_dose or 0.0) for one in with_dose]
    if len(values) < LEAST:
        if values:
            yield Text(f"{len(values)} sublots with a dose are too few for control charts; {LEAST} are needed.")
        return
    places = [float(place) for place in range(1, len(values) + 1)]
    unit = f"dose [% of {str(with_dose[0].made.basis).replace('_', ' ')}]"
    found = individuals(values)
    yield _individuals_chart(found, places, unit)
    if found.sigma > 0.0:
        yield _ewma_chart(ewma(values, found.centre, found.sigma), places, unit)
        sums = cusum(values, found.centre, ALLOWANCE_SIGMAS * found.sigma, LIMIT_SIGMAS * found.sigma)
        yield _cusum_chart(sums, places)


def _places(out: Sequence[OutOfControl]) -> tuple[int, ...]:
    return tuple(sorted({one.place for one in out}))


def _individuals_chart(found: Individuals, places: list[float], unit: str) -> Chart:
    return Chart(
        "Individuals: dose of each sublot", "sublot", unit,
        (Series("dose", places, found.values, marked=_places(found.out)),),
        (Limit("upper", found.upper), Limit("mean", found.centre, centre=True), Limit("lower", found.lower)),
        f"Mean and three standard deviations, from the mean moving range {found.mean_range:.4f} (NIST 6.3.2.2). {SAYS}",
    )  # fmt: skip


def _ewma_chart(found: Ewma, places: list[float], unit: str) -> Chart:
    return Chart(
        "EWMA of the doses", "sublot", unit,
        (
            Series("EWMA", places, found.averages, marked=_places(found.out)),
            Series("upper limit", places, found.upper, Drawn.STEP),
            Series("lower limit", places, found.lower, Drawn.STEP),
        ),
        (Limit("mean", found.centre, centre=True),),
        "Weight 0.2 (NIST 6.3.2.4): finds small lasting shifts.",
    )  # fmt: skip


def _cusum_chart(found: Cusum, places: list[float]) -> Chart:
    high = [place for place, value in enumerate(found.high) if value > found.limit]
    low = [place for place, value in enumerate(found.low) if value > found.limit]
    return Chart(
        "CUSUM of the doses against their mean", "sublot", "sum [% dose]",
        (
            Series("above", places, found.high, marked=tuple(high)),
            Series("below", places, found.low, marked=tuple(low)),
        ),
        (Limit("limit", found.limit),),
        "Allowance half a standard deviation, limit five (NIST 6.3.2.3).",
    )  # fmt: skip
