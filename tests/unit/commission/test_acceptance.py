"""An acceptance run judged out of a record, and the commissioning report that tells of it."""

from dataclasses import replace
from pathlib import Path

import pytest

from crumbmeter.adapters.clock import machine_pause, machine_wall_us
from crumbmeter.cli.accept import Asked, accept, sign_now, span_of
from crumbmeter.cli.exits import FAILED, OK, REFUSED
from crumbmeter.cli.quality_work import Places
from crumbmeter.commission.acceptance import Run, judge
from crumbmeter.journal.chain import canonical_json
from crumbmeter.ledger.quality import append, head_of, proof_of
from crumbmeter.qc.acceptance import Acceptance, AcceptanceRefusedError, read, said_of, signature
from crumbmeter.qc.said import Said, Subject
from crumbmeter.qc.timing import said_of as timing_said
from crumbmeter.qc.verdict import Verdict
from crumbmeter.report.document import Document, Signature, Table, Text
from crumbmeter.report.pdf import pdf
from crumbmeter.report.questions import answer
from crumbmeter.report.sources import NoAnswerError, Span, opened
from crumbmeter.site import Site
from crumbmeter.site.specification import load_specification
from tests.quality_site import ROOT, SHORT, at, make
from tests.unit.qc.test_timing import TIMING

SITE_FILE = ROOT / "config/sites/demo_drum.toml"
WATCHED = 400
"""Parcels of 3 s; control was enabled after them."""
BEFORE_SHORT = Span(at(0), at(3 * (SHORT[0] - 1)))
WITH_SHORT = Span(at(0), at(3 * (SHORT[-1] + 100)))


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Site:
    return make(tmp_path_factory.mktemp("plant"), watched=WATCHED)


def judged(site: Site, span: Span, *, name: str = "fibre_feed", finished: bool = True) -> Acceptance:
    profile = load_specification(ROOT / f"config/specifications/{name}.toml")
    why = "" if finished else "stopped at the terminal"
    with opened(site) as sources:
        return judge(sources, profile, Run(span, finished, why, "ada", "ben"))


def put(site: Site, *saids: Said) -> None:
    append(site.desk.quality_folder, saids, machine_wall_us, machine_pause, seal=True)


def asked(site: Site, question: str) -> Document:
    with opened(site) as sources:
        return answer(sources, question, Span(0, 1 << 62))


def table(document: Document, title: str) -> Table:
    return next(one for one in document.tables if one.title.startswith(title))


def test_a_good_run_is_told_by_its_figures(site: Site) -> None:
    run = judged(site, BEFORE_SHORT)
    watched, controlled = run.phases
    assert watched.lasted_s == pytest.approx(1200.0, abs=6.0)
    assert controlled.lasted_s == pytest.approx(2400.0, abs=6.0)
    assert controlled.error_percent == 0.0
    assert watched.rate_rms_percent == pytest.approx(0.0)
    assert {one.rms_percent for one in run.windows} == {0.0}
    assert {one.within_5_percent for one in run.windows} == {100.0}
    lines = {one.key: one for one in run.lines}
    assert lines["feed_tolerance_percent"].verdict is Verdict.PASSES
    assert "worst +0.0 %" in lines["feed_tolerance_percent"].run
    assert lines["transparent_section"].verdict is Verdict.CANNOT_TELL
    assert run.verdict is Verdict.CANNOT_TELL
    assert run.first_seq < run.last_seq
    assert run.head.startswith("record:")
    assert not run.deviations


def test_rubber_that_was_missing_fails_it(site: Site) -> None:
    run = judged(site, WITH_SHORT)
    lines = {one.key: one for one in run.lines}
    assert lines["feed_tolerance_percent"].verdict is Verdict.FAILS
    assert "-100.0 %" in lines["feed_tolerance_percent"].run
    assert run.verdict is Verdict.FAILS
    assert [(one.deviation_id, one.why) for one in run.deviations] == [(f"D{SHORT[0]}-short", "")]
    assert [one.what for one in run.stops] == ["hose off"]
    assert ("no_rubber_flow", 1) in run.alarms
    assert run.open_points[0].startswith("fails: ")
    assert any("the feed stopped by itself: hose off" in one for one in run.open_points)


def test_a_run_that_was_ended_is_not_finished_however_good_it_was(site: Site) -> None:
    run = judged(site, BEFORE_SHORT, finished=False)
    assert run.open_points[0] == "the run is not finished: stopped at the terminal"
    assert run.verdict is not Verdict.PASSES


def test_a_run_without_control_is_not_finished(site: Site) -> None:
    run = judged(site, Span(at(0), at(600)))
    assert (run.finished, run.why_not) == (False, "no mix was made under control with the feed running")
    assert {one.key: one.verdict for one in run.lines}["feed_tolerance_percent"] is Verdict.CANNOT_TELL


