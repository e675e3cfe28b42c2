"""Loop checks: every signal and every output proved from the instrument to the page, with value, time and initials.

An entry is one look at one signal, or one proof of one output. What a signal means (device, register, scaling, range)
has a name, its meaning; an entry counts for the meaning under which it was made and for no other. So a signal whose
definition has changed is to be checked again.

A contact passes when it has been seen closed and open as expected. Any other signal passes at two points at least that
are further apart than their tolerances, since one point alone does not show a wrong scale. A failed look ends what was
seen before it: something gets mended after it, and then all points are looked at anew.
"""

from collections.abc import Iterable, Mapping, Sequence
from enum import StrEnum
from math import isfinite
from typing import Any, Final

from crumbmeter.model.frozen import dataclass
from crumbmeter.qc.said import Said, Subject

POINTS: Final = 2
"""So many points, at least, prove a signal that is no contact."""


class LoopKind(StrEnum):
    """Which way a loop goes."""

    SIGNAL = "signal"
    OUTPUT = "output"


class LoopState(StrEnum):
    """How the check of a loop stands."""

    FAILED = "failed"
    CHECK_AGAIN = "to be checked again"
    """It was checked, and has been defined anew since."""
    NOT_CHECKED = "not checked"
    """Never, or not at all the points that are needed."""
    PASSED = "passed"


@dataclass(frozen=True, slots=True)
class Loop:
    """One signal or output of a site, as far as its check goes."""

    name: str
    """Signal or output role, as in the site file."""
    kind: LoopKind
    meaning: str
    """Names all that decides what its number means: another definition has another meaning."""
    is_contact: bool
    low_si: float
    high_si: float
    unit: str
    """In which the site states it."""


@dataclass(frozen=True, slots=True)
class Look:
    """One entry: a signal held against what was expected, or an output against what it was told."""

    name: str
    kind: LoopKind
    meaning: str
    passed: bool
    expected_si: float
    """[SI] What the instrument was brought to; of an output what was written."""
    read_si: float | None
    """[SI] What was read; of an output its read-back. None: nothing that can be believed."""
    tolerance_si: float
    unit: str
    by: str
    """Initials."""
    witness: str
    how: str
    why: str
    """Why it failed, or how it was judged."""
    at_us: int
    """[us] UTC since 1970."""
    seq: int = 0
    """Its entry in the quality record."""


@dataclass(frozen=True, slots=True)
class LoopStanding:
    """How one loop stands."""

    loop: Loop
    state: LoopState
    looks: tuple[Look, ...]
    """Those that count, in order: since the last failed one, which is the first of them; under its present meaning."""
    missing: str
    """What it still needs; empty where it has passed."""

    @property
    def last(self) -> Look | None:
        """Return the newest look that counts."""
        return self.looks[-1] if self.looks else None


class LoopCheckRefusedError(ValueError):
    """An entry is no loop check. The message names the key, what was found and what is expected."""


def read(said: Said) -> Look:
    """Read a look out of an entry.

    Raises:
        LoopCheckRefusedError: the entry is none.
    """
    place = f"loop check of {said.about}"
    if said.subject is not Subject.LOOP_CHECK:
        raise LoopCheckRefusedError(f"entry {said.seq} is about a {said.subject.value}, not a loop check")
    what = said.what
    try:
        kind = LoopKind(what.get("kind", ""))
    except ValueError:
        raise LoopCheckRefusedError(f"{place}: kind {what.get('kind')!r} is not one of signal, output") from None
    if not isinstance(what.get("passed"), bool):
        raise LoopCheckRefusedError(f"{place}: passed is {what.get('passed')!r}, and must be true or false")
    read_si = None if what.get("read_si") is None else _number(place, what, "read_si")
    return Look(
        name=said.about, kind=kind, meaning=_text(place, what, "meaning"), passed=what["passed"],
        expected_si=_number(place, what, "expected_si"), read_si=read_si,
        tolerance_si=_number(place, what, "tolerance_si"), unit=_text(place, what, "unit"),
        by=_text(place, what, "by"), witness=_text(place, what, "witness"), how=_text(place, what, "how"),
        why=_text(place, what, "why"), at_us=said.effective_us, seq=said.seq,
    )  # fmt: skip


