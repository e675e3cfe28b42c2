"""An acceptance run as it stands in the quality record: what was made, what the feeder did, and what each line says.

All of it is data of one run: figures over windows of mix, what happened, and the verdict on every line of the
specification. A figure that the plant cannot prove is no pass.
"""

from dataclasses import asdict
from typing import Any, Final

from crumbmeter.model.frozen import body_reader, dataclass
from crumbmeter.qc.said import Said, Subject
from crumbmeter.qc.verdict import Verdict

LAYOUT: Final = 1


@dataclass(frozen=True, slots=True)
class Windows:
    """Metering error of windows of one size, in percent of the rubber asked for."""

    phase: str
    window_g: int
    count: int
    rms_percent: float | None
    """None: no window is whole."""
    mean_percent: float | None
    worst_percent: float | None
    """With its sign."""
    within_5_percent: float | None
    """[%] Share of the windows that are within ±5 %."""
    within_10_percent: float | None


@dataclass(frozen=True, slots=True)
class Proof:
    """Whether the plant can prove a tolerance over so much mix, by its uncertainty budget at the run's own rate."""

    window_g: int
    expanded_percent: float
    """U, about 95 %, in percent of the dose."""
    largest: str
    assumed: tuple[str, ...]
    """Contributions whose size the site file does not state."""


@dataclass(frozen=True, slots=True)
class Phase:
    """One part of the run."""

    name: str
    lasted_s: float
    mix_g: int
    judged_mix_g: int
    """[g] Mix with a dose, from when the feed had settled."""
    rubber_g: int
    target_rubber_g: int
    error_percent: float | None
    """Of the judged mix as a whole."""
    rubber_uncertainty_g: int
    """[g] Standard uncertainty (k=1) of the judged rubber by weighing."""
    asked_kg: float
    """[kg] Rubber that crumbmeter asked for, or would have: the sum over the rows."""
    fed_kg: float
    rows: int
    rate_rms_percent: float | None
    """Fed rate against the rate asked for, second by second, in percent of the mean asked for."""
    lowest_t_h: float | None
    """[t/h] Mix without rubber at the injection point, while there was any."""
    highest_t_h: float | None


@dataclass(frozen=True, slots=True)
class SignalQuality:
    """How good one signal was over the run."""

    signal_id: str
    good_percent: float
    uncertain_percent: float
    bad_percent: float


@dataclass(frozen=True, slots=True)
class Scans:
    """Health of the scan."""

    count: int
    period_s: float
    longest_s: float
    late: int
    """Scans more than half a period late."""
    longest_row_gap_s: float
    starts: int
    """Starts of the daemon within the run."""


@dataclass(frozen=True, slots=True)
class Happened:
    """Something that happened, at a time."""

    at_us: int
    what: str
    detail: str


@dataclass(frozen=True, slots=True)
class Deviation:
    """A deviation that touches the run."""

    deviation_id: str
    began_us: int
    mix_g: int
    off_percent: float | None
    why: str
    """Empty: during the judged part."""


@dataclass(frozen=True, slots=True)
class LineVerdict:
    """One line of the specification, the site's answer and the run's."""

    key: str
    asked: str
    section: str
    status: str
    verdict: Verdict
    site: str
    run: str
    """Empty: a run says nothing of it."""
    remedy: str


@dataclass(frozen=True, slots=True)
class DoseCurve:
    """Dose against target by tons."""

    basis: str
    mix_kg: tuple[float, ...]
    """[kg] Made until the end of each stretch."""
    dose_percent: tuple[float | None, ...]
    target_percent: tuple[float | None, ...]
    control_from_kg: float | None
    judged_from_kg: float | None


@dataclass(frozen=True, slots=True)
class PlanSummary:
    """What was planned before the truck left: as the plan's own document says it."""

    name: str
    sha256: str
    period: str
    facts: tuple[tuple[str, str], ...]
    failed: tuple[str, ...]
    """Checks that failed, in words."""


