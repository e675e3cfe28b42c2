"""Waits for a signal to be steady and Good, holds it against what is expected, and makes the look of it.

The value that counts is the newest of a run of Good readings over a few seconds that differ by no more than the
tolerance. A run that does not agree with what is expected is waited out: the weight may only now be coming on.
"""

from collections import deque
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from crumbmeter.commission.expecting import Tolerance
from crumbmeter.model.quality import Quality
from crumbmeter.ports import Clock
from crumbmeter.qc.loop_checks import Look, Loop
from crumbmeter.report.loop_sheet import value_words

STEADY_S: Final = 2.0
"""[s] The readings must agree over so long."""
READINGS: Final = 3
"""So many readings, at least, make a run."""
LOOK_EVERY_S: Final = 0.25


@dataclass(frozen=True, slots=True)
class Shown:
    """One reading of a signal as a surface shows it, with what it was made of."""

    value_si: float | None
    quality: Quality
    reason: str
    age_s: float
    words: tuple[int, ...] | None
    """Raw words, or the bit. None: none came."""
    stamp: object = None
    """Tells one reading from the next; the same stamp is the same reading seen again."""


@dataclass(frozen=True, slots=True)
class Asked:
    """What one look is about."""

    loop: Loop
    expected_si: float
    tolerance: Tolerance
    by: str
    witness: str = ""
    how: str = ""

    def agrees(self, value_si: float) -> bool:
        """Tell whether a value is as expected; the limit itself is."""
        slack = 1e-9 * max(abs(self.expected_si), abs(self.loop.high_si), abs(self.loop.low_si))
        return abs(value_si - self.expected_si) <= self.tolerance.value_si + slack


class Run:
    """The newest readings of a signal, as long as they are Good and agree."""

    def __init__(self, tolerance_si: float, steady_s: float = STEADY_S) -> None:
        self._tolerance_si = tolerance_si
        self._steady_s = steady_s
        self._held: deque[tuple[float, float]] = deque()
        self._stamp: object = None

    def take(self, shown: Shown, now_s: float) -> bool:
        """Take a reading and tell whether they have agreed for long enough.

        Args:
            shown: The reading.
            now_s: [s] When it was seen.
        """
        if shown.value_si is None or shown.quality is not Quality.GOOD:
            self._held.clear()
            return False
        if shown.stamp is None or shown.stamp != self._stamp:
            self._stamp = shown.stamp
            self._held.append((now_s, shown.value_si))
        while self.spread_si > self._tolerance_si:
            self._held.popleft()
        return len(self._held) >= READINGS and now_s - self._held[0][0] >= self._steady_s

    @property
    def spread_si(self) -> float:
        """[SI] Return how far the readings of the run are apart."""
        values = [value for _, value in self._held]
        return max(values) - min(values) if values else 0.0


@dataclass(frozen=True, slots=True)
class Seen:
    """How the wait ended."""

    shown: Shown | None
    """Newest reading; None: none at all."""
    steady: bool
    waited_s: float
    fault: str = ""
    """Why there was none."""


async def wait_steady(
    read: Callable[[], Awaitable[Shown]], asked: Asked, clock: Clock, within_s: float, steady_s: float = STEADY_S
) -> Seen:
    """Read until the signal is steady, Good and as expected, or the time is over.

    Args:
        read: Takes one reading. What it raises ends the wait.
        asked: What is expected.
        clock: Whose seconds count.
        within_s: [s] Longest wait.
        steady_s: [s] How long readings have to agree.
    """
    began_s = clock.now_s()
    run = Run(2.0 * asked.tolerance.value_si if not asked.loop.is_contact else 0.0, steady_s)
    shown, steady = None, False
    while True:
        shown = await read()
        now_s = clock.now_s()
        steady = run.take(shown, now_s)
        as_expected = steady and shown.value_si is not None and asked.agrees(shown.value_si)
        if as_expected or now_s - began_s >= within_s:
            return Seen(shown, steady, now_s - began_s)
        await clock.sleep_until(now_s + LOOK_EVERY_S)


def look_of(asked: Asked, seen: Seen, at_us: int) -> Look:
    """Judge what was seen.

    Args:
        asked: What was expected.
        seen: How the wait ended.
        at_us: [us] UTC since 1970, when.
    """
    why = _fault(asked, seen)
    shown, loop = seen.shown, asked.loop
    value_si = None if shown is None else shown.value_si
    return Look(
        name=loop.name, kind=loop.kind, meaning=loop.meaning, passed=not why, expected_si=asked.expected_si,
        read_si=value_si, tolerance_si=asked.tolerance.value_si, unit=loop.unit, by=asked.by, witness=asked.witness,
        how=asked.how, why=why or asked.tolerance.source, at_us=at_us,
    )  # fmt: skip


def evidence(seen: Seen, via: str) -> Mapping[str, Any]:
    """Return what stands beside the look in its entry: the reading as it came.

    Args:
        seen: How the wait ended.
        via: Through what it was read: the daemon, or the device itself.
    """
    shown = seen.shown
    if shown is None:
        return {"via": via, "waited_s": round(seen.waited_s, 3)}
    return {
        "via": via, "waited_s": round(seen.waited_s, 3), "steady": seen.steady,
        "words": None if shown.words is None else list(shown.words),
        "quality": shown.quality.word, "reason": shown.reason, "age_s": round(min(shown.age_s, 1e9), 3),
    }  # fmt: skip


def _fault(asked: Asked, seen: Seen) -> str:
    shown, loop = seen.shown, asked.loop
    if shown is None:
        return f"no reading: {seen.fault}"
    if shown.value_si is None or shown.quality is not Quality.GOOD:
        return f"{shown.quality.word}: {shown.reason}"
    if not asked.agrees(shown.value_si):
        return f"reads {value_words(loop, shown.value_si)}, expected {value_words(loop, asked.expected_si)}"
    if not seen.steady:
        return f"not steady within {seen.waited_s:.0f} s"
    return ""