def content(look: Look, more: Mapping[str, Any] | None = None) -> dict[str, Any]:
    """Return a look as the content of an entry.

    Args:
        look: One look; its name and its time are the entry's own.
        more: Evidence beside it, such as raw words and age; kept, and not judged by.
    """
    return {
        **(more or {}),
        "kind": look.kind.value, "meaning": look.meaning, "passed": look.passed, "expected_si": look.expected_si,
        "read_si": look.read_si, "tolerance_si": look.tolerance_si, "unit": look.unit, "by": look.by,
        "witness": look.witness, "how": look.how, "why": look.why,
    }  # fmt: skip


def said_of(look: Look, more: Mapping[str, Any] | None = None) -> Said:
    """Make the entry of a look."""
    return Said(Subject.LOOP_CHECK, look.name, content(look, more), f"{look.by} (loop check)", look.at_us)


def standing(entries: Iterable[Said], loops: Sequence[Loop]) -> tuple[LoopStanding, ...]:
    """Say how each loop stands, in the order of the loops.

    Args:
        entries: What holds of the quality record, in the order it was said; other subjects are passed over.
        loops: All signals and outputs of the site, as it is now defined.

    Raises:
        LoopCheckRefusedError: an entry about a loop check is none.
    """
    looks = [read(one) for one in entries if one.subject is Subject.LOOP_CHECK]
    return tuple(_standing(loop, looks) for loop in loops)


def failed_first(standings: Iterable[LoopStanding]) -> list[LoopStanding]:
    """Order standings as a sheet lists them: failed, to be checked again, not checked, passed."""
    order = list(LoopState)
    return sorted(standings, key=lambda one: order.index(one.state))


def _standing(loop: Loop, looks: Sequence[Look]) -> LoopStanding:
    own = [one for one in looks if one.name == loop.name and one.kind is loop.kind]
    holding = [one for one in own if one.meaning == loop.meaning]
    if not holding:
        state = LoopState.CHECK_AGAIN if own else LoopState.NOT_CHECKED
        why = "it has been defined anew since it was checked" if own else "never checked"
        return LoopStanding(loop, state, (), why)
    failures = [place for place, one in enumerate(holding) if not one.passed]
    since = holding[failures[-1] :] if failures else holding
    good = [one for one in since if one.passed]
    missing = missing_of(loop, good)
    if not missing:
        return LoopStanding(loop, LoopState.PASSED, tuple(good), "")
    if failures:
        return LoopStanding(loop, LoopState.FAILED, tuple(since), since[0].why if len(since) == 1 else missing)
    return LoopStanding(loop, LoopState.NOT_CHECKED, tuple(since), missing)


def missing_of(loop: Loop, good: Sequence[Look]) -> str:
    """Say what is still to be seen before a loop has passed; empty where nothing is.

    Args:
        loop: One loop.
        good: Looks that passed, all under its present meaning.
    """
    if loop.kind is LoopKind.OUTPUT:
        return "" if good else "never written"
    if loop.is_contact:
        seen = {one.expected_si >= 0.5 for one in good}
        wanted = [word for word, state in (("closed", True), ("open", False)) if state not in seen]
        return f"not yet seen {' and '.join(wanted)}" if wanted else ""
    if not good:
        return f"{POINTS} points"
    low, high = (pick(good, key=lambda one: one.expected_si) for pick in (min, max))
    if high.expected_si - low.expected_si > low.tolerance_si + high.tolerance_si:
        return ""
    return "one more point, further from this one than both tolerances"


def _text(place: str, what: Mapping[str, Any], key: str) -> str:
    value = what.get(key)
    if not isinstance(value, str):
        raise LoopCheckRefusedError(f"{place}: {key} is {value!r}, and must be text")
    return value


def _number(place: str, what: Mapping[str, Any], key: str) -> float:
    value = what.get(key)
    if isinstance(value, bool) or not isinstance(value, int | float) or not isfinite(value):
        raise LoopCheckRefusedError(f"{place}: {key} is {value!r}, and must be a finite number")
    return float(value)
