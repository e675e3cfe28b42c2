"""How each form becomes the content of an entry: subject, what it is about, and what is said."""

from collections.abc import Mapping
from hashlib import sha256
from typing import Any, Final

from crumbmeter.outward.laboratory_files import CurveKind, LaboratoryFileRefusedError, read_curve
from crumbmeter.qc import calibration_entries, calibrations, reviews, rubber_entries, silos, tickets
from crumbmeter.qc.calibrations import CalibrationKind
from crumbmeter.qc.laboratory import cracking, fracture, hamburg
from crumbmeter.qc.laboratory.curves import CurveRefusedError
from crumbmeter.qc.laboratory.results import Test
from crumbmeter.qc.said import Subject
from crumbmeter.qc.silos import SiloWord
from crumbmeter.qc.weighing_runs import FeederRun, Minimum
from crumbmeter.report.answers_mix import find_case
from crumbmeter.report.form_texts import FormRefusedError, Texts
from crumbmeter.report.sources import NoAnswerError, Sources

Content = tuple[Subject, str, Mapping[str, Any]]


def judgement(sources: Sources, texts: Texts) -> Content:
    """Judge a deviation."""
    about = _deviation(sources, texts)
    try:
        said = reviews.judgement(texts.text("cause"), texts.text("disposition"), texts.text("comment"))
    except reviews.ReviewRefusedError as refused:
        raise FormRefusedError("comment", "nothing", str(refused), "Say one of them.") from refused
    return Subject.DEVIATION, about, said


def _deviation(sources: Sources, texts: Texts) -> str:
    about = texts.text("deviation")
    try:
        return find_case(sources, about).deviation.deviation_id
    except NoAnswerError as missing:
        raise FormRefusedError(
            "deviation", repr(about), "the id of a deviation", "Look it up under Deviations."
        ) from missing


def signature(sources: Sources, texts: Texts) -> Content:
    """Sign what was judged. The password is looked at by the desk, and never comes here."""
    about = _deviation(sources, texts)
    case = find_case(sources, about)
    try:
        said = reviews.signature(case.deviation, case.review, texts.text("meaning"))
    except reviews.ReviewRefusedError as refused:
        raise FormRefusedError("deviation", about, str(refused), "Judge it first.") from refused
    return Subject.DEVIATION, about, said


def ticket(_sources: Sources, texts: Texts) -> Content:
    """Enter a load ticket."""
    made = tickets.Ticket(
        texts.text("ticket"), 0, texts.tons_g("net") or 0, texts.text("silo"), texts.text("truck"), texts.text("mix"),
        texts.text("project"),
    )  # fmt: skip
    return Subject.TICKET, made.number, tickets.what(made)


def silo(_sources: Sources, texts: Texts) -> Content:
    """Say something about a silo."""
    word = SiloWord(texts.text("word"))
    if word in (SiloWord.CONTENT, SiloWord.WITHDRAWN) and texts.tons_g("mass") is None:
        raise FormRefusedError("mass", "nothing", f"the mass of {word.value}", "Fill it in.")
    made = silos.SiloEntry(texts.text("silo"), 0, word, texts.tons_g("mass") or 0, texts.tons_g("within") or 0)
    return Subject.SILO, made.silo_id, silos.what(made)


def bag_lot(_sources: Sources, texts: Texts) -> Content:
    """Enter a bag lot with its certificate."""
    made = rubber_entries.BagLot(
        texts.text("lot"), texts.text("certificate"), texts.text("supplier"), texts.text("scale"),
        texts.smalls_g("shared"), texts.smalls_g("own") or 0,
    )  # fmt: skip
    return Subject.BAG_LOT, made.lot, rubber_entries.what_bag_lot(made)


def rubber(_sources: Sources, texts: Texts) -> Content:
    """Say something about rubber that no scale of the plant tells."""
    word = rubber_entries.RubberWord(texts.text("word"))
    made = rubber_entries.RubberEntry(
        word, 0, texts.smalls_g("mass") or 0, texts.smalls_g("within"), texts.text("note")
    )
    return Subject.RUBBER, word.value, rubber_entries.what(made)