@dataclass(frozen=True, slots=True)
class Acceptance:
    """One run."""

    v: int
    run_id: str
    specification_id: str
    specification_title: str
    finished: bool
    why_not: str
    begin_us: int
    end_us: int
    settings_id: str
    """Of the site file that it was judged by."""
    made_with: tuple[str, ...]
    """Settings under which the mix was made."""
    version: str
    boot_ids: tuple[str, ...]
    first_seq: int
    """Range of the plant's record that was read."""
    last_seq: int
    head: str
    """Head of the plant's record then."""
    by: str
    witness: str
    verdict: Verdict
    open_points: tuple[str, ...]
    """What failed, is missing or cannot be told; empty: nothing."""
    phases: tuple[Phase, ...]
    windows: tuple[Windows, ...]
    proofs: tuple[Proof, ...]
    lines: tuple[LineVerdict, ...]
    deviations: tuple[Deviation, ...]
    alarms: tuple[tuple[str, int], ...]
    stops: tuple[Happened, ...]
    refills: tuple[Happened, ...]
    signals: tuple[SignalQuality, ...]
    scans: Scans
    curve: DoseCurve | None
    plan: PlanSummary | None
    simulated: bool


class AcceptanceRefusedError(ValueError):
    """An entry is no acceptance run. The message says why."""


_READ = body_reader(Acceptance)


def said_of(run: Acceptance) -> Said:
    """Make its entry."""
    return Said(Subject.ACCEPTANCE, run.run_id, asdict(run), f"{run.by} (acceptance run)", run.end_us)


def read(said: Said, encode: Any) -> Acceptance:
    """Read it out of its entry.

    Args:
        said: The entry.
        encode: Makes JSON of its content.

    Raises:
        AcceptanceRefusedError: the entry is none, or of a layout that this program does not know.
    """
    try:
        found = _READ(encode(dict(said.what)))
    except ValueError as fault:
        raise AcceptanceRefusedError(f"acceptance run {said.about} (entry {said.seq}): {fault}") from fault
    if found.v != LAYOUT:
        raise AcceptanceRefusedError(f"acceptance run {said.about} is of layout {found.v}, expected {LAYOUT}")
    return found


@dataclass(frozen=True, slots=True)
class Signed:
    """A signature over the commissioning as it stood."""

    run_id: str
    signed_over: str
    """Head of the quality record just before it: with it all that had been said by then."""
    role: str
    who: str
    at_us: int
    seq: int


def signature(run_id: str, head: str, role: str, who: str, at_us: int) -> Said:
    """Make the entry of a signature.

    Args:
        run_id: Of the run that ends the commissioning.
        head: Of the quality record, as `record:SEQUENCE:HASH`.
        role: integrator, or witness.
        who: Name.
        at_us: [us] UTC since 1970.
    """
    meaning = "signs the commissioning as the quality record holds it up to that head"
    what = {"signed_over": head, "role": role, "meaning": meaning}
    return Said(Subject.ACCEPTANCE, run_id, what, who, at_us)


def signed(said: Said) -> Signed | None:
    """Read a signature; None where the entry is none."""
    if said.subject is not Subject.ACCEPTANCE or "signed_over" not in said.what:
        return None
    what = said.what
    return Signed(
        said.about, str(what["signed_over"]), str(what.get("role", "")), said.who, said.said_us or said.effective_us,
        said.seq,
    )  # fmt: skip


def is_run(said: Said) -> bool:
    """Tell whether an entry is a run, and no signature."""
    return said.subject is Subject.ACCEPTANCE and "signed_over" not in said.what


def tolerance_verdict(errors_percent: list[float], limit_percent: float, expanded_percent: float) -> Verdict:
    """Hold errors against a tolerance with guarded acceptance (JCGM 106).

    What was measured beyond the limit fails. What lies within it by less than its own uncertainty cannot be told.

    Args:
        errors_percent: [%] Of each window; none: nothing can be told.
        limit_percent: [%] Tolerance on either side.
        expanded_percent: [%] Expanded uncertainty of one window.
    """
    worst = max((abs(one) for one in errors_percent), default=None)
    if worst is None:
        return Verdict.CANNOT_TELL
    if worst > limit_percent:
        return Verdict.FAILS
    return Verdict.PASSES if worst <= limit_percent - expanded_percent else Verdict.CANNOT_TELL


def worst_of(verdicts: list[Verdict]) -> Verdict:
    """Return the worst: one that fails, else one that cannot tell."""
    for one in (Verdict.FAILS, Verdict.CANNOT_TELL):
        if one in verdicts:
            return one
    return Verdict.PASSES
