"""The certificate of a calibration, and the list of calibrations that touch a day or a lot."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from crumbmeter.report.document import Block, Column, Document, Fact, Facts, Signature, Table, Text, number, time
from crumbmeter.report.figures import iso, moment
from crumbmeter.report.frame import Frame


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
    """In words: in order, due, late, failed, missing."""
    in_order: bool


@dataclass(frozen=True, slots=True)
class Run:
    """One run of a calibration."""

    applied: float
    """What the reference says, in the certificate's unit."""
    indicated: float
    rate: str = ""
    """At which rate, in words with its unit; empty: not stated."""

    @property
    def error(self) -> float:
        """Return indicated less applied."""
        return self.indicated - self.applied

    @property
    def error_percent(self) -> float | None:
        """[%] Return the error of what was applied; None where nothing was."""
        return 100.0 * self.error / self.applied if self.applied else None


@dataclass(frozen=True, slots=True)
class Certificate:
    """All that a certificate is made of."""

    calibration_id: str
    instrument: str
    test: str
    performed_us: int
    due_us: int | None
    who: str
    unit: str
    """Of applied and indicated, such as `kg`."""
    runs: Sequence[Run]
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


def standing_table(frame: Frame, standings: Sequence[Standing]) -> Table:
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
    return Table("Calibrations", columns, rows, note)


def build(frame: Frame, certificate: Certificate) -> Document:
    """Make the certificate."""
    return frame.document(
        "calibration",
        f"Calibration certificate {certificate.calibration_id}",
        f"{certificate.instrument}, {certificate.test}, {iso(moment(certificate.performed_us, frame.zone))}",
        _blocks(frame, certificate),
        simulated=certificate.simulated,
    )


def _blocks(frame: Frame, held: Certificate) -> Iterator[Block]:
    yield Facts(
        (
            Fact("instrument", held.instrument),
            Fact("test", held.test),
            Fact("performed", moment(held.performed_us, frame.zone)),
            Fact("due again", None if held.due_us is None else moment(held.due_us, frame.zone)),
            Fact("by", held.who),
            Fact("limit", held.limit),
            Fact("result", held.verdict),
            Fact("entry of the quality record", held.entry_seq or None),
        )
    )
    rows = [
        (place, one.rate, one.applied, one.indicated, one.error, one.error_percent)
        for place, one in enumerate(held.runs, 1)
    ]
    columns = (
        number("run"), Column("at"), number("applied", held.unit, 3), number("indicated", held.unit, 3),
        number("error", held.unit, 3), number("error", "percent of applied", 2),
    )  # fmt: skip
    yield Table("Runs", columns, rows)
    yield Table("Held against", (Column("reference"),), [(one,) for one in held.references])
    for title, words in (("Method", held.method), ("Note", held.note)):
        if words:
            yield Text(words, title)
    yield Table("Lots that it touches", (Column("lot"),), [(one,) for one in held.lots])
    yield Signature(() if held.signed else ("Performed by", "Quality control"), held.signed)
