"""A month of records: how large they are, and how long it takes to prove and to read them.

Everything that reads a month takes the folder in which `journal.db` and `quality.db` lie, and stands in `READINGS`.
"""

import time
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from crumbmeter.app.sealing import KEY_NAME
from crumbmeter.journal.backup import back_up
from crumbmeter.journal.exported import export
from crumbmeter.journal.exported_check import check_export
from crumbmeter.journal.reader import Reader
from crumbmeter.journal.signing import load_key
from crumbmeter.journal.verify import verify
from crumbmeter.ledger import booked, quality
from crumbmeter.report.pdf import pdf
from crumbmeter.report.questions import answer
from crumbmeter.report.sources import Sources, Span, opened
from crumbmeter.site import load
from tests.benchmarks.made_month import DAY_US, FIRST_DAY_US, make
from tests.benchmarks.section import DEMO_SITE, ROOT, Figures, Section, Verdict, table

DAYS, HOURS = 30, 10.0
QUICK_DAYS, QUICK_HOURS = 2, 1.0
VERIFY_S, LOT_S, DAILY_S, TRUCK_S = 60.0, 2.0, 5.0, 1.0
"""[s] Targets."""
QUALITY_PLAN = ROOT / "config" / "quality" / "demo_drum.toml"


@dataclass(frozen=True, slots=True)
class Reading:
    """Something that reads the month, and how long it may take."""

    what: str
    act: Callable[[Path], object]
    """Takes the folder; raises when what it finds is not right."""
    most_s: float | None = None
    """[s] Target; None: shown only."""
    runs: int = 3
    """The slowest counts."""


def verify_record(folder: Path) -> None:
    """Walk the plant's record, by its key."""
    report = verify(folder / "journal.db", keys=(load_key(folder / KEY_NAME).public,))
    record = report.strands[0]
    if not report.ok or report.signed.uncovered > 1 or record.entries != record.head.seq:
        raise RuntimeError(f"the record does not verify: {report.first_fault}, {report.signed}")


def verify_quality(folder: Path) -> None:
    """Walk the quality record, by its key."""
    if not verify(folder / quality.NAME, keys=(load_key(folder / quality.KEY_NAME).public,)).ok:
        raise RuntimeError("the quality record does not verify")


def read_parcels(folder: Path) -> int:
    """Read every parcel as QC does."""
    with Reader(folder / "journal.db") as reader:
        return sum(one.parcel.mix_g for one in booked.iterate(reader))


def read_said(folder: Path) -> None:
    """Read the quality record as it is in force."""
    if not quality.read_all(folder).holding:
        raise RuntimeError("the quality record is empty")


def export_a_day(folder: Path) -> None:
    """Export the first day and prove the file by the key."""
    target = folder / "day.record"
    with Reader(folder / "journal.db") as reader:
        export(reader, FIRST_DAY_US, FIRST_DAY_US + DAY_US, target)
    if not check_export(target, keys=(load_key(folder / KEY_NAME).public,)).ok:
        raise RuntimeError("the exported day does not verify")


def back_up_record(folder: Path) -> None:
    """Copy the plant's record and prove the copy."""
    back_up(folder / "journal.db", folder / "backup")


def records(folder: Path) -> AbstractContextManager[Sources]:
    """Open the month as the demonstration site's records, with its quality plan."""
    site = load(DEMO_SITE)
    desk = replace(site.desk, people=folder / "people.json", quality_plan=QUALITY_PLAN)
    return opened(replace(site, desk=desk, journal=replace(site.journal, folder=folder)))


def last_day(sources: Sources) -> Span:
    """Return the newest production day with mix."""
    newest = next(booked.iterate(sources.reader, newest_first=True))
    day = sources.plan.calendar.day_at(newest.ended_us)
    return Span(day.begin_us, day.end_us)


def report_a_lot(folder: Path) -> None:
    """Report the last lot of the month: it is counted from the first parcel on."""
    with records(folder) as sources:
        span = last_day(sources)
        lot = sources.lots(span)[-1]
        document = answer(sources, "lot", span, lot.lot_id)
    if lot.lot_id not in document.title or not document.tables:
        raise RuntimeError("the lot report is empty")


