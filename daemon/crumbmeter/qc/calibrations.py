"""Calibrations of the plant's and the feeder's instruments: what was found, whether it holds, which lots it touches.

An entry says what was done to one instrument: its trials, each a reference beside what was indicated. A zero test has
trials too: what the totaliser gained on an empty belt, beside what it would have gained at full scale. A move of the
plant is an entry of its own; it makes every calibration of the instrument overdue (AASHTO M 156-13 4.2.8).

A failed calibration is not only the future's matter: what was weighed since the last one that passed was weighed by the
instrument as it was found. So it touches every lot from that one up to the next that passes. A late one touches the
lots made after it fell due.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import field
from enum import StrEnum
from typing import Any, Final

from crumbmeter.model.frozen import dataclass, replace
from crumbmeter.qc.weighing_runs import CALTRANS, RULES_SECTION, FeederRun, Minimum, broken_rules

DAY_US: Final = 86_400_000_000
FIGURES: Final = ("linearity_percent", "repeatability_percent", "hysteresis_percent", "zero_return_percent")
"""Figures of a calibration that may have a limit, beside the error and the spread of its trials."""
AGENCY: Final = "agency"
LEGAL_FOR_TRADE: Final = "legal_for_trade"


class CalibrationKind(StrEnum):
    """What is done to an instrument."""

    BELT_ZERO = "belt scale zero test"
    BELT_SPAN = "belt scale simulated load test"
    BELT_MATERIAL = "belt scale material test"
    FEEDER_CATCH = "feeder catch test"
    FEEDER_RUN = "feeder loss-in-weight run"
    LOAD_CELL = "load cell check"
    LOAD_CELL_SHIFT = "load cell shift test"
    BINDER_METER = "binder meter calibration"
    MOVED = "moved"
    """The instrument was moved: nothing holds any more until it is calibrated anew."""


class Outcome(StrEnum):
    """What became of a calibration."""

    PASSED = "passed"
    FAILED = "failed"
    LATE = "late"


@dataclass(frozen=True, slots=True)
class Trial:
    """One comparison."""

    base_kg: float
    """[kg] Reference; for a zero test what full scale would have totalised in the time of the test. Positive."""
    error_kg: float
    """[kg] Indicated less reference; for a zero test what the totaliser gained."""

    @property
    def error_percent(self) -> float:
        """[%] Return the error as a share of the base."""
        return 100.0 * self.error_kg / self.base_kg


@dataclass(frozen=True, slots=True)
class Calibration:
    """One entry."""

    instrument: str
    kind: CalibrationKind
    done_us: int
    """[us] UTC since 1970."""
    who: str
    trials: tuple[Trial, ...] = ()
    certificate: str = ""
    """Name of the certificate's file, and its SHA-256 where it was given."""
    note: str = ""
    seq: int = 0
    """Its entry in the quality record."""
    regime: str = ""
    """legal_for_trade, or empty: an agency's limits hold."""
    runs: tuple[FeederRun, ...] = ()
    """Of a feeder: each trial's run, where the rules for loss-in-weight runs are to hold."""
    minimum: Minimum = Minimum.TIME
    """How the two minima of those rules were read."""
    figures: Mapping[str, float] = field(default_factory=dict)
    """What was reckoned from it, by name with unit; those that a limit names are judged."""
    readings: Mapping[str, Any] = field(default_factory=dict)
    """Everything that was read and typed, by name with unit."""


@dataclass(frozen=True, slots=True)
class Limit:
    """One limit of one kind of calibration. Which figure, `what` says."""

    regime: str
    """agency, or legal_for_trade."""
    kind: CalibrationKind
    what: str
    """error_percent, spread_percent, trials_at_least, due_days, or one of FIGURES."""
    value: float | None
    """None: the text gives none, and nothing is judged by it."""
    section: str
    status: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class Limits:
    """All limits, of every regime."""

    limits: tuple[Limit, ...]

    def of(self, kind: CalibrationKind, regime: str) -> Mapping[str, Limit]:
        """Return the limits of a kind that have a value, by what they limit."""
        return {
            one.what: one for one in self.limits if one.kind is kind and one.regime == regime and one.value is not None
        }


