"""The certificate of a calibration, and the list of calibrations that touch a day or a lot."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from crumbmeter.qc.calibrations import AGENCY, CalibrationKind, Judged, Limits, Outcome, Touch, Trial
from crumbmeter.qc.weighing_runs import FeederRun
from crumbmeter.report.document import Block, Column, Document, Fact, Facts, Signature, Table, Text, number, time
from crumbmeter.report.figures import Value, iso, moment
from crumbmeter.report.frame import Frame

_WORDS: Final = {True: "yes", False: "no", None: "not said"}


@dataclass(frozen=True, slots=True)
class Standing:
    """How one instrument's calibration stands for some mix."""

    instrument: str
    test: str
    """Of calibration, such as `material test`."""
    performed_us: int | None
    """[us] UTC since 1970; None: never, as far as the quality record knows."""
    due_us: int | None
    standing: str
    """In words: passed, failed or late, and why."""
    in_order: bool


@dataclass(frozen=True, slots=True)
class Certificate:
    """All that a certificate is made of."""

    calibration_id: str
    instrument: str
    kind: CalibrationKind
    performed_us: int
    due_us: int | None
    who: str
    runs: Sequence[Trial]
    limit: str
    """In words with its unit and its source."""
    verdict: str
    """`passes`, `fails` or `cannot tell`, and why."""
    references: Sequence[str] = ()
    """Weights or scales that it was held against, with their certificates."""
    method: str = ""
    note: str = ""
    lots: Sequence[str] = ()
    """Lots that it touches."""
    entry_seq: int = 0
    """Its entry in the quality record."""
    signed: tuple[tuple[str, str], ...] = ()
    """Who signed it, and when; empty: lines to sign on are printed."""
    simulated: bool = False
    regime: str = ""
    """legal_for_trade; empty: an agency's limits."""
    feeder_runs: Sequence[FeederRun] = ()
    """Of a loss-in-weight feeder, where the rules for its runs hold."""
    minimum: str = ""
    """How the two minima of those rules were read."""
    figures: Mapping[str, float] = field(default_factory=dict)
    """What was reckoned, by name with unit."""
    readings: Mapping[str, Any] = field(default_factory=dict)
    """What was read and typed, by name with unit."""


def standings(found: Iterable[tuple[Judged, Outcome]], touches: Iterable[Touch] = ()) -> list[Standing]:
    """Say how calibrations stand, and which of them touch the mix of a report.

    Args:
        found: How each stands (`qc.calibrations.standing`).
        touches: What failed or ran out while the mix was made (`qc.calibrations.touching`).
    """
    told = [_standing(judged, outcome) for judged, outcome in found]
    touched = [
        Standing(one.instrument, one.kind.value, None, None, f"touches this mix: {one.outcome.value}; {one.why}", False)
        for one in touches
    ]
    return touched + told


def _standing(judged: Judged, outcome: Outcome) -> Standing:
    done = judged.calibration
    words = "; ".join((outcome.value, *judged.why))
    return Standing(
        done.instrument, done.kind.value, done.done_us, judged.due_us, words, in_order=outcome is Outcome.PASSED
    )


def certificate_of(
    judged: Judged, limits: Limits, *, regime: str = "", lots: Sequence[str] = (),
    signed: tuple[tuple[str, str], ...] = (), simulated: bool = False,
) -> Certificate:  # fmt: skip
    """Make the certificate's content out of a calibration that was judged.

    Args:
        judged: The calibration.
        limits: Those it was judged by.
        regime: Empty: the calibration's own.
        lots: That it touches.
        signed: Who signed it, and when.
        simulated: Whether it is one of a simulated site.
    """
    done = judged.calibration
    by = [
        f"{one.what.replace('_', ' ')} {one.value:g} ({one.section}; {one.status})"
        for one in limits.of(done.kind, regime or done.regime or AGENCY).values()
    ]
    return Certificate(
        calibration_id=str(done.seq), instrument=done.instrument, kind=done.kind, performed_us=done.done_us,
        due_us=judged.due_us, who=done.who, runs=done.trials, limit="; ".join(by) or "no text gives one",
        verdict="; ".join((judged.outcome.value, *judged.why)),
        references=(done.certificate,) if done.certificate else (), note=done.note, lots=lots, entry_seq=done.seq,
        signed=signed, simulated=simulated, regime=regime or done.regime, feeder_runs=done.runs,
        minimum=done.minimum.value if done.runs else "", figures=done.figures, readings=done.readings,
    )  # fmt: skip


