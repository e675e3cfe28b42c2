"""Lines of a specification that calibrations on record answer: none, kept, broken, kept by the other minimum."""

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from crumbmeter.commission.acceptance_checks import CHECKS, RUNS, on_record
from crumbmeter.qc.calibration_entries import what
from crumbmeter.qc.calibrations import DAY_US, Calibration, CalibrationKind, Trial
from crumbmeter.qc.said import Said, Subject, in_force
from crumbmeter.qc.specification import LINE_KINDS
from crumbmeter.qc.verdict import Verdict
from crumbmeter.qc.weighing_runs import FeederRun, Minimum
from crumbmeter.report.sources import Span
from tests.quality_site import ROOT

NOW_US = 1_700_000_000_000_000
SPAN = Span(NOW_US - DAY_US, NOW_US)
POUNDS_250 = 113.4


def run(duration_s: float, mass_kg: float, warm_up_s: float = 600.0, refills: int = 1) -> FeederRun:
    return FeederRun(duration_s, mass_kg, warm_up_s, refills, True, True, True)


def sources(*made: Calibration) -> Any:
    said = [
        Said(Subject.CALIBRATION, one.instrument, what(one), "ada (qc)", one.done_us, seq=number)
        for number, one in enumerate(made, 1)
    ]
    path: Path = ROOT / "config/sites/demo_drum.toml"
    return SimpleNamespace(said=in_force(said), site=SimpleNamespace(path=path))


def feeder(*runs: FeederRun, minimum: Minimum = Minimum.TIME, done_us: int = NOW_US - DAY_US) -> Calibration:
    trials = tuple(Trial(one.mass_kg, one.mass_kg) for one in runs)
    return Calibration(
        "feeder", CalibrationKind.FEEDER_RUN, done_us, "ada", trials, runs=tuple(runs), minimum=minimum
    )  # fmt: skip


def verdict(made: Calibration | None, key: str, limit: float) -> Verdict | None:
    shown = on_record(sources(*([] if made is None else [made])), key, limit, SPAN)
    assert shown is not None
    return shown.verdict


def test_every_line_answered_here_is_a_line_of_a_profile() -> None:
    assert {*CHECKS, *RUNS} <= set(LINE_KINDS)
    assert on_record(sources(), "lot_tonne", 1.0, SPAN) is None


@pytest.mark.parametrize("key", RUNS)
def test_without_a_run_it_cannot_be_judged(key: str) -> None:
    assert verdict(None, key, 1.0) is Verdict.CANNOT_TELL


@pytest.mark.parametrize(
    ("made", "key", "limit", "expected"),
    [
        (feeder(run(900.0, 114.0)), "calibration_run_s", 900.0, Verdict.PASSES),
        (feeder(run(900.0, 114.0), run(899.0, 114.0)), "calibration_run_s", 900.0, Verdict.FAILS),
        (feeder(run(900.0, 113.398)), "calibration_run_kg", POUNDS_250, Verdict.PASSES),
        # 200 lb in 15 minutes: accepted by the reading "15 minutes" and "or", refused by "and".
        (feeder(run(900.0, 90.7)), "calibration_run_kg", POUNDS_250, Verdict.PASSES),
        (feeder(run(900.0, 90.7), minimum=Minimum.EITHER), "calibration_run_kg", POUNDS_250, Verdict.PASSES),
        (feeder(run(900.0, 90.7), minimum=Minimum.BOTH), "calibration_run_kg", POUNDS_250, Verdict.FAILS),
        (feeder(run(600.0, 120.0), minimum=Minimum.EITHER), "calibration_run_s", 900.0, Verdict.PASSES),
        (feeder(run(600.0, 120.0)), "calibration_run_s", 900.0, Verdict.FAILS),
        # 2 short ton/h: the minima are not asked for.
        (feeder(run(300.0, 151.2)), "calibration_run_s", 900.0, Verdict.PASSES),
        (feeder(run(900.0, 114.0, warm_up_s=540.0)), "calibration_warm_up_s", 600.0, Verdict.FAILS),
        (feeder(run(900.0, 114.0, refills=0)), "calibration_refills", 1.0, Verdict.FAILS),
        (feeder(run(900.0, 114.0)), "calibration_refills", 1.0, Verdict.PASSES),
    ],
)
def test_runs_are_held_against_the_line(made: Calibration, key: str, limit: float, expected: Verdict) -> None:
    assert verdict(made, key, limit) is expected


def test_the_newest_runs_before_the_end_of_the_span_count() -> None:
    old, new = feeder(run(600.0, 90.0), done_us=NOW_US - 3 * DAY_US), feeder(run(900.0, 114.0))
    later = feeder(run(1.0, 0.1), done_us=NOW_US + DAY_US)
    shown = on_record(sources(new, later, old), "calibration_run_s", 900.0, SPAN)
    assert shown is not None
    assert shown.verdict is Verdict.PASSES
    assert "entry 1" in shown.words