def calibration(_sources: Sources, texts: Texts) -> Content:
    """Enter a calibration."""
    kind = CalibrationKind(texts.text("kind"))
    zero = kind is CalibrationKind.BELT_ZERO
    trials = []
    for name in ("trial_1", "trial_2", "trial_3"):
        parts = texts.text(name).split()
        if not parts:
            continue
        if len(parts) != 2:
            raise FormRefusedError(name, repr(texts.text(name)), "two numbers", "Reference first, then indicated.")
        base, indicated = (texts.smalls_kg(name, part) for part in parts)
        trials.append(calibrations.Trial(base, indicated if zero else indicated - base))
    made = calibrations.Calibration(
        texts.text("instrument"), kind, 0, "", tuple(trials), texts.text("certificate"), texts.text("note")
    )
    return Subject.CALIBRATION, made.instrument, calibration_entries.what(made)


def feeder_run(_sources: Sources, texts: Texts) -> Content:
    """Enter a calibration run of a loss-in-weight feeder, with what its rules ask for."""
    caught_kg, indicated_kg = (texts.smalls_kg(name, texts.text(name)) for name in ("caught", "indicated"))
    minutes, warm_up, refills = (
        float(texts.parsed(name, texts.text(name))) for name in ("minutes", "warm_up", "refills")
    )
    if refills != int(refills) or refills < 0.0:
        raise FormRefusedError("refills", texts.text("refills"), "a whole number of 0 or more", "Count complete ones.")
    said = [texts.text(name) == "yes" for name in ("isolated", "before", "after")]
    run = FeederRun(60.0 * minutes, caught_kg, 60.0 * warm_up, int(refills), *said)
    made = calibrations.Calibration(
        texts.text("instrument"), CalibrationKind.FEEDER_RUN, 0, "",
        (calibrations.Trial(caught_kg, indicated_kg - caught_kg),), texts.text("certificate"), texts.text("note"),
        runs=(run,), minimum=Minimum(texts.text("minimum") or Minimum.TIME),
    )  # fmt: skip
    return Subject.CALIBRATION, made.instrument, calibration_entries.what(made)


def moisture(sources: Sources, texts: Texts) -> Content:
    """Enter a moisture that holds from a time on."""
    stream = texts.text("stream")
    kind = next(one.kind.value for one in sources.site.params.streams if one.stream_id == stream)
    material = "recycle" if kind == "recycle" else "aggregate"
    percent = texts.number("percent")
    return Subject.MOISTURE, stream, {"moisture_percent": float(percent or 0), "basis": "dry", "material": material}


def sample(_sources: Sources, texts: Texts) -> Content:
    """Enter a sample, with where it was taken."""
    parcel, tons_g = texts.text("parcel"), texts.tons_g("tons")
    if parcel and not parcel.isdigit():
        raise FormRefusedError("parcel", repr(parcel), "the number of a parcel", "Leave it out, or put it right.")
    what = {
        "ticket": texts.text("ticket"), "parcel": int(parcel) if parcel else None, "mix_id": texts.text("mix"),
        "mix_kg": None if tons_g is None else tons_g / 1000.0, "note": texts.text("note"),
    }  # fmt: skip
    kept = {key: value for key, value in what.items() if value not in (None, "")}
    return Subject.SAMPLE, texts.text("sample"), kept or {"note": "none"}


def result(_sources: Sources, texts: Texts) -> Content:
    """Enter figures that a laboratory found."""
    figures: dict[str, float] = {}
    for part in texts.text("figures").split(","):
        name, _, value = part.strip().rpartition(" ")
        if not name:
            raise FormRefusedError("figures", repr(part), "a name and a number", "Part figures by commas.")
        figures[name.strip()] = float(texts.parsed("figures", value))
    return _result(texts, texts.text("method"), figures, texts.text("note"))


