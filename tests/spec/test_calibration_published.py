"""Limits of calibrations and the rules of a feeder's run, against the texts that give them.

Status as in the project's check values: "read" in a stored copy of the source, "derived", "from memory".
"""

from pathlib import Path

import pytest

from crumbmeter.model.units import POUND_KG, SHORT_TON_KG
from crumbmeter.qc.belt_tests import least_test_load_kg, rates_to_test, zero_trial
from crumbmeter.qc.calibrations import (
    DAY_US,
    Calibration,
    CalibrationKind,
    Outcome,
    Trial,
    judge,
    standing,
)
from crumbmeter.qc.weighing_runs import CALTRANS, FeederRun, Minimum, RunRules, broken_rules
from crumbmeter.site.calibration_limits import find_calibration_limits, load_calibration_limits

ROOT = Path(__file__).parents[2]
FILE = find_calibration_limits(ROOT / "config/sites/demo_drum.toml")
assert FILE is not None
LIMITS = load_calibration_limits(FILE)


def outcome(kind: CalibrationKind, *errors_percent: float, regime: str = "agency") -> Outcome:
    trials = tuple(Trial(1000.0, 10.0 * error) for error in errors_percent)
    return judge(Calibration("one", kind, 0, "who", trials), LIMITS, regime).outcome


@pytest.mark.parametrize(
    ("kind", "inside", "outside"),
    [
        # Iowa DOT IM 514 (read): 1.5 % for all weigh belts; 1.4 % ok, 1.6 % calibrate (derived).
        (CalibrationKind.BELT_MATERIAL, 1.4, 1.6),
        (CalibrationKind.BELT_MATERIAL, -1.5, -1.51),
        # Iowa DOT IM 514, 0.5 % for proportioning scales; ASTM D995-95 3.6.1 (read): 500 lb, 497.5 to 502.5 pass.
        (CalibrationKind.LOAD_CELL, 100.0 * 2.5 / 500.0, 100.0 * 2.6 / 500.0),
        # Ohio DOT CMS 402.06 (read): calibration accurate within 1.0 %.
        (CalibrationKind.FEEDER_CATCH, 1.0, 1.01),
        # AASHTO M 156-13 4.3.3 (read): binder within 1 percent of the actual weight.
        (CalibrationKind.BINDER_METER, -1.0, -1.01),
    ],
)
def test_agency_limits(kind: CalibrationKind, inside: float, outside: float) -> None:
    assert outcome(kind, inside) is Outcome.PASSED
    assert outcome(kind, outside) is Outcome.FAILED


def test_six_months() -> None:
    # AASHTO M 156-13 4.2.8 (read): at least every six months or when the plant is moved; 182 d ok, 184 d overdue
    # (derived).
    done = Calibration("hopper", CalibrationKind.LOAD_CELL, 0, "who", (Trial(100.0, 0.0),))
    assert standing([done], LIMITS, 182 * DAY_US)[0][1] is Outcome.PASSED
    assert standing([done], LIMITS, 184 * DAY_US)[0][1] is Outcome.LATE
    moved = Calibration("hopper", CalibrationKind.MOVED, 10 * DAY_US, "who")
    assert standing([done, moved], LIMITS, 11 * DAY_US)[0][1] is Outcome.LATE


