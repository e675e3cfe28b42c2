"""Answers about a commissioning: the whole report, one acceptance run, and what timing tests found."""

from collections.abc import Sequence
from typing import Final

from crumbmeter.journal.chain import canonical_json
from crumbmeter.ledger.quality import proof_of
from crumbmeter.qc import acceptance as runs
from crumbmeter.qc.acceptance import Acceptance, Signed
from crumbmeter.qc.loop_checks import standing
from crumbmeter.qc.said import Said, Subject
from crumbmeter.qc.timing import newest
from crumbmeter.report import acceptance as acceptance_paper
from crumbmeter.report import timing as timing_paper
from crumbmeter.report.answers_records import calibrations as calibrations_answer
from crumbmeter.report.answers_records import standings
from crumbmeter.report.commissioning import Commissioning, build
from crumbmeter.report.document import Document, Text
from crumbmeter.report.sources import NoAnswerError, Sources, Span
from crumbmeter.site.loops import loops_of

OF_IT: Final = (
    Subject.LOOP_CHECK, Subject.TIMING, Subject.ACCEPTANCE, Subject.SITE_VERSION, Subject.CALIBRATION,
)  # fmt: skip


def commissioning(sources: Sources, _span: Span, about: str) -> Document:
    """Make the commissioning report that ends with an acceptance run: the one named, or the newest."""
    said = sources.said
    found = _run(sources, about)
    run = None if found is None else found[1]
    folder = sources.site.desk.quality_folder
    signatures = _signatures(said.of(Subject.ACCEPTANCE), None if run is None else run.run_id)
    last_seq = max((one.seq for one in signatures), default=None)
    # How calibrations stood when the run ended; without one, how they stand at the end of all that is on record.
    its = _all_of(sources) if run is None else Span(run.begin_us, run.end_us)
    table = calibrations_answer(sources, its, "").tables[-1]
    held = Commissioning(
        site=sources.site, run=run, run_proof=None if found is None else proof_of(folder, found[0].seq),
        loops=standing(said.holding, loops_of(sources.site)), calibrations=standings(sources, its),
        calibrations_table=table, timings=newest(said.holding), versions=said.of(Subject.SITE_VERSION),
        signatures=[(one, proof_of(folder, one.seq)) for one in signatures],
        later=[] if last_seq is None else _later(said.holding, last_seq),
    )  # fmt: skip
    return build(sources.frame(its), held)


def _all_of(sources: Sources) -> Span:
    """Return the time from the first entry of either record to the last."""
    ends = (next(sources.reader.entries("record", newest_first=newest), None) for newest in (False, True))
    times = [one.wall_us for one in ends if one is not None] + [one.said_us for one in sources.said.holding]
    return Span(min(times, default=0), max(times, default=0) + 1)


def _run(sources: Sources, about: str) -> tuple[Said, Acceptance] | None:
    entries = [one for one in sources.said.of(Subject.ACCEPTANCE) if runs.is_run(one)]
    chosen = [one for one in entries if about in ("", one.about)]
    if about and not chosen:
        there = ", ".join(one.about for one in entries) or "none"
        raise NoAnswerError(f"no acceptance run {about!r}; there are: {there}")
    if not chosen:
        return None
    return chosen[-1], runs.read(chosen[-1], canonical_json)


def _signatures(entries: Sequence[Said], run_id: str | None) -> list[Signed]:
    """Return the newest signature of each role over that run."""
    found = {one.role: one for entry in entries if (one := runs.signed(entry)) is not None and one.run_id == run_id}
    return list(found.values())


def _later(entries: Sequence[Said], last_seq: int) -> list[Said]:
    return [one for one in entries if one.seq > last_seq and one.subject in OF_IT and runs.signed(one) is None]


def acceptance(sources: Sources, span: Span, about: str) -> Document:
    """Report one acceptance run: the one named, or the newest."""
    found = _run(sources, about)
    if found is None:
        missing = Text("Not on record: no acceptance run; `crumbmeter accept SITE` makes one.")
        return sources.frame(span).document("acceptance", "Acceptance run", "nothing on record", (missing,))
    run = found[1]
    return acceptance_paper.document(sources.frame(Span(run.begin_us, run.end_us)), run)


def timing(sources: Sources, span: Span, _about: str) -> Document:
    """Report the newest timing of each thing."""
    return timing_paper.document(sources.frame(span), newest(sources.said.holding))
