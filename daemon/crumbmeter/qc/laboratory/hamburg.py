"""Hamburg wheel tracking, AASHTO T 324: rut after so many passes, passes to a rut, and stripping from the rut curve.

AASHTO T 324 defines the stripping inflection point (SIP) as the number of passes at which the lines fitted to the creep
phase and to the stripping phase cross (read as quoted by MnDOT/NRRA). With creep y = b_c + m_c N and stripping
y = b_s + m_s N that is SIP = (b_s - b_c) / (m_c - m_s). It does not say how the lines are to be fitted, so every SIP
here keeps the name of its method:

`phase tangents`
    The creep line is fitted by least squares to the part of the record, a tenth long, in which the rut grows slowest
    behind post-compaction; the stripping line to the part behind it in which it grows fastest. It follows the common
    practice of drawing lines along the straight parts of the two phases. This is what is used unless another is named.
`two-line least squares`
    The record behind post-compaction is split in two so that a line through each part leaves the smallest sum of
    squares. Steadier in noise; where the phases pass into each other gently its SIP lies earlier.

Both work on the curve taken at even steps of passes: machines record often at first and seldom later, and no phase may
count for more because of that. Three guards keep creep and noise from being called stripping: the stripping line must
be at least twice as steep as the creep line (practice of one agency, FROM MEMORY); at the end of the record the rut
must be at least 0.5 mm deeper than the creep line says (ours); and of the two lines of the second method the later must
be the steeper one, whichever method is used (ours). Without all three there is no SIP.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from enum import StrEnum
from math import ceil, sqrt
from typing import Final

from crumbmeter.model.frozen import dataclass
from crumbmeter.qc.laboratory.curves import (
    CurveRefusedError,
    Line,
    Values,
    area_of,
    checked,
    crossing_of,
    fit_line,
    median_of,
    value_at,
    without_spikes,
)

POST_COMPACTION_PASSES: Final = 1000.0
"""The first passes press the specimen together; they belong to no phase (common practice, FROM MEMORY)."""
POST_COMPACTION_SHARE: Final = 0.1
"""Of a record that is short, no more than this is post-compaction."""
STEPS: Final = 240
WINDOW: Final = 24
"""Steps of a phase's straight part: a tenth of the record."""
BLOCK: Final = 6
"""Steps by which a straight part is grown..."""
SAME_LINE: Final = 2.5
"""...while their mean lies within so many standard deviations of its line (ours: noise passes, a bend does not)..."""
LEAST_OFF_MM: Final = 1e-6
"""[mm] ...or within rounding."""
LEAST_PART: Final = 12
"""Steps of the shortest phase that two lines are fitted to."""
STEEPER: Final = 2.0
DEEPER_MM: Final = 0.5
FEWEST: Final = 8
"""Records without which no phase can be told."""
END_SHARE: Final = 0.1
"""The last part of the record, which says what sign the machine gives to a rut."""
STOPPED_SHARE: Final = 0.98
"""A gauge at its end: behind the first record that reaches so much of the deepest rut nothing more is measured..."""
STOPPED_MM: Final = 12.0
"""[mm] ...where that is deeper than this."""


class FitMethod(StrEnum):
    """How creep and stripping lines are fitted."""

    TANGENTS = "phase tangents"
    TWO_LINES = "two-line least squares"


@dataclass(frozen=True, slots=True)
class RutCurve:
    """A rut curve in order: passes rise, depth is positive downwards."""

    passes: tuple[float, ...]
    rut_mm: tuple[float, ...]

    @property
    def last_passes(self) -> float:
        """Return how far the test went."""
        return self.passes[-1]


@dataclass(frozen=True, slots=True)
class Stripping:
    """The two phases and where they cross."""

    method: FitMethod
    creep: Line
    """[mm] over passes."""
    stripping: Line
    sip_passes: float
    sip_mm: float
    """[mm] Rut at the crossing of the lines."""


@dataclass(frozen=True, slots=True)
class Hamburg:
    """What one specimen showed."""

    final_rut_mm: float
    last_passes: float
    limit_mm: float
    passes_at_limit: float | None
    """None: the rut never came to the limit."""
    creep_mm_per_1000: float | None
    """[mm per 1000 passes] Creep slope; None where the record is too short to tell."""
    stripping: Stripping | None
    why_no_sip: str = ""


