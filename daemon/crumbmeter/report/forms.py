"""The forms in which people say things for the quality record: the same on the page, over the API and in a terminal.

A form is a list of fields; what is typed into them is text. `said_of` makes it an entry, in SI and whole grams, and
lets the subject's own reader look at it, so that nothing is recorded that could not be read back.
"""

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any, Final

from crumbmeter.model.frozen import dataclass
from crumbmeter.qc import calibration_entries, moisture, rubber_entries, silos, tickets
from crumbmeter.qc.calibrations import CalibrationKind
from crumbmeter.qc.laboratory import results
from crumbmeter.qc.laboratory.contents import ContentMethod
from crumbmeter.qc.laboratory.results import Test
from crumbmeter.qc.reviews import Cause, Disposition
from crumbmeter.qc.rubber_entries import RubberWord
from crumbmeter.qc.said import Said, Subject
from crumbmeter.qc.silos import SiloWord
from crumbmeter.qc.weighing_runs import Minimum
from crumbmeter.report import form_makers
from crumbmeter.report.form_gradation import gradation_without_rubber
from crumbmeter.report.form_texts import FormRefusedError, Texts
from crumbmeter.report.sources import Sources
from crumbmeter.site import Site
from crumbmeter.site.quality import QualityPlan

__all__ = ["Field", "Form", "FormRefusedError", "forms", "said_of"]

QC: Final = ("qc", "integrator")
YARD: Final = ("operator", "qc", "integrator")
"""Also who loads trucks and bags."""
FORM_NAMES: Final = (
    "judgement", "signature", "ticket", "silo", "bag lot", "rubber", "calibration", "moisture", "sample", "result",
    "curve", "correction", "feeder run", "gradation",
)  # fmt: skip
"""All there are; a site offers those that it has something for."""
READERS: Final[Mapping[Subject, Callable[[Said], object]]] = {
    Subject.TICKET: tickets.read,
    Subject.SILO: silos.read,
    Subject.BAG_LOT: rubber_entries.read_bag_lot,
    Subject.RUBBER: rubber_entries.read,
    Subject.CALIBRATION: calibration_entries.read,
    Subject.MOISTURE: moisture.read,
    Subject.SAMPLE: results.read_sample,
    Subject.RESULT: results.read_result,
}


@dataclass(frozen=True, slots=True)
class Field:
    """One field of a form."""

    name: str
    label: str
    kind: str = "text"
    """text, number, choice, time, curve or password."""
    unit: str = ""
    choices: tuple[str, ...] = ()
    required: bool = True
    help: str = ""
    subject: bool = False
    """Whether it is filled in with what the page is about."""


@dataclass(frozen=True, slots=True)
class Form:
    """One form."""

    name: str
    title: str
    question: str
    """Under which question it is offered."""
    roles: tuple[str, ...]
    fields: tuple[Field, ...]
    make: Callable[[Sources, Texts], tuple[Subject, str, Mapping[str, Any]]]
    button: str = "Put on record"


TIME: Final = Field("time", "When", "time", required=False, help="In the plan's time zone; left out: now.")
NOTE: Final = Field("note", "Note", required=False)


def forms(site: Site, plan: QualityPlan) -> tuple[Form, ...]:
    """List the forms of a site, with its units and its silos."""
    metric = site.units == "metric"
    ton, small = ("tonne", "kg") if metric else ("short ton", "lb")
    stores = tuple(silo.silo_id for silo in plan.silos)
    mixes = tuple(mix.mix_id for mix in site.params.mixes)
    streams = tuple(stream.stream_id for stream in site.params.streams if stream.wet)
    every = (
        Form("judgement", "Judge", "deviation", QC, _JUDGEMENT, form_makers.judgement),
        Form("signature", "Sign", "deviation", QC, _SIGNATURE, form_makers.signature, "Sign"),
        Form("ticket", "Load ticket", "trucks", YARD, _ticket(ton, stores), form_makers.ticket),
        Form("silo", "Silo", "trucks", YARD, _silo(ton, stores), form_makers.silo),
        Form("bag lot", "Bag lot", "rubber", YARD, _bag_lot(small), form_makers.bag_lot),
        Form("rubber", "Rubber", "rubber", YARD, _rubber(small), form_makers.rubber),
        Form("calibration", "Calibration", "calibrations", QC, _calibration(small), form_makers.calibration),
        Form("feeder run", "Feeder run", "calibrations", QC, _feeder_run(small), form_makers.feeder_run),
        Form("moisture", "Moisture", "moistures", QC, _moisture(streams), form_makers.moisture),
        Form("sample", "Sample", "laboratory", QC, _SAMPLE, form_makers.sample),
        Form("result", "Result", "laboratory", QC, _RESULT, form_makers.result),
        Form("gradation", "Gradation", "laboratory", QC, _gradation(mixes), gradation_without_rubber),
        Form("curve", "Raw curve", "laboratory", QC, _CURVE, form_makers.curve),
        Form("correction", "Take back an entry", "entries", QC, _CORRECTION, form_makers.correction),
    )
    empty = {"silo": not stores, "moisture": not streams}  # nothing that they could be about
    return tuple(form for form in every if not empty.get(form.name, False))