def _result(texts: Texts, method: str, figures: Mapping[str, float], note: str) -> Content:
    what: dict[str, Any] = {
        "sample_id": texts.text("sample"), "test": texts.text("test"), "method": method, "figures": dict(figures),
    }  # fmt: skip
    return Subject.RESULT, texts.text("result"), what | ({"note": note} if note else {})


def curve(_sources: Sources, texts: Texts) -> Content:
    """Reckon figures out of a raw curve; its SHA-256 is kept with them."""
    raw = texts.text("curve")
    test = Test(texts.text("test"))
    try:
        method, figures = _EVALUATE[test](texts, raw)
    except LaboratoryFileRefusedError as refused:
        first = refused.problems[0]
        raise FormRefusedError("curve", str(first), "a curve with named units", "Put the lines right.") from refused
    except CurveRefusedError as refused:
        raise FormRefusedError(
            "curve", str(refused), "a curve that can be judged", "Look at the raw file."
        ) from refused
    digest = sha256(raw.encode()).hexdigest()
    return _result(texts, method, {key: value for key, value in figures.items() if value is not None},
                   f"curve sha256:{digest}")  # fmt: skip


def _needed(texts: Texts, name: str) -> float:
    value = texts.number(name)
    if value is None or value <= 0:
        raise FormRefusedError(name, texts.text(name) or "nothing", "a length above 0 mm", "This test needs it.")
    return float(value)


def _hamburg(_texts: Texts, raw: str) -> tuple[str, dict[str, float | None]]:
    read = read_curve(raw, "curve", CurveKind.HAMBURG)
    found = hamburg.evaluate(hamburg.rut_curve(read.of("passes"), read.all_of("rut")))
    stripping = found.stripping
    fit = found.why_no_sip or "no stripping" if stripping is None else stripping.method.value
    return f"AASHTO T 324; {fit}", {
        "final_rut_mm": found.final_rut_mm,
        "last_passes": found.last_passes,
        "passes_at_limit": found.passes_at_limit,
        "limit_mm": found.limit_mm,
        "creep_mm_per_1000": found.creep_mm_per_1000,
        "sip_passes": None if stripping is None else stripping.sip_passes,
        "sip_mm": None if stripping is None else stripping.sip_mm,
    }


def _fracture(texts: Texts, raw: str) -> tuple[str, dict[str, float | None]]:
    read = read_curve(raw, "curve", CurveKind.FRACTURE)
    ligament_mm, thickness_mm = _needed(texts, "ligament_mm"), _needed(texts, "thickness_mm")
    found = fracture.evaluate(read.of("load"), read.of("cmod"), ligament_mm, thickness_mm)
    return found.method, {
        "energy_j_m2": found.energy_j_m2, "work_j": found.work_j, "peak_kn": found.peak_kn,
        "ligament_mm": ligament_mm, "thickness_mm": thickness_mm,
    }  # fmt: skip


def _cracking(texts: Texts, raw: str) -> tuple[str, dict[str, float | None]]:
    read = read_curve(raw, "curve", CurveKind.CRACKING)
    diameter_mm, thickness_mm = _needed(texts, "diameter_mm"), _needed(texts, "thickness_mm")
    found = cracking.evaluate(read.of("load"), read.of("displacement"), diameter_mm, thickness_mm)
    return found.method, {
        "ct_index": found.ct_index, "fracture_energy_j_m2": found.fracture_energy_j_m2, "work_j": found.work_j,
        "peak_kn": found.peak_kn, "l75_mm": found.l75_mm, "m75_kn_mm": found.m75_kn_mm, "diameter_mm": diameter_mm,
        "thickness_mm": thickness_mm,
    }  # fmt: skip


_EVALUATE: Final = {Test.HAMBURG: _hamburg, Test.FRACTURE: _fracture, Test.CRACKING: _cracking}


def correction(_sources: Sources, _texts: Texts) -> Content:
    """Take an entry back: it stays on record, and holds no more. Which one, `forms` finds."""
    return Subject.LOT, "", {}
