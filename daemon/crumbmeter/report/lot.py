"""The lot report: its sublots, their scatter, per cent within limits as an indicator, and what touches it."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from crumbmeter.ledger.judging import Case
from crumbmeter.qc.laboratory.results import Result
from crumbmeter.qc.lots import WINDOW_G, Lot
from crumbmeter.qc.within import Basis, Within
from crumbmeter.report.calibration import Standing, standing_table
from crumbmeter.report.control_charts import control_charts
from crumbmeter.report.deviation import deviations_table
from crumbmeter.report.document import Block, Column, Document, Fact, Facts, Signature, Table, Text, number
from crumbmeter.report.figures import Value, rounded
from crumbmeter.report.frame import Frame
from crumbmeter.report.making import doses_table, made_facts, masses_table


@dataclass(frozen=True, slots=True)
class Judged:
    """Per cent within limits of one property of the lot."""

    name: str
    unit: str
    within: Within
    decimals: int = 3
    pay_percent: float | None = None
    """[%] Pay factor; None: these figures decide no pay."""


@dataclass(frozen=True, slots=True)
class LotContent:
    """All that a lot report is made of."""

    lot: Lot
    cases: Sequence[Case] = ()
    judged: Sequence[Judged] = ()
    calibrations: Sequence[Standing] = ()
    results: Sequence[tuple[str, Result]] = ()
    """Results of the laboratory with the sublot that each belongs to."""
    bag_lots: Sequence[str] = ()
    """That may be in it."""
    window_g: int = WINDOW_G


def build(frame: Frame, content: LotContent) -> Document:
    """Make the report."""
    lot = content.lot
    standing = "" if lot.complete else " (open: it may go on)"
    title = f"Lot {lot.lot_id}{standing}"
    span = frame.span(lot.made.began_us, lot.made.ended_us)
    return frame.document("lot", title, span, _blocks(frame, content), simulated=bool(lot.made.simulated_g))


def _blocks(frame: Frame, content: LotContent) -> Iterator[Block]:
    lot = content.lot
    yield made_facts(frame, lot.made)
    yield Facts(
        (
            Fact("lots are cut by", lot.by.value),
            Fact("ended by", lot.ended.value),
            Fact("sublots", len(lot.sublots)),
            Fact("parcels", lot.made.parcels),
            Fact("bag lots that may be in it", ", ".join(content.bag_lots) or "not known"),
        ),
        "Lot",
    )
    yield doses_table(frame, lot.sublots, content.window_g)
    yield masses_table(frame, lot.sublots)
    yield from _within(content.judged)
    yield deviations_table(frame, content.cases)
    yield _results(content.results)
    yield standing_table(frame, content.calibrations)
    yield from control_charts(lot.sublots)
    yield Signature(("Quality control",))


def _within(judged: Sequence[Judged]) -> Iterator[Block]:
    if not judged:
        return
    columns = (
        Column("property"), Column("values are"), number("n"), number("mean", decimals=None),
        number("std. dev.", decimals=None), number("lower limit", decimals=None), number("upper limit", decimals=None),
        number("PWL", "percent", 2), number("pay factor", "percent", 1), Column("by"),
    )  # fmt: skip
    yield Table("Per cent within limits", columns, [_judged(one) for one in judged])
    if any(one.within.basis is Basis.FEEDER for one in judged):
        yield Text(
            "PWL of the feeder's own figures is an indicator: they follow each other. Pay is decided on random samples."
        )


def _judged(one: Judged) -> tuple[Value, ...]:
    within = one.within
    return (
        f"{one.name} [{one.unit}]", within.basis.value, within.n, _text(within.mean, one), _text(within.s, one, 1),
        _text(within.lower, one), _text(within.upper, one), within.pwl_percent, one.pay_percent, within.mode,
    )  # fmt: skip


def _text(value: float | None, one: Judged, finer: int = 0) -> Value:
    return None if value is None else rounded(value, one.decimals + finer)


def _results(results: Sequence[tuple[str, Result]]) -> Table:
    columns = (
        Column("sublot"), Column("sample"), Column("test"), Column("figure"), number("value", decimals=None),
        Column("complete"), Column("method"),
    )  # fmt: skip
    rows = [
        (sublot, one.sample_id, one.test.value, name.replace("_", " "), value, one.complete, one.method)
        for sublot, one in results
        for name, value in one.figures.items()
    ]
    return Table("Laboratory", columns, rows)
