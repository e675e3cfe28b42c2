"""An acceptance run on paper: what is open on top, then verdicts, figures, what happened, and dose against target."""

from collections.abc import Iterator, Sequence
from typing import Final

from crumbmeter.qc.acceptance import Acceptance, Phase, Proof, Windows
from crumbmeter.qc.verdict import Verdict
from crumbmeter.report.document import (
    Block,
    Chart,
    Column,
    Document,
    Drawn,
    Fact,
    Facts,
    Moment,
    Series,
    Table,
    Text,
    number,
    time,
)
from crumbmeter.report.figures import Value, moment
from crumbmeter.report.frame import Frame, length

MOSTLY_PERCENT: Final = 99.0
ORDER: Final = (Verdict.FAILS, Verdict.CANNOT_TELL, Verdict.PASSES)
WORDS: Final = {
    Verdict.PASSES: "passes", Verdict.FAILS: "FAILS", Verdict.CANNOT_TELL: "cannot be judged",
}  # fmt: skip


def document(frame: Frame, run: Acceptance) -> Document:
    """Make the report of one run."""
    title = f"Acceptance run {run.run_id}: {verdict_words(run)}"
    return frame.document(
        "acceptance", title, frame.span(run.begin_us, run.end_us), (*open_blocks(run), *blocks(frame, run)),
        simulated=run.simulated,
    )  # fmt: skip


def verdict_words(run: Acceptance) -> str:
    """Say the verdict on the whole run."""
    return WORDS[run.verdict] if run.finished else "not finished"


def open_blocks(run: Acceptance) -> Iterator[Block]:
    """Say what failed and what is open."""
    if run.open_points:
        rows = [(place, words) for place, words in enumerate(run.open_points, 1)]
        yield Table("Failed or open in the acceptance run", (number("no."), Column("what")), rows)


def blocks(frame: Frame, run: Acceptance) -> Iterator[Block]:
    """Make all but what is open."""
    yield _head(frame, run)
    yield from lines_tables(run)
    yield _windows_table(run.windows)
    yield _proof_table(run)
    if run.curve is not None:
        yield _dose_chart(frame, run)
    yield _phases_table(frame, run.phases)
    yield from _happened(frame, run)
    yield _signals_table(run)
    yield _scans(run)


def _head(frame: Frame, run: Acceptance) -> Facts:
    counts = [sum(one.verdict is verdict for one in run.lines) for verdict in ORDER]
    return Facts(
        (
            Fact("specification", run.specification_title),
            Fact("result", verdict_words(run)),
            Fact("lines that fail", counts[0]),
            Fact("lines that cannot be judged", counts[1]),
            Fact("lines that pass", counts[2]),
            Fact("began", moment(run.begin_us, frame.zone)),
            Fact("lasted", length((run.end_us - run.begin_us) / 1e6)),
            Fact("by", run.by),
            Fact("witness", run.witness or None),
            Fact("record entries", f"{run.first_seq} to {run.last_seq}"),
        ),
        f"Acceptance run {run.run_id}",
    )


def lines_tables(run: Acceptance) -> Iterator[Table]:
    """Make the lines with their verdicts, those that fail first; then what to do, and where each stands."""
    lines = sorted(run.lines, key=lambda one: ORDER.index(one.verdict))
    yield Table(
        f"Lines of {run.specification_title}",
        (Column("verdict"), Column("asked for"), Column("the run"), Column("the site file")),
        [(WORDS[one.verdict], one.asked, one.run or None, one.site) for one in lines],
        "A line passes when neither run nor site file contradicts it and one of them bears it out.",
    )
    yield Table(
        "What to do, and where each line stands",
        (Column("asked for"), Column("remedy"), Column("section"), Column("text")),
        [(one.asked, one.remedy or None, one.section, one.status) for one in lines],
        "Text: how sure the line is; only `confirmed` was read in a copy of the document.",
    )


def _windows_table(found: Sequence[Windows]) -> Table:
    columns = (
        Column("phase"), number("window", "tonne", 0), number("windows"), number("rms error", "percent", 2),
        number("mean", "percent", 2), number("worst", "percent", 2), number("within ±5 %", "percent", 0),
        number("within ±10 %", "percent", 0),
    )  # fmt: skip
    rows = [
        (
            one.phase, one.window_g / 1e6, one.count, one.rms_percent, one.mean_percent, one.worst_percent,
            one.within_5_percent, one.within_10_percent,
        )
        for one in found
    ]  # fmt: skip
    note = (
        "Rubber of whole windows of mix at the drum's outlet, one behind the other, against the rubber asked for. In"
        " control from the first parcel whose rubber was all fed with the feed running."
    )
    return Table("Metering error over windows of mix", columns, rows, note)


def _proof_table(run: Acceptance) -> Table:
    columns = (
        number("window", "tonne", 0), number("uncertainty U", "percent", 2), number("proves ±5 % up to", "percent", 2),
        number("proves ±10 % up to", "percent", 2), Column("largest part"), Column("assumed, not stated"),
    )  # fmt: skip
    rows = [
        (
            one.window_g / 1e6, one.expanded_percent, _proves(one, 5.0), _proves(one, 10.0), one.largest,
            ", ".join(one.assumed) or None,
        )
        for one in run.proofs
    ]  # fmt: skip
    note = (
        "U (about 95 %) of the dose of one window at the run's own mean rate, in percent of it. A window is proven to"
        " be within a tolerance T up to an error of T - U (JCGM 106, guarded acceptance); empty: never."
    )
    return Table("Can this plant prove it?", columns, rows, note)


