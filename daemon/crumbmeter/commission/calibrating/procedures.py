"""All guided tests by the word that names them, and the entry of the quality record that one becomes."""

from dataclasses import replace
from typing import Final

from crumbmeter.commission.calibrating.belts import BELT_MATERIAL, BELT_SPAN, BELT_ZERO
from crumbmeter.commission.calibrating.feeders import FEEDER_CATCH, FEEDER_RUN
from crumbmeter.commission.calibrating.scales import BINDER, CELL_SHIFT, CELL_WEIGHTS
from crumbmeter.commission.calibrating.steps import Entries, Place, Procedure, Worked, readings
from crumbmeter.qc.calibration_entries import read, what
from crumbmeter.qc.calibrations import LEGAL_FOR_TRADE, Calibration
from crumbmeter.qc.said import InForce, Said, Subject
from crumbmeter.report.form_texts import FormRefusedError

PROCEDURES: Final = {
    one.word: one
    for one in (BELT_ZERO, BELT_SPAN, BELT_MATERIAL, FEEDER_CATCH, FEEDER_RUN, CELL_SHIFT, CELL_WEIGHTS, BINDER)
}


def calibration(
    procedure: Procedure, place: Place, entries: Entries, worked: Worked, who: str, now_us: int
) -> Calibration:
    """Make the calibration that the entries of a finished test come to.

    Args:
        procedure: The test.
        place: What was tested.
        entries: All of them.
        worked: What they come to.
        who: A name, and where it came from.
        now_us: [us] UTC since 1970; the test was done when its last entry was made, and not later than this.
    """
    done_us = max((one.at_us for one in entries.kept.values()), default=now_us)
    return Calibration(
        place.instrument, procedure.kind, min(done_us, now_us), who, worked.trials, entries.text("certificate"),
        entries.text("note"), regime=LEGAL_FOR_TRADE if place.legal else "", runs=worked.runs, minimum=worked.minimum,
        figures=worked.figures, readings=readings(procedure, place, entries),
    )  # fmt: skip


def said(made: Calibration, there: InForce, corrects: str = "", reason: str = "") -> Said:
    """Make the entry, that of a correction where it takes the place of another.

    Args:
        made: The calibration.
        there: The quality record, for what is corrected.
        corrects: Number of the entry that it takes the place of; empty: of none.
        reason: Why.

    Raises:
        FormRefusedError: there is no such calibration in force, or no reason is given.
    """
    entry = Said(Subject.CALIBRATION, made.instrument, what(made), made.who, made.done_us)
    read(entry)  # nothing is recorded that could not be read back
    if not corrects:
        return entry
    held = {str(one.seq) for one in there.of(Subject.CALIBRATION)}
    if corrects not in held:
        raise FormRefusedError(
            "corrects", corrects, "the number of a calibration that holds", "`crumbmeter quality ask SITE calibrations`"
        )
    if not reason.strip():
        raise FormRefusedError("reason", "nothing", "why it is corrected", "Say why: it stays on record.")
    return replace(entry, corrects=int(corrects), reason=reason.strip())
