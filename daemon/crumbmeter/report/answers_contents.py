"""Binder contents of the laboratory against the job: corrected for the rubber, or refused with the reason."""

from collections.abc import Mapping, Sequence

from crumbmeter.control.params import Params
from crumbmeter.qc.laboratory.contents import ContentMethod, ContentTest, MixCorrection, Refused, binder_content
from crumbmeter.qc.laboratory.results import Result, Test, Tie
from crumbmeter.qc.lots import Lot, Sublot
from crumbmeter.report.document import Column, Table, number
from crumbmeter.report.figures import Value

RUBBER_SHARE = "correction_rubber_percent"
"""Of the rubber, how much the method takes with the binder, by specimens of this mix."""
AGGREGATE = "correction_aggregate_percent"


def contents_table(params: Params, lots: Sequence[Lot], results: Sequence[Result], ties: Mapping[str, Tie]) -> Table:
    """Hold each binder content against its job; the rubber is that of the sample's sublot, by the record."""
    sublots = {one.sublot_id: one for lot in lots for one in lot.sublots}
    rows = [
        _row(params, one, sublots.get(ties[one.sample_id].sublots[0]) if _tied(one, ties) else None)
        for one in results
        if one.test is Test.BINDER and "measured_percent" in one.figures
    ]
    columns = (
        Column("result"), Column("method"), number("measured", "percent of mix", 2),
        number("rubber", "percent of mix", 3), number("binder", "percent of mix without rubber", 2),
        number("job", "percent of mix without rubber", 2), number("found less job", "percent points", 2),
        Column("not compared because"),
    )  # fmt: skip
    return Table("Binder content against the job", columns, rows)


def _tied(result: Result, ties: Mapping[str, Tie]) -> bool:
    return result.sample_id in ties and bool(ties[result.sample_id].sublots)


def _row(params: Params, result: Result, sublot: Sublot | None) -> tuple[Value, ...]:
    measured = result.figures["measured_percent"]

    def refused(why: str, rubber: float | None = None) -> tuple[Value, ...]:
        return (result.result_id, result.method, measured, rubber, None, None, None, why)

    if sublot is None:
        return refused("its sample belongs to no sublot on record")
    masses, mixes = sublot.made.masses, sublot.made.mix_ids
    if len(mixes) != 1:
        return refused("its sublot holds several mixes")
    if result.method not in list(ContentMethod):
        return refused(f"the method must be {' or '.join(ContentMethod)}: what it does to rubber differs")
    rubber = 100.0 * masses.rubber_g / masses.mix_g
    method = ContentMethod(result.method)
    correction = None
    if RUBBER_SHARE in result.figures:
        correction = MixCorrection(
            mixes[0], method, result.figures[RUBBER_SHARE] / 100.0, result.figures.get(AGGREGATE, 0.0), result.note
        )
    found = binder_content(ContentTest(mixes[0], method, measured, rubber), correction)
    if isinstance(found, Refused):
        return refused(found.why, rubber)
    job = next((100.0 * one.total_binder_content for one in params.mixes if one.mix_id == mixes[0]), None)
    binder = found.of_mix_without_rubber_percent
    return (
        result.result_id, result.method, measured, rubber, binder, job, None if job is None else binder - job, None,
    )  # fmt: skip