def rut_curve(passes: Values, depths_mm: Sequence[Values], *, from_first: bool = False) -> RutCurve:
    """Make one rut curve of the readings of one or more positions along the wheel's path.

    Args:
        passes: Of each record. A repeated count is one record, of the mean; they are put in order.
        depths_mm: [mm] For each position its readings. Their mean is the rut. The sign is found: a wheel only sinks.
        from_first: Whether the first record is the zero. Leave it where the machine has set its zero itself.

    Raises:
        CurveRefusedError: the columns do not belong together, or there is no position at all.
    """
    if not depths_mm:
        raise CurveRefusedError("Hamburg curve: no position was given. Name at least one column of rut depth.")
    for position, depths in enumerate(depths_mm, start=1):
        checked(f"Hamburg curve, position {position}", passes, depths, 2)
    means = [sum(row) / len(row) for row in zip(*depths_mm, strict=True)]
    found: dict[float, list[float]] = {}
    for count, depth in zip(passes, means, strict=True):
        found.setdefault(count, []).append(depth)
    counts = sorted(found)
    if counts[0] < 0.0 or len(counts) < 2:
        raise CurveRefusedError(
            f"Hamburg curve: passes run from {counts[0]:g} to {counts[-1]:g}; they must rise from 0 or more. "
            "See whether the right column was taken for the passes."
        )
    depths = [sum(found[count]) / len(found[count]) for count in counts]
    tail = depths[-max(1, ceil(END_SHARE * len(depths))) :]
    if median_of(tail) < (depths[0] if from_first else 0.0):
        depths = [-depth for depth in depths]
    zero = depths[0] if from_first else 0.0
    return RutCurve(tuple(counts), tuple(depth - zero for depth in depths))


def passes_at(curve: RutCurve, limit_mm: float) -> float | None:
    """Return after how many passes the rut first came to a limit, between two records; None where it never did.

    Args:
        curve: In order.
        limit_mm: [mm] Spikes of one or two records do not count.
    """
    depths = without_spikes(curve.rut_mm, 2)
    for i, depth in enumerate(depths):
        if depth >= limit_mm:
            if i == 0:
                return curve.passes[0]
            share = (limit_mm - depths[i - 1]) / (depth - depths[i - 1])
            return curve.passes[i - 1] + share * (curve.passes[i] - curve.passes[i - 1])
    return None


def stripping_of(curve: RutCurve, method: FitMethod = FitMethod.TANGENTS) -> tuple[Line | None, Stripping | None, str]:
    """Return the creep line, the stripping found, and why there is none.

    Args:
        curve: In order.
        method: How the lines are fitted.
    """
    even = _even(_before_the_stop(curve))
    if even is None:
        return None, None, f"fewer than {FEWEST} records behind post-compaction"
    # In noise some short part is always the steepest. Whether the curve bends upwards at all, two long lines tell.
    fitted = _two_lines(*even)
    if fitted is not None and method is FitMethod.TANGENTS:
        fitted = _tangents(*even)
    if fitted is None:
        return fit_line(*even), None, "the rut grows ever slower: no stripping phase"
    creep, stripping = fitted
    why = _guard(creep, stripping, *even)
    at = crossing_of(creep, stripping)
    if why or at is None:
        return creep, None, why
    return creep, Stripping(method, creep, stripping, at, creep.at(at)), ""


def _guard(creep: Line, stripping: Line, places: Values, depths: Values) -> str:
    """Say why two lines are no creep and stripping; nothing where they are."""
    at = crossing_of(creep, stripping)
    if at is None:
        return "creep and stripping lines are parallel"
    if stripping.slope < STEEPER * max(creep.slope, 0.0):
        return f"no phase is {STEEPER:g} times as steep as creep"
    if median_of(depths[-5:]) - creep.at(places[-3]) < DEEPER_MM:
        return f"the rut ends no more than {DEEPER_MM:g} mm below the creep line"
    return "" if 0.0 < at < places[-1] else "creep and stripping lines cross outside the record"


def evaluate(curve: RutCurve, limit_mm: float = 12.5, method: FitMethod = FitMethod.TANGENTS) -> Hamburg:
    """Evaluate one specimen.

    Args:
        curve: In order, as `rut_curve` makes it.
        limit_mm: [mm] Rut to which passes are counted; 12.5 mm (0.5 in) in the TxDOT specification of 2004.
        method: How creep and stripping lines are fitted.
    """
    creep, stripping, why = stripping_of(curve, method)
    return Hamburg(
        final_rut_mm=curve.rut_mm[-1],
        last_passes=curve.last_passes,
        limit_mm=limit_mm,
        passes_at_limit=passes_at(curve, limit_mm),
        creep_mm_per_1000=None if creep is None else 1000.0 * creep.slope,
        stripping=stripping,
        why_no_sip=why,
    )