def daily_pdf(folder: Path) -> None:
    """Report the last production day as a PDF."""
    with records(folder) as sources:
        made = pdf(answer(sources, "day", last_day(sources)), created_us=FIRST_DAY_US)
    if not made.startswith(b"%PDF"):
        raise RuntimeError("no PDF")


def trace_a_truck(folder: Path) -> None:
    """Trace a ticket of the last day to its parcels."""
    with records(folder) as sources:
        ticket = sources.tickets().loads[-20]
        document = answer(sources, "truck", last_day(sources), ticket.number)
    if ticket.number not in document.title:
        raise RuntimeError("the trace is of another ticket")


def list_deviations(folder: Path) -> None:
    """List the deviations of the last day."""
    with records(folder) as sources:
        answer(sources, "deviations", last_day(sources))


READINGS: tuple[Reading, ...] = (
    Reading("verify the record", verify_record, VERIFY_S, runs=1),
    Reading("verify the quality record", verify_quality),
    Reading("read every parcel", read_parcels, runs=1),
    Reading("read the quality record in force", read_said),
    Reading("export a day and prove the file", export_a_day, runs=1),
    Reading("back up the record and prove the copy", back_up_record, runs=1),
    Reading("report the newest lot", report_a_lot, LOT_S),
    Reading("report the newest day as a PDF", daily_pdf, DAILY_S),
    Reading("trace a truck", trace_a_truck, TRUCK_S),
    Reading("list the deviations of a day", list_deviations),
)


def measure(quick: bool) -> Figures:
    """Make the month once, on the checkout's disk, and read it in every way."""
    (ROOT / "var").mkdir(exist_ok=True)
    with TemporaryDirectory(dir=ROOT / "var") as temporary:
        folder = Path(temporary)
        began = time.perf_counter()
        made = make(folder, *(QUICK_DAYS, QUICK_HOURS) if quick else (DAYS, HOURS))
        made["made_s"] = time.perf_counter() - began
        return made | {"sizes": _sizes(folder, made), "readings": [_timed(one, folder) for one in READINGS]}


def _sizes(folder: Path, made: dict[str, Any]) -> dict[str, float]:
    with Reader(folder / "journal.db") as reader:
        entries = reader.heads()["record"].seq
    return {
        "entries": entries,
        "record_mb_a_day": (folder / "journal.db").stat().st_size / 1e6 / made["days"],
        "quality_mb_a_day": (folder / quality.NAME).stat().st_size / 1e6 / made["days"],
    }


def _timed(reading: Reading, folder: Path) -> dict[str, Any]:
    took_s = []
    for _ in range(reading.runs):
        began = time.perf_counter()
        reading.act(folder)
        took_s.append(time.perf_counter() - began)
    return {"what": reading.what, "slowest_s": max(took_s), "runs": reading.runs, "most_s": reading.most_s}


def judge(figures: Figures) -> Verdict:
    """Hold each reading against its target."""
    judged = [one for one in figures["readings"] if one["most_s"] is not None]
    told = ", ".join(f"{one['what']} {one['slowest_s']:.1f} s" for one in judged)
    size = figures["sizes"]["record_mb_a_day"]
    return Verdict(f"{told}; {size:.1f} MB of record a day", all(one["slowest_s"] <= one["most_s"] for one in judged))


def words(figures: Figures) -> list[str]:
    """Write the section."""
    sizes = figures["sizes"]
    rows = [
        (
            one["what"], f"{one['slowest_s']:.2f}", "" if one["most_s"] is None else f"{one['most_s']:.0f}",
            str(one["runs"]),
        )
        for one in figures["readings"]
    ]  # fmt: skip
    return [
        (
            f"{figures['days']} days of {figures['hours']:g} h, drawn by a seed through the real ledger and journals, "
            f"a row a second: {sizes['entries']:,} entries, {figures['parcels']:,} parcels, {figures['tickets']:,} "
            f"load tickets, {figures['bags']:,} bags. The record takes **{sizes['record_mb_a_day']:.1f} MB a day**, "
            f"the quality record {sizes['quality_mb_a_day']:.2f} MB; images of scans are not in it (see Journal)."
        ),
        "",
        *table(("", "slowest [s]", "at most [s]", "runs"), rows),
    ]


SECTION = Section(
    "quality",
    "Quality record",
    "over 30 days: verify <= 60 s, lot report <= 2 s, daily PDF <= 5 s, truck trace <= 1 s",
    measure,
    judge,
    words,
)
