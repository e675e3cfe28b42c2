"""The form of a gradation: sieved behind an oven or a solvent, with the rubber taken out before it goes on record."""

from collections.abc import Mapping
from typing import Any

from crumbmeter.qc.laboratory.contents import (
    ContentMethod,
    ContentTest,
    Gradation,
    GradationRefusedError,
    MixCorrection,
    Refused,
    gradation,
    without_rubber,
)
from crumbmeter.qc.laboratory.results import Test
from crumbmeter.qc.said import Subject
from crumbmeter.report.form_texts import FormRefusedError, Texts
from crumbmeter.report.sources import Sources


def gradation_without_rubber(_sources: Sources, texts: Texts) -> tuple[Subject, str, Mapping[str, Any]]:
    """Enter a gradation; the record has that of the aggregate alone, and what was sieved in its note."""
    method, mix = ContentMethod(texts.text("method")), texts.text("mix")
    sieved = _sieves(texts, "sieves")
    test = ContentTest(mix, method, _percent(texts, "measured"), _percent(texts, "rubber"))
    correction = None
    if texts.text("rubber_taken"):
        share = _percent(texts, "rubber_taken") / 100.0
        lost = _percent(texts, "aggregate_lost") if texts.text("aggregate_lost") else 0.0
        correction = MixCorrection(mix, method, share, lost, texts.text("note"))
    rubber = _sieves(texts, "rubber_sieves") if texts.text("rubber_sieves") else None
    found = without_rubber(sieved, test, correction, rubber)
    if isinstance(found, Refused):
        raise FormRefusedError("rubber", texts.text("rubber"), "what takes the rubber out", found.why)
    figures = {f"passing_{opening:g}mm_percent": round(passing, 4) for opening, passing in found.passing_percent}
    raw = f"as sieved: {texts.text('sieves')}"
    if rubber is not None:
        raw += f"; rubber: {texts.text('rubber_sieves')}"
    note = "; ".join(one for one in (raw, found.note, texts.text("note")) if one)
    what = {
        "sample_id": texts.text("sample"), "test": Test.GRADATION.value, "figures": figures, "note": note,
        "method": f"{method.value}, rubber of {test.rubber_percent:g} % of mix taken out" if test.rubber_percent
        else method.value,
    }  # fmt: skip
    return Subject.RESULT, texts.text("result"), what


def _percent(texts: Texts, name: str) -> float:
    value = float(texts.parsed(name, texts.text(name)))
    if not 0.0 <= value <= 100.0:
        raise FormRefusedError(name, texts.text(name), "0 to 100 percent", "Look at it.")
    return value


def _sieves(texts: Texts, name: str) -> Gradation:
    passing: dict[float, float] = {}
    for part in texts.text(name).split(","):
        words = part.split()
        if len(words) != 2:
            raise FormRefusedError(name, repr(part.strip()), "an opening in mm and percent passing", "Part by commas.")
        opening, share = (float(texts.parsed(name, word)) for word in words)
        if opening in passing:
            raise FormRefusedError(name, f"{opening:g} mm twice", "each sieve once", "Leave one out.")
        passing[opening] = share
    try:
        return gradation(passing)
    except GradationRefusedError as refused:
        raise FormRefusedError(name, str(refused), "shares that fall with the openings", "Look at it.") from refused