def _before_the_stop(curve: RutCurve) -> RutCurve:
    """Leave out what a machine records after its gauge has come to the end, or the wheel was lifted."""
    depths = without_spikes(curve.rut_mm, 2)
    deepest = max(depths)
    if deepest < STOPPED_MM:
        return curve
    stop = next(i for i, depth in enumerate(depths) if depth >= STOPPED_SHARE * deepest)
    later = curve.last_passes - curve.passes[stop]
    # A curve that is still climbing comes to its end soon after; one that has stopped goes on for long.
    if later <= (1.0 - STOPPED_SHARE) * curve.last_passes:
        return curve
    return RutCurve(curve.passes[: stop + 1], curve.rut_mm[: stop + 1])


def _even(curve: RutCurve) -> tuple[list[float], list[float]] | None:
    """Take the curve behind post-compaction at even steps of passes."""
    end = curve.last_passes
    begin = max(curve.passes[0], min(POST_COMPACTION_PASSES, POST_COMPACTION_SHARE * end))
    if len([count for count in curve.passes if count >= begin]) < FEWEST:
        return None
    places = [begin + (end - begin) * step / STEPS for step in range(STEPS + 1)]
    depths = without_spikes(curve.rut_mm, 2)
    width = 0.5 * (end - begin) / STEPS
    return places, [_mean_at(curve.passes, depths, place, width) for place in places]


def _mean_at(passes: Values, depths: Values, place: float, half_width: float) -> float:
    """Take the mean of the curve around a place, so that none of many records is thrown away."""
    reach = min(half_width, place - passes[0], passes[-1] - place)
    if reach <= 0.0:
        return value_at(passes, depths, place)
    inner = slice(bisect_right(passes, place - reach), bisect_left(passes, place + reach))
    xs = [place - reach, *passes[inner], place + reach]
    ys = [value_at(passes, depths, xs[0]), *depths[inner], value_at(passes, depths, xs[-1])]
    return area_of(xs, ys) / (2.0 * reach)


def _tangents(places: Values, depths: Values) -> tuple[Line, Line] | None:
    """Fit lines to the slowest part of the curve and to the fastest one behind it."""
    lines = [fit_line(places[i : i + WINDOW + 1], depths[i : i + WINDOW + 1]) for i in range(len(places) - WINDOW)]
    slowest = min(range(len(lines)), key=lambda i: lines[i].slope)
    behind = range(slowest + WINDOW // 2, len(lines))
    if not behind:
        return None
    fastest = max(behind, key=lambda i: lines[i].slope)
    return _along(places, depths, slowest), _along(places, depths, fastest)


def _along(places: Values, depths: Values, begin: int) -> Line:
    """Fit a line to a straight part, grown both ways for as long as the curve goes on along it.

    The steepest of many short parts is steeper than the phase by what noise adds; the longer part is less so.
    """
    end = begin + WINDOW + 1
    line = fit_line(places[begin:end], depths[begin:end])
    for ahead in (True, False):
        while True:
            block = range(end, end + BLOCK) if ahead else range(begin - BLOCK, begin)
            if block.start < 0 or block.stop > len(places):
                break
            off_mm = abs(sum([depths[i] - line.at(places[i]) for i in block])) / BLOCK
            if off_mm > max(LEAST_OFF_MM, SAME_LINE * _scatter(line, places[begin:end], depths[begin:end])):
                break
            begin, end = min(begin, block.start), max(end, block.stop)
            line = fit_line(places[begin:end], depths[begin:end])
    return line


def _scatter(line: Line, places: Values, depths: Values) -> float:
    """[mm] Return the standard deviation about a fitted line."""
    return sqrt(sum([(y - line.at(x)) ** 2 for x, y in zip(places, depths, strict=True)]) / (len(places) - 2))


def _two_lines(places: Values, depths: Values) -> tuple[Line, Line] | None:
    """Fit two lines that leave the smallest sum of squares; None where the second is the flatter one."""

    def left(part: slice) -> tuple[float, Line]:
        line = fit_line(places[part], depths[part])
        return sum([(y - line.at(x)) ** 2 for x, y in zip(places[part], depths[part], strict=True)]), line

    best: tuple[float, Line, Line] | None = None
    for split in range(LEAST_PART, len(places) - LEAST_PART + 1):
        first, second = left(slice(0, split)), left(slice(split, len(places)))
        if best is None or first[0] + second[0] < best[0]:
            best = first[0] + second[0], first[1], second[1]
    if best is None or best[1].slope >= best[2].slope:
        return None
    return best[1], best[2]