def _proves(one: Proof, tolerance_percent: float) -> float | None:
    left = tolerance_percent - one.expanded_percent
    return left if left > 0.0 else None


def _dose_chart(frame: Frame, run: Acceptance) -> Chart:
    curve = run.curve
    if curve is None:
        raise ValueError("no curve")
    tons = [float(frame.tons(round(1000.0 * kg))) for kg in curve.mix_kg]
    found = [
        (name, kg) for name, kg in (("control enabled", curve.control_from_kg), ("judged", curve.judged_from_kg))
        if kg is not None
    ]  # fmt: skip
    marks = tuple(Moment(name, float(frame.tons(round(1000.0 * kg)))) for name, kg in found)
    ton = frame.ton.replace("_", " ")
    return Chart(
        "Dose against target by tons", f"mix [{ton}]", f"dose [% of {curve.basis.replace('_', ' ')}]",
        (
            Series("dose", tons, curve.dose_percent, Drawn.LINE),
            Series("asked for", tons, curve.target_percent, Drawn.STEP),
        ),
        note="Mix in the order in which it left the drum. What was made in monitor only is drawn, and not judged.",
        moments=marks,
    )  # fmt: skip


def _phases_table(frame: Frame, phases: Sequence[Phase]) -> Table:
    columns = (
        Column("phase"), number("lasted", "min", 1), number("mix", frame.ton, 1), number("with a dose", frame.ton, 1),
        number("rubber", frame.small, 1), number("asked for", frame.small, 1), number("error", "percent", 2),
        number("U by weighing (k=2)", frame.small, 1), number("feeder against what was asked, rms", "percent", 1),
        number("fed", frame.small, 1), number("asked at the auger", frame.small, 1),
    )  # fmt: skip
    rows: list[tuple[Value, ...]] = [
        (
            one.name, one.lasted_s / 60.0, frame.tons(one.mix_g), frame.tons(one.judged_mix_g),
            frame.smalls(one.rubber_g), frame.smalls(one.target_rubber_g), one.error_percent,
            2.0 * float(frame.smalls(one.rubber_uncertainty_g)), one.rate_rms_percent,
            frame.smalls(round(1000.0 * one.fed_kg)), frame.smalls(round(1000.0 * one.asked_kg)),
        )
        for one in phases
    ]  # fmt: skip
    note = (
        "Rubber, asked for and error: of the mix with a dose, in control once the feed had settled. The last three: at"
        " the auger, second by second. In monitor only: what crumbmeter would have asked for, against what the feeder"
        " did by itself."
    )
    return Table("Monitor only, and in control", columns, rows, note)


def _happened(frame: Frame, run: Acceptance) -> Iterator[Block]:
    rows = [
        (one.deviation_id, moment(one.began_us, frame.zone), frame.tons(one.mix_g), one.off_percent,
         one.why or "in the judged part")
        for one in run.deviations
    ]  # fmt: skip
    columns = (
        Column("deviation"), time("from"), number("mix", frame.ton, 1), number("off", "percent", 1), Column("where"),
    )  # fmt: skip
    yield Table("Deviations", columns, rows)
    told = [(moment(one.at_us, frame.zone), "stop", f"{one.what}; {one.detail}") for one in run.stops]
    told += [(moment(one.at_us, frame.zone), "refill", one.detail) for one in run.refills]
    yield Table("Stops of the feed by itself, and refills seen", (time("at"), Column("what"), Column("details")),
                sorted(told))  # fmt: skip
    yield Table("Alarms", (Column("alarm"), number("raised")), list(run.alarms))


def _signals_table(run: Acceptance) -> Table:
    columns = (
        Column("signal"), number("Good", "percent", 1), number("Uncertain", "percent", 1), number("Bad", "percent", 1),
    )  # fmt: skip
    rows = [
        (one.signal_id, one.good_percent, one.uncertain_percent, one.bad_percent)
        for one in sorted(run.signals, key=lambda one: one.good_percent)
        if one.good_percent < MOSTLY_PERCENT or one.bad_percent > 0.0
    ]
    others = len(run.signals) - len(rows)
    note = (
        f"Of the rows of the run. {others} more signals were Good in at least {MOSTLY_PERCENT:g} % of them, never Bad."
    )
    return Table("Quality of the signals", columns, rows, note)


def _scans(run: Acceptance) -> Block:
    one = run.scans
    if not one.count:
        return Text("The record holds no scan of the run: its health cannot be told.", "The scan")
    return Facts(
        (
            Fact("scans", one.count),
            Fact("period", one.period_s, "s", 2),
            Fact("longest between two", one.longest_s, "s", 3),
            Fact("late by more than half a period", one.late),
            Fact("longest time between two rows", one.longest_row_gap_s, "s", 1),
            Fact("starts of the daemon", one.starts),
        ),
        "The scan",
    )