def test_a_time_that_is_not_in_the_record_is_refused(site: Site) -> None:
    with pytest.raises(NoAnswerError, match="holds nothing of that time"):
        judged(site, Span(at(90_000), at(90_060)))


def test_it_is_read_back_as_it_was_said(site: Site) -> None:
    run = judged(site, WITH_SHORT)
    said = said_of(run)
    assert read(said, canonical_json) == run
    with pytest.raises(AcceptanceRefusedError, match="layout 99"):
        read(replace(said, what={**said.what, "v": 99}), canonical_json)
    with pytest.raises(AcceptanceRefusedError, match="acceptance run"):
        read(Said(Subject.ACCEPTANCE, "x", {"finished": "maybe"}, "ada", 1), canonical_json)


def test_what_nobody_did_is_said_to_be_missing(tmp_path: Path) -> None:
    bare = make(tmp_path)
    made = asked(bare, "commissioning")
    missing = {one.title for one in made.blocks if isinstance(one, Text) and one.words.startswith("Not on record")}
    assert {"Plan", "Loop checks", "Calibrations", "Timing", "Acceptance run"} <= missing
    parts = {str(row[0]) for row in table(made, "Failed or open").rows}
    assert parts == {"loops", "calibrations", "timing", "acceptance"}
    assert asked(bare, "acceptance").period_text == "nothing on record"
    with opened(bare) as sources, pytest.raises(NoAnswerError, match="no acceptance run 'x'; there are: none"):
        answer(sources, "acceptance", Span(0, 1), "x")


def test_the_report_states_entries_hashes_and_who_signed_over_what(tmp_path: Path) -> None:
    site = make(tmp_path, watched=WATCHED)
    folder = site.desk.quality_folder
    put(site, timing_said(TIMING), said_of(judged(site, WITH_SHORT)))
    head = head_of(folder)
    put(site, signature("fibre_feed-1", head, "integrator", "ada", machine_wall_us()))
    made = asked(site, "commissioning")
    assert "SIMULATE" in made.marks
    evidence = {str(row[0]): str(row[1]) for row in table(made, "Evidence").rows}
    proof = proof_of(folder, 2)
    assert proof is not None
    assert evidence["its hash"] == proof.hash
    assert evidence["public key of the quality record"] == proof.public_key
    assert evidence["sealed"] == f"by the signed seal in entry {proof.seal_seq}"
    (signed,) = [one for one in made.blocks if isinstance(one, Signature)]
    assert signed.roles == ("Witness",)
    assert signed.recorded[0][0] == "ada, integrator"
    assert head.rpartition(":")[0] in signed.recorded[0][1]
    points = [str(row[1]) for row in table(made, "Failed or open").rows]
    assert "the witness has not signed" in points
    assert any("site file has 3.9 s, found 4.7 to 5.4 s" in one for one in points)

    put(site, timing_said(TIMING))  # something is said after the signature
    points = [str(row[1]) for row in table(asked(site, "commissioning"), "Failed or open").rows]
    assert "1 entries of the commissioning came after the last signature" in points
    assert pdf(asked(site, "commissioning")).startswith(b"%PDF")


def test_the_command_judges_a_record_and_lets_people_sign(
    site: Site, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    places = Places(SITE_FILE, site.journal.folder, tmp_path)
    report = tmp_path / "r.pdf"
    code = accept(places, Asked("fibre_feed", "ada", "ben", span=BEFORE_SHORT, output=report), lambda _words: "ada")
    told = capsys.readouterr()
    assert code == FAILED  # lines that no run can prove stay open
    assert report.read_bytes().startswith(b"%PDF")
    assert "signed by the integrator ada" in told.err
    assert "not signed by the witness" in told.err
    assert sign_now(places, "witness", "ben", "", lambda _words: "ben") == OK
    assert sign_now(places, "witness", "ben", "", lambda _words: "") == FAILED
    assert sign_now(places, "witness", "ben", "other", lambda _words: "ben") == REFUSED
    assert "there are: fibre_feed-1" in capsys.readouterr().err


def test_a_specification_that_is_not_there_is_named(
    site: Site, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    places = Places(SITE_FILE, site.journal.folder, tmp_path)
    assert accept(places, Asked("fiber_feed", "ada", span=BEFORE_SHORT)) == REFUSED
    assert "no specification 'fiber_feed'; there are: fibre_feed" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("2026-07-01T06:00", ""), "--from '2026-07-01T06:00'"),
        (("2026-07-01T06:00:00Z", ""), "both --from and --to"),
        (("2026-07-01T06:00:00Z", "2026-07-01T05:00:00Z"), "not before"),
    ],
)
def test_times_of_a_run_on_record_are_checked(options: tuple[str, str], words: str) -> None:
    assert words in str(span_of(*options))
    assert span_of("", "") is None