def test_belt_scales_that_are_legal_for_trade() -> None:
    # NIST HB 44 2.21 (FROM MEMORY throughout). T.1: 10 000 lb, 25 lb passes, 25.1 lb fails.
    def material(error_lb: float) -> Outcome:
        trial = Trial(10_000.0 * POUND_KG, error_lb * POUND_KG)
        calibration = Calibration("belt", CalibrationKind.BELT_MATERIAL, 0, "who", (trial,))
        return judge(calibration, LIMITS, "legal_for_trade").outcome

    assert material(25.0) is Outcome.PASSED
    assert material(25.1) is Outcome.FAILED
    # T.2: errors of +0.10, -0.10, +0.16 % are each inside 0.25 %, and spread 0.26 %.
    assert outcome(CalibrationKind.BELT_MATERIAL, 0.10, -0.10, 0.16, regime="legal_for_trade") is Outcome.FAILED
    # N.3.3: simulated load tests of 99.95, 100.00, 100.06 % spread 0.11 %; 0.1 % is allowed.
    assert outcome(CalibrationKind.BELT_SPAN, -0.05, 0.0, 0.06, regime="legal_for_trade") is Outcome.FAILED
    assert outcome(CalibrationKind.BELT_SPAN, -0.05, 0.0, 0.05, regime="legal_for_trade") is Outcome.PASSED


@pytest.mark.parametrize(("change_lb", "tests", "passes"), [(20.0, 3, True), (20.1, 3, False), (1.0, 2, False)])
def test_zero_load_test(change_lb: float, tests: int, passes: bool) -> None:
    # NIST HB 44 2.21 N.3.1 (FROM MEMORY): 0.06 % of the full-scale totalised load, three in a row. 100 ton/h for
    # 10 min: full scale 16.667 ton, limit 20 lb (derived).
    trial = Trial(100.0 / 6.0 * SHORT_TON_KG, change_lb * POUND_KG)
    calibration = Calibration("belt", CalibrationKind.BELT_ZERO, 0, "who", (trial,) * tests)
    assert (judge(calibration, LIMITS, "legal_for_trade").outcome is Outcome.PASSED) is passes


def test_what_is_from_memory_says_so() -> None:
    told = {one.status for one in LIMITS.limits if one.regime == "legal_for_trade" and one.value is not None}
    assert told == {"from memory"}
    assert all("from memory" in why for why in judge(
        Calibration("b", CalibrationKind.BELT_MATERIAL, 0, "who", (Trial(100.0, 1.0),)), LIMITS, "legal_for_trade"
    ).why)  # fmt: skip


def run(ton_h: float, duration_s: float, refills: int = 1, warm_up_s: float = 600.0) -> FeederRun:
    mass_kg = ton_h * SHORT_TON_KG * duration_s / 3600.0
    return FeederRun(duration_s, mass_kg, warm_up_s, refills, True, True, True)


@pytest.mark.parametrize(
    ("given", "broken"),
    [
        # Caltrans provisions for loss-in-weight feeders (read), each case derived.
        (run(0.9, 15 * 60), ""),
        (run(0.9, 14 * 60 + 59), "15 minutes are needed"),
        (run(0.9, 15 * 60, refills=0), "0 complete refills"),
        (run(0.9, 15 * 60, warm_up_s=540.0), "540 s of normal running"),
        (run(1.5, 5 * 60), ""),
    ],
)
def test_caltrans_run(given: FeederRun, broken: str) -> None:
    found = broken_rules(given, CALTRANS)
    assert (len(found) == 1 and broken in found[0]) if broken else found == ()


@pytest.mark.parametrize(("minimum", "accepted"), [(Minimum.TIME, True), (Minimum.EITHER, True), (Minimum.BOTH, False)])
def test_fifteen_minutes_or_and_250_pounds(minimum: Minimum, accepted: bool) -> None:
    # The later text's "15-minute or 250-pound-minimum": 0.4 ton/h for 15 minutes is 200 lb (derived).
    given = run(0.4, 15 * 60)
    assert given.mass_kg / POUND_KG == pytest.approx(200.0)
    assert (broken_rules(given, RunRules(minimum=minimum)) == ()) is accepted


def test_250_pounds_sooner_count_by_the_reading_either() -> None:
    given = run(0.9, 14 * 60)
    assert broken_rules(given, RunRules(minimum=Minimum.EITHER)) == ()
    assert len(broken_rules(given, RunRules(minimum=Minimum.BOTH))) == 1


