"""What the quality record says of the lines that ask for checks and calibration runs."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from crumbmeter.qc import calibrations as held
from crumbmeter.qc.calibration_entries import read
from crumbmeter.qc.said import Subject
from crumbmeter.qc.verdict import Verdict
from crumbmeter.qc.weighing_runs import CALTRANS, FeederRun, Minimum
from crumbmeter.report.sources import Sources, Span
from crumbmeter.site.calibration_limits import find_calibration_limits, load_calibration_limits

_PASSES, _FAILS, _UNKNOWN = Verdict.PASSES, Verdict.FAILS, Verdict.CANNOT_TELL
_ROUNDING: Final = 1.0 - 1e-4
"""A limit in kg is written to a tenth of a gram of 250 lb; what differs by less is the same."""


@dataclass(frozen=True, slots=True)
class Shown:
    """What the run, or the record, says of a line."""

    verdict: Verdict | None
    """None: nothing; the site file's answer stands alone."""
    words: str
    remedy: str = ""


CHECKS: Final = {
    "scale_check_days": (held.CalibrationKind.LOAD_CELL, "check of the weigh hopper's load cells"),
    "feeder_check_days": (held.CalibrationKind.FEEDER_CATCH, "catch test of the feeder"),
}
RUNS: Final[dict[str, tuple[str, Callable[[FeederRun], float]]]] = {
    "calibration_run_s": ("shortest run {0:.0f} s", lambda run: run.duration_s),
    "calibration_run_kg": ("least mass {0:.1f} kg", lambda run: run.mass_kg),
    "calibration_warm_up_s": ("shortest warm-up {0:.0f} s", lambda run: run.warm_up_s),
    "calibration_refills": ("fewest refills {0:.0f}", lambda run: float(run.refills)),
}
_MINIMA: Final = ("calibration_run_s", "calibration_run_kg")


def on_record(sources: Sources, key: str, limit: float, span: Span) -> Shown | None:
    """Answer a line out of the calibrations on record; None where it asks for something else."""
    done = [one for one in map(read, sources.said.of(Subject.CALIBRATION)) if one.done_us <= span.before_us]
    if key in CHECKS:
        return _checked(sources, done, key, limit, span)
    return _run(done, key, limit) if key in RUNS else None


def _newest(done: list[held.Calibration]) -> held.Calibration | None:
    return max(done, key=lambda one: one.done_us, default=None)


def _checked(sources: Sources, done: list[held.Calibration], key: str, limit_days: float, span: Span) -> Shown:
    kind, words = CHECKS[key]
    newest = _newest([one for one in done if one.kind is kind])
    if newest is None:
        return Shown(_UNKNOWN, f"{words}: not on record", f"Make it, and put it on record: {words}.")
    path = find_calibration_limits(sources.site.path)
    judged = held.judge(newest, held.Limits(()) if path is None else load_calibration_limits(path))
    days = (span.before_us - newest.done_us) / held.DAY_US
    told = f"{words}, entry {newest.seq}, {days:.1f} d before: {judged.outcome.value}"
    if judged.outcome is held.Outcome.FAILED:
        return Shown(_FAILS, told, "Adjust, and check again.")
    if days > limit_days:
        return Shown(_FAILS, told, f"Check again; {limit_days:g} d are allowed.")
    return Shown(_PASSES, told)


def _run(done: list[held.Calibration], key: str, limit: float) -> Shown:
    """Hold the runs of the newest calibration of the feeder that has some against one line."""
    newest = _newest([one for one in done if one.runs])
    if newest is None:
        remedy = "Make one: `crumbmeter calibrate SITE feeder-run`."
        return Shown(_UNKNOWN, "no loss-in-weight calibration run is on record", remedy)
    words, value_of = RUNS[key]
    least = min(value_of(run) for run in newest.runs)
    told = f"entry {newest.seq}, {len(newest.runs)} runs: {words.format(least)}"
    if least >= limit * _ROUNDING:
        return Shown(_PASSES, told)
    if key in _MINIMA and all(run.rate_kg_s >= CALTRANS.below_kg_s for run in newest.runs):
        return Shown(_PASSES, f"{told}; not asked for at 1 short ton/h or more")
    if key in _MINIMA and _other_will_do(newest, key):
        return Shown(_PASSES, f"{told}; agreed reading: {newest.minimum.value}")
    return Shown(_FAILS, told, "Make the run again, as the rule asks.")


def _other_will_do(made: held.Calibration, key: str) -> bool:
    """Tell whether, by the agreed reading of the two minima, the other one is enough and kept."""
    in_time = all(run.duration_s >= CALTRANS.least_s for run in made.runs)
    in_mass = all(run.mass_kg >= CALTRANS.least_kg * _ROUNDING for run in made.runs)
    if key == "calibration_run_kg":
        return in_time and made.minimum in (Minimum.TIME, Minimum.EITHER)
    return in_mass and made.minimum is Minimum.EITHER