def said_of(sources: Sources, name: str, fields: Mapping[str, str], who: str, now_us: int) -> Said:
    """Make an entry out of a form.

    Args:
        sources: The records, for what the entry is about.
        name: Of the form.
        fields: What was typed, by field. `corrects` (an entry's number) and `reason` may come with every form.
        who: Name and role, or where it came from.
        now_us: [us] UTC since 1970.

    Raises:
        FormRefusedError: with the field, what was found and expected, and the remedy. Nothing is recorded.
    """
    known = {form.name: form for form in forms(sources.site, sources.plan)}
    form = known.get(name)
    if form is None:
        raise FormRefusedError("form", repr(name), f"one of {', '.join(known)}", "Choose one of them.")
    names = {one.name for one in form.fields} | {"corrects", "reason", "time"}
    for given in fields:
        if given not in names:
            raise FormRefusedError(given, "an unknown field", f"one of {', '.join(sorted(names))}", "Leave it out.")
    for one in form.fields:
        if one.required and one.kind != "password" and not fields.get(one.name, "").strip():
            raise FormRefusedError(
                one.name, "nothing", one.help or f"{one.label.lower()} {one.unit}".strip(), "Fill it in."
            )
        if one.choices and fields.get(one.name, "") not in ("", *one.choices):
            raise FormRefusedError(one.name, repr(fields[one.name]), f"one of {', '.join(one.choices)}", "Choose one.")
    texts = Texts(fields, sources.plan.calendar, sources.site.units == "metric", now_us)
    subject, about, what = form.make(sources, texts)
    said = Said(subject, about, what, who, texts.moment("time"))
    said = _correcting(sources, said, texts, own=name == "correction")
    reader = READERS.get(subject)
    if reader is not None and what:
        try:
            reader(said)
        except ValueError as problem:
            raise FormRefusedError(name, str(problem), "an entry that can be read back", "Put it right.") from problem
    return said


def _correcting(sources: Sources, said: Said, texts: Texts, *, own: bool) -> Said:
    """Let an entry take the place of another one, where it says so."""
    number = texts.text("entry" if own else "corrects")
    if not number:
        return said
    holding = {str(one.seq): one for one in sources.said.holding}
    held = holding.get(number)
    where = "entry" if own else "corrects"
    if held is None:
        raise FormRefusedError(where, number, "the number of an entry that holds", "Look it up under Entries.")
    if not texts.text("reason"):
        raise FormRefusedError("reason", "nothing", "why it is corrected", "Say why: it stays on record.")
    if own:
        return replace(said, subject=held.subject, about=held.about, corrects=held.seq, reason=texts.text("reason"))
    if held.subject is not said.subject:
        found = f"entry {number} is about a {held.subject.value}"
        raise FormRefusedError(where, found, f"one about a {said.subject.value}", "Correct it by its own form.")
    return replace(said, corrects=held.seq, reason=texts.text("reason"))


_JUDGEMENT = (
    Field("deviation", "Deviation", subject=True),
    Field("cause", "Cause", "choice", choices=tuple(Cause), required=False),
    Field("disposition", "Disposition", "choice", choices=tuple(Disposition), required=False),
    Field("comment", "Comment", required=False),
)
_SIGNATURE = (
    Field("deviation", "Deviation", subject=True),
    Field("meaning", "What the signature means", help="Such as: reviewed and disposed."),
    Field("password", "Your password, once more", "password"),
)
_SAMPLE = (
    Field("sample", "Sample"),
    Field("ticket", "Load ticket", required=False, help="Of these three give one, or none: then the time tells."),
    Field("parcel", "Parcel", required=False),
    Field("tons", "Tons of the day before it", "number", required=False, help="In the site's tons."),
    Field("mix", "Mix", required=False),
    TIME,
    NOTE,
)
_RESULT = (
    Field("result", "Result"),
    Field("sample", "Sample"),
    Field("test", "Test", "choice", choices=tuple(Test)),
    Field("method", "Method", help="Standard, and what the figure rests on."),
    Field("figures", "Figures", help="Such as: air_voids_percent 3.4"),
    TIME,
    NOTE,
)
_CURVE = (
    Field("result", "Result"),
    Field("sample", "Sample"),
    Field("test", "Test", "choice", choices=(Test.HAMBURG, Test.FRACTURE, Test.CRACKING)),
    Field("diameter_mm", "Diameter", "number", "mm", required=False, help="CT index."),
    Field("thickness_mm", "Thickness", "number", "mm", required=False, help="CT index and fracture energy."),
    Field("ligament_mm", "Ligament", "number", "mm", required=False, help="Fracture energy."),
    Field("curve", "Curve", "curve", help="CSV with a header that names units, such as passes,rut_mm."),
    TIME,
)
_CORRECTION = (
    Field("entry", "Entry", subject=True, help="Its number."),
    Field("reason", "Why"),
)