def test_zero_in_pounds() -> None:
    # NIST HB 44 2.21 N.3.1 (from memory): 0.06 % of full scale for the time. 100 short ton/h for 10 min are 16.667
    # ton, so 0.0100 ton, 20 lb (derived); the limit itself passes.
    def zero(lb: float) -> Outcome:
        trial = zero_trial(100.0 * SHORT_TON_KG / 3600.0, 600.0, lb * POUND_KG)
        return judge(
            Calibration("belt", CalibrationKind.BELT_ZERO, 0, "who", (trial,) * 3, regime="legal_for_trade"), LIMITS
        ).outcome

    assert zero(20.0) is zero(-20.0) is Outcome.PASSED
    assert zero(20.1) is Outcome.FAILED


def test_rates_to_test_at() -> None:
    # NIST HB 44 2.21 N.2 (read, 2004 text): normal use, 35 % of rated capacity, one between; 100 and 80 (derived).
    assert rates_to_test(100.0, 80.0) == (80.0, 35.0, 57.5)


def test_least_test_load() -> None:
    # NIST HB 44 2.21 (from memory): d = 0.1 t, 100 t/h, belt 90 s: the largest of 80, 2.5 and 16.67 t (derived).
    assert least_test_load_kg(100.0, 100_000.0 / 3600.0, 90.0) == pytest.approx(80_000.0)
    assert least_test_load_kg(1.0, 100_000.0 / 3600.0, 90.0) == pytest.approx(100_000.0 / 6.0)


def test_chain_that_does_not_repeat() -> None:
    # NIST HB 44 2.21 N.3.3 (from memory): within 0.1 %; 99.95, 100.00 and 100.06 % make 0.11 % (derived).
    trials = tuple(Trial(1000.0, error) for error in (-0.5, 0.0, 0.6))
    judged = judge(Calibration("belt", CalibrationKind.BELT_SPAN, 0, "who", trials, regime="legal_for_trade"), LIMITS)
    assert judged.spread_percent == pytest.approx(0.11)
    assert judged.outcome is Outcome.FAILED


def test_a_run_that_breaks_a_public_rule_fails_its_calibration() -> None:
    # Caltrans rules (read): 14 min 59 s at 0.9 short ton/h is too short; no refill; 9 min of warm-up.
    good = FeederRun(900.0, 0.9 * SHORT_TON_KG / 4.0, 600.0, 1, True, True, True)
    bad = FeederRun(899.0, 0.9 * SHORT_TON_KG / 4.0, 540.0, 0, True, True, True)
    for kind in (CalibrationKind.FEEDER_RUN, CalibrationKind.FEEDER_CATCH):
        trial = (Trial(200.0, 0.0),)
        assert judge(Calibration("feeder", kind, 0, "who", trial, runs=(good,)), LIMITS).outcome is Outcome.PASSED
        judged = judge(Calibration("feeder", kind, 0, "who", trial, runs=(bad,)), LIMITS)
        assert judged.outcome is Outcome.FAILED
        assert len(judged.why) == 3
        assert all("run 1: " in why and "Caltrans" in why and "confirmed" in why for why in judged.why)


def test_either_or_both_minima() -> None:
    # Caltrans (read): "15-minute or 250-pound-minimum". 0.4 ton/h for 15 minutes is 200 lb: in by "or", out by "and".
    run = FeederRun(900.0, 200.0 * POUND_KG, 600.0, 1, True, True, True)
    outcomes = {
        minimum: judge(
            Calibration(
                "feeder", CalibrationKind.FEEDER_RUN, 0, "who", (Trial(90.0, 0.0),), runs=(run,), minimum=minimum
            ),
            LIMITS,
        ).outcome
        for minimum in Minimum
    }
    assert outcomes == {
        Minimum.TIME: Outcome.PASSED, Minimum.EITHER: Outcome.PASSED, Minimum.BOTH: Outcome.FAILED,
    }  # fmt: skip