@dataclass(frozen=True, slots=True)
class Judged:
    """A calibration held against its limits."""

    calibration: Calibration
    outcome: Outcome
    worst_error_percent: float | None
    spread_percent: float | None
    """[%] Between the greatest and the smallest error of its trials."""
    why: tuple[str, ...]
    """One sentence for each limit that was broken, with its source; empty where none was."""
    due_us: int | None
    """[us] UTC since 1970 at which the next one is due; None: no text says."""


@dataclass(frozen=True, slots=True)
class Touch:
    """A calibration that a reader of a lot must know of."""

    instrument: str
    kind: CalibrationKind
    outcome: Outcome
    """FAILED or LATE."""
    why: str
    seq: int
    """Entry of the calibration that failed or ran out; of the move that ended it."""


def judge(calibration: Calibration, limits: Limits, regime: str = "") -> Judged:
    """Hold a calibration against the limits of a regime.

    Args:
        calibration: One entry.
        limits: All limits.
        regime: Empty: the calibration's own, which is `agency` where it names none.
    """
    by = limits.of(calibration.kind, regime or calibration.regime or AGENCY)
    errors = [one.error_percent for one in calibration.trials]
    worst = max(errors, key=abs) if errors else None
    spread = max(errors) - min(errors) if len(errors) > 1 else None
    found = {
        "error_percent": ("error", None if worst is None else abs(worst), "%"),
        "spread_percent": ("spread of trials", spread, "%"),
    } | {
        name: (name.removesuffix("_percent").replace("_", " "), calibration.figures.get(name), "%") for name in FIGURES
    }
    why = [
        f"{words} {value:.3g} {unit} is above {limit.value:g} {unit} ({limit.section}; {limit.status})"
        for key, (words, value, unit) in found.items()
        if (limit := by.get(key)) is not None and value is not None and _above(value, limit.value)
    ]
    least = by.get("trials_at_least")
    if least is not None and least.value is not None and len(errors) < least.value:
        why.append(f"{len(errors)} trials, {least.value:g} are needed ({least.section}; {least.status})")
    rules = replace(CALTRANS, minimum=calibration.minimum)
    why += [
        f"run {number}: {words} ({RULES_SECTION})"
        for number, run in enumerate(calibration.runs, start=1)
        for words in broken_rules(run, rules)
    ]
    due = by.get("due_days")
    due_us = None if due is None or due.value is None else calibration.done_us + round(due.value * DAY_US)
    return Judged(calibration, Outcome.FAILED if why else Outcome.PASSED, worst, spread, tuple(why), due_us)


def standing(
    calibrations: Iterable[Calibration], limits: Limits, at_us: int, regime: str = ""
) -> tuple[tuple[Judged, Outcome], ...]:
    """Return how each calibration stands at an instant, the newest of each instrument and kind.

    Args:
        calibrations: Entries in force.
        limits: All limits.
        at_us: [us] UTC since 1970.
        regime: Empty: each calibration's own.
    """
    found = []
    for history in _histories(calibrations):
        done = [one for one in history.tests if one.done_us <= at_us]
        if done:
            newest = judge(done[-1], limits, regime)
            ends_us = _ends_us(newest, history)[0]
            late = ends_us is not None and at_us > ends_us
            found.append((newest, Outcome.LATE if late and newest.outcome is Outcome.PASSED else newest.outcome))
    return tuple(found)


