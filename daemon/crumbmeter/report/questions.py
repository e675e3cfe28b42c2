"""The questions that QC asks, by name, each answered with a document. Page, command line and API share them."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final

from crumbmeter.report import (
    answers_commissioning,
    answers_mix,
    answers_moisture,
    answers_records,
    answers_rubber,
    answers_trucks,
    loop_sheet,
)
from crumbmeter.report.document import Document
from crumbmeter.report.sources import NoAnswerError, Sources, Span

Answer = Callable[[Sources, Span, str], Document]
"""Takes the sources, a period, and what it is about (an id, or nothing)."""


@dataclass(frozen=True, slots=True)
class Question:
    """One question."""

    name: str
    title: str
    answer: Answer
    under: str = ""
    """The question whose answer leads to it; empty: it stands by itself."""
    about: str = ""
    """What it is about, in words; empty: nothing."""
    tables: bool = False
    """Whether its table is worth having as a file of its own (CSV, TSV, Parquet)."""

    @property
    def files(self) -> tuple[str, ...]:
        """List the formats in which it can be taken away."""
        return ("pdf", "json", "csv", "tsv", "parquet") if self.tables else ("pdf", "json")


QUESTIONS: Final = (
    Question("deviations", "Deviations", answers_mix.deviations, tables=True),
    Question("deviation", "A deviation", answers_mix.deviation, "deviations", "id of a deviation, such as D41-short"),
    Question("day", "Day and shifts", answers_mix.day, about="number of a shift, or nothing for the whole day"),
    Question("lots", "Lots", answers_mix.lots, tables=True),
    Question("lot", "A lot", answers_mix.lot, "lots", "id of a lot"),
    Question("trucks", "Trucks", answers_trucks.trucks, tables=True),
    Question("truck", "A load ticket", answers_trucks.truck, "trucks", "number of a load ticket"),
    Question("rubber", "Rubber", answers_rubber.rubber),
    Question("recall", "Recall of a bag lot", answers_rubber.recalled, "rubber", "bag lot"),
    Question("calibrations", "Calibrations", answers_records.calibrations, tables=True),
    Question("certificate", "A calibration", answers_records.certificate, "calibrations", "entry of a calibration"),
    Question("moistures", "Moistures", answers_moisture.moistures, tables=True),
    Question("laboratory", "Laboratory", answers_records.laboratory, tables=True),
    Question("specification", "Specification", answers_records.specification, about="name of a specification"),
    Question(
        "log", "Production log", answers_mix.log, about="seconds between two records, 300 by default", tables=True
    ),
    Question("loop-checks", "Loop checks", loop_sheet.loop_checks, tables=True),
    Question(
        "commissioning", "Commissioning", answers_commissioning.commissioning, about="acceptance run, or the newest"
    ),
    Question("acceptance", "Acceptance run", answers_commissioning.acceptance, about="its id, or the newest"),
    Question("timing", "Timing", answers_commissioning.timing),
    Question("entries", "Entries", answers_records.entries, tables=True),
)
BY_NAME: Final[Mapping[str, Question]] = {one.name: one for one in QUESTIONS}


def answer(sources: Sources, name: str, span: Span, about: str = "") -> Document:
    """Answer a question.

    Raises:
        NoAnswerError: there is no such question, or nothing to answer it with; the text says which.
    """
    question = BY_NAME.get(name)
    if question is None:
        raise NoAnswerError(f"no question {name!r}; there are: {', '.join(BY_NAME)}")
    return question.answer(sources, span, about)