def _ticket(ton: str, stores: tuple[str, ...]) -> tuple[Field, ...]:
    return (
        Field("ticket", "Ticket"),
        Field("net", "Net mass", "number", ton),
        *((Field("silo", "Silo", "choice", choices=stores, required=False),) if stores else ()),
        Field("truck", "Truck", required=False),
        Field("project", "Project", required=False),
        Field("mix", "Mix", required=False),
        TIME,
    )


def _silo(ton: str, stores: tuple[str, ...]) -> tuple[Field, ...]:
    return (
        Field("silo", "Silo", "choice", choices=stores),
        Field("word", "What", "choice", choices=tuple(SiloWord)),
        Field("mass", "Mass", "number", ton, required=False, help="Of a content, or of what was withdrawn."),
        Field("within", "Right within", "number", ton, required=False),
        TIME,
    )


def _bag_lot(small: str) -> tuple[Field, ...]:
    return (
        Field("lot", "Bag lot"),
        Field("certificate", "Certificate", required=False),
        Field("supplier", "Supplier", required=False),
        Field("scale", "Scale that weighed the bags", required=False),
        Field("shared", "Standard uncertainty shared by its bags", "number", small, required=False),
        Field("own", "Standard uncertainty of each bag by itself", "number", small, required=False),
    )


def _rubber(small: str) -> tuple[Field, ...]:
    return (
        Field("word", "What", "choice", choices=tuple(RubberWord)),
        Field("mass", "Mass", "number", small),
        Field("within", "Right within", "number", small, required=False),
        NOTE,
        TIME,
    )


def _calibration(small: str) -> tuple[Field, ...]:
    help_ = "Reference and indicated, parted by a space; of a zero test the full scale and what the totaliser gained."
    return (
        Field("instrument", "Instrument"),
        Field("kind", "Kind", "choice", choices=tuple(CalibrationKind)),
        Field("trial_1", "First trial", "text", small, required=False, help=help_),
        Field("trial_2", "Second trial", "text", small, required=False),
        Field("trial_3", "Third trial", "text", small, required=False),
        Field("certificate", "Certificate", required=False),
        NOTE,
        TIME,
    )


def _feeder_run(small: str) -> tuple[Field, ...]:
    words = ("yes", "no")
    return (
        Field("instrument", "Instrument"),
        Field("caught", "Caught", "number", small, help="On a checked scale, without the container."),
        Field("indicated", "Fed by the feeder's own count", "number", small),
        Field("minutes", "Length of the run", "number", "min"),
        Field("warm_up", "Normal running just before", "number", "min"),
        Field("refills", "Complete refills in the run", "number"),
        Field("isolated", "Scale kept from vibration", "choice", choices=words),
        Field("before", "Scale checked before", "choice", choices=words),
        Field("after", "Scale checked after", "choice", choices=words),
        Field("minimum", "Shortest run", "choice", choices=tuple(Minimum), required=False, help="As agreed."),
        Field("certificate", "Certificate", required=False),
        NOTE,
        TIME,
    )


def _gradation(mixes: tuple[str, ...]) -> tuple[Field, ...]:
    sieves = "Opening in mm and percent passing, such as: 9.5 92, 4.75 61, 2.36 42"
    return (
        Field("result", "Result"),
        Field("sample", "Sample"),
        Field("mix", "Mix", "choice", choices=mixes),
        Field("method", "Binder taken out by", "choice", choices=tuple(ContentMethod)),
        Field("sieves", "Passing, as sieved", help=sieves),
        Field("measured", "Loss in the oven, or extracted", "number", "% of mix"),
        Field("rubber", "Rubber, by the record", "number", "% of mix", help="0 for a mix without rubber."),
        Field("rubber_taken", "Of the rubber, burnt or dissolved", "number", "%", required=False,
              help="By specimens of this mix with known binder and rubber."),
        Field("aggregate_lost", "Aggregate lost in the oven", "number", "% of mix", required=False),
        Field("rubber_sieves", "Passing, of the rubber alone", required=False,
              help=f"Behind a solvent; on the sieves of the mix. {sieves}"),
        NOTE,
        TIME,
    )  # fmt: skip


def _moisture(streams: tuple[str, ...]) -> tuple[Field, ...]:
    return (
        Field("stream", "Stream", "choice", choices=streams),
        Field("percent", "Moisture", "number", "% of dry mass"),
        Field("time", "Holds from", "time", required=False, help="In the plan's time zone; left out: now."),
    )