def standing_table(frame: Frame, standings: Sequence[Standing], title: str = "Calibrations") -> Table:
    """Return the list of calibrations; what is not in order comes first."""
    columns = (Column("instrument"), Column("test"), time("performed"), time("due"), Column("standing"))
    rows = [
        (
            one.instrument, one.test, None if one.performed_us is None else moment(one.performed_us, frame.zone),
            None if one.due_us is None else moment(one.due_us, frame.zone), one.standing,
        )
        for one in sorted(standings, key=lambda one: one.in_order)
    ]  # fmt: skip
    note = "" if standings else "The quality record holds no calibration for this time."
    return Table(title, columns, rows, note)


def build(frame: Frame, certificate: Certificate) -> Document:
    """Make the certificate."""
    return frame.document(
        "calibration",
        f"Calibration certificate {certificate.calibration_id}",
        f"{certificate.instrument}, {certificate.kind.value}, {iso(moment(certificate.performed_us, frame.zone))}",
        _blocks(frame, certificate),
        simulated=certificate.simulated,
    )


def _blocks(frame: Frame, held: Certificate) -> Iterator[Block]:
    yield Facts(
        (
            Fact("instrument", held.instrument),
            Fact("test", held.kind.value),
            Fact("performed", moment(held.performed_us, frame.zone)),
            Fact("due again", None if held.due_us is None else moment(held.due_us, frame.zone)),
            Fact("by", held.who),
            Fact("limit", held.limit),
            Fact("judged as", held.regime.replace("_", " ") or "an agency's proportioning"),
            Fact("result", held.verdict),
            Fact("entry of the quality record", held.entry_seq or None),
        )
    )
    yield _runs(held)
    if held.feeder_runs:
        yield _feeder_runs(held)
    if held.figures:
        yield _named("Figures", held.figures)
    if held.readings:
        yield _named("Readings", held.readings)
    yield Table("Held against", (Column("reference"),), [(one,) for one in held.references])
    for title, words in (("Method", held.method), ("Note", held.note)):
        if words:
            yield Text(words, title)
    yield Table("Lots that it touches", (Column("lot"),), [(one,) for one in held.lots])
    yield Signature(() if held.signed else ("Performed by", "Quality control"), held.signed)


def _feeder_runs(held: Certificate) -> Table:
    columns = (
        number("run"), number("length", "s", 0), number("fed", "kg", 2), number("rate", "kg/h", 1),
        number("running before", "s", 0), number("refills"), Column("scale isolated"), Column("checked before"),
        Column("checked after"),
    )  # fmt: skip
    rows: list[tuple[Value, ...]] = [
        (
            place, one.duration_s, one.mass_kg, 3600.0 * one.rate_kg_s, one.warm_up_s, one.refills,
            *(_WORDS[word] for word in (one.scale_isolated, one.checked_before, one.checked_after)),
        )
        for place, one in enumerate(held.feeder_runs, 1)
    ]  # fmt: skip
    return Table("Rules of loss-in-weight runs", columns, rows, f"Shortest run as agreed: {held.minimum}.")


def _named(title: str, values: Mapping[str, Any]) -> Table:
    rows = [(name.replace("_", " "), _figure(value)) for name, value in values.items()]
    return Table(title, (Column("what"), Column("value")), rows)


def _figure(value: Any) -> str | None:
    if isinstance(value, bool) or value is None:
        return _WORDS[value]
    return f"{value:.6g}" if isinstance(value, float) else str(value)


def _runs(held: Certificate) -> Table:
    rows: list[tuple[Value, ...]]
    if held.kind is CalibrationKind.BELT_ZERO:
        base, found, of = "full scale in the time of the test", "totaliser gained", "percent of full scale"
        rows = [(place, one.base_kg, one.error_kg, None, one.error_percent) for place, one in enumerate(held.runs, 1)]
    else:
        base, found, of = "reference", "indicated", "percent of reference"
        rows = [
            (place, one.base_kg, one.base_kg + one.error_kg, one.error_kg, one.error_percent)
            for place, one in enumerate(held.runs, 1)
        ]
    columns = (
        number("run"), number(base, "kg", 3), number(found, "kg", 3), number("error", "kg", 3), number("error", of, 2),
    )  # fmt: skip
    return Table("Runs", columns, rows)