def touching(
    calibrations: Iterable[Calibration],
    limits: Limits,
    lot_first_us: int,
    lot_last_us: int,
    *,
    regime: str = "",
    expected: Iterable[tuple[str, CalibrationKind]] = (),
) -> tuple[Touch, ...]:
    """List every failed or late calibration that touches a lot.

    Args:
        calibrations: Entries in force.
        limits: All limits.
        lot_first_us: [us] UTC since 1970 at which the lot's first mix left the drum.
        lot_last_us: [us] The same of its last.
        regime: Empty: each calibration's own.
        expected: Instruments and kinds that must have been calibrated before the lot; one that never was is late.
    """
    kept = tuple(calibrations)
    touches = []
    for instrument, kind in expected:
        if not any(one.instrument == instrument and one.kind is kind and one.done_us <= lot_last_us for one in kept):
            touches.append(Touch(instrument, kind, Outcome.LATE, "it was never done before this lot", 0))
    for history in _histories(kept):
        judged = [judge(one, limits, regime) for one in history.tests]
        for at, one in enumerate(judged):
            if one.outcome is Outcome.FAILED:
                touch = _failed_touch(one, judged[:at], judged[at + 1 :], lot_first_us, lot_last_us)
            else:
                touch = _late_touch(one, history, judged[at + 1 :], lot_first_us, lot_last_us)
            touches += [touch] if touch is not None else []
    return tuple(touches)


def _failed_touch(
    failed: Judged, before: Sequence[Judged], behind: Sequence[Judged], lot_first_us: int, lot_last_us: int
) -> Touch | None:
    """Touch the lots between the last calibration that passed and the next that does."""
    sound = [one.calibration.done_us for one in before if one.outcome is Outcome.PASSED]
    mended = [one.calibration.done_us for one in behind if one.outcome is Outcome.PASSED]
    if (sound and lot_last_us <= sound[-1]) or (mended and lot_first_us >= mended[0]):
        return None
    done = failed.calibration
    why = "; ".join(failed.why) + "; it counts since the last one that passed"
    return Touch(done.instrument, done.kind, Outcome.FAILED, why, done.seq)


def _late_touch(
    passed: Judged, history: "_History", behind: Sequence[Judged], lot_first_us: int, lot_last_us: int
) -> Touch | None:
    """Touch the lots between the end of a calibration and the next one."""
    ends_us, why, seq = _ends_us(passed, history)
    next_us = behind[0].calibration.done_us if behind else None
    if ends_us is None or lot_last_us <= ends_us:
        return None
    if next_us is not None and (next_us <= ends_us or lot_first_us >= next_us):
        return None
    return Touch(passed.calibration.instrument, passed.calibration.kind, Outcome.LATE, why, seq)


@dataclass(frozen=True, slots=True)
class _History:
    """One kind of calibration of one instrument, in order of time, and the moves of it."""

    tests: tuple[Calibration, ...]
    moves: tuple[Calibration, ...]


def _histories(calibrations: Iterable[Calibration]) -> list[_History]:
    ordered = sorted(calibrations, key=lambda one: (one.done_us, one.seq))
    keys = dict.fromkeys((one.instrument, one.kind) for one in ordered if one.kind is not CalibrationKind.MOVED)
    return [
        _History(
            tuple(one for one in ordered if (one.instrument, one.kind) == key),
            tuple(one for one in ordered if one.instrument == key[0] and one.kind is CalibrationKind.MOVED),
        )
        for key in keys
    ]


def _ends_us(judged: Judged, history: _History) -> tuple[int | None, str, int]:
    """Return until when a calibration holds, why it ends, and the entry that ends it."""
    done = judged.calibration
    moved = next((one for one in history.moves if one.done_us >= done.done_us), None)
    if moved is not None and (judged.due_us is None or moved.done_us < judged.due_us):
        return moved.done_us, "the instrument was moved and not calibrated anew", moved.seq
    return judged.due_us, "it had fallen due and was not done again", done.seq


def _above(value: float, limit: float | None) -> bool:
    # A limit itself still passes, and rounding of the division must not decide.
    return limit is not None and value > limit * (1.0 + 1e-9)
