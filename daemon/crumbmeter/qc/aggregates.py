"""Aggregates of recorded signals after OPC UA Part 13, each with its method, its per cent good and its gaps (REQ-22).

Below the configured per cent good an aggregate has no value: it reads "insufficient data". A total comes from a
totaliser; what its rate integrates to stands beside it with the difference, and never in its place.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise

from crumbmeter.model.quality import Quality
from crumbmeter.qc.series import Bounds, How, Piece, Sample, Series

US_PER_S = 1_000_000


class Kind(StrEnum):
    """An aggregate, with its clause in OPC UA Part 13 v1.04."""

    TIME_AVERAGE = "time-weighted average"
    """TimeAverage, TimeAverage2 (5.4.3.6, 5.4.3.7): over the time in which the signal is known."""
    TOTAL = "total"
    """Total (5.4.3.8), interpolated bounds: time-weighted average times the length of the span [s]. Total2 (5.4.3.9),
    simple bounds: times that of what is known, so that nothing is added for a gap."""
    MINIMUM = "minimum"
    """Of the Good samples (5.4.3.10)."""
    MAXIMUM = "maximum"
    """Of the Good samples (5.4.3.11)."""
    COUNT = "count"
    """Of the Good samples."""


@dataclass(frozen=True, slots=True)
class Coverage:
    """How much of a span is known."""

    begin_us: int
    end_us: int
    good_s: float
    """[s] DurationGood (5.4.3.31)."""
    bad_s: float
    """[s] DurationBad (5.4.3.32)."""
    gaps: tuple[tuple[int, int], ...]
    """[us] Beginning and end of each stretch that is Bad or was not recorded."""

    @property
    def length_s(self) -> float:
        """[s] Return the length of the span."""
        return (self.end_us - self.begin_us) / US_PER_S

    @property
    def good_percent(self) -> float:
        """[%] Return DurationGood over the length (PercentGood, 5.4.3.33)."""
        return 100.0 * self.good_s / self.length_s


@dataclass(frozen=True, slots=True)
class Aggregate:
    """One figure of one signal over one span."""

    kind: Kind
    how: How
    coverage: Coverage
    value: float | None
    """In the signal's unit (a total: times s); None: no data, or not enough."""
    at_us: int | None
    """[us] When a minimum or maximum was first so."""
    quality: Quality
    """Good: all of it is; Bad: nothing is known; else Uncertain."""

    @property
    def sufficient(self) -> bool:
        """Tell whether so much is Good that a number may stand."""
        return self.coverage.good_percent >= self.how.least_good_percent

    @property
    def method(self) -> str:
        """Say what it is and how it was made."""
        return f"{self.kind} ({self.how.words}), {self.coverage.good_percent:.1f} % good"

    def text(self, write: Callable[[float], str]) -> str:
        """Return what is printed: the value with its per cent good, or that the data do not suffice."""
        percent = f"{self.coverage.good_percent:.1f} % good"
        return f"insufficient data ({percent})" if self.value is None else f"{write(self.value)} ({percent})"


class SpanError(ValueError):
    """A span without length."""


def coverage(series: Series, begin_us: int, end_us: int, how: How) -> Coverage:
    """Return how much of a span is Good, and its gaps.

    A stretch is as good as the sample that begins it; the first one is as good as the bounding value (5.4.3.31, and
    the tables A.29). What no sample was recorded for, before the first and behind the last, is Bad.

    Args:
        series: Of one signal.
        begin_us: [us] First instant.
        end_us: [us] First instant behind it.
        how: How the signal is read. Bounds are simple here, whatever it says.

    Raises:
        SpanError: the end is not behind the beginning.
    """
    if end_us <= begin_us:
        raise SpanError(f"a span from {begin_us} us to {end_us} us has no length")
    inside = list(series.within(begin_us, end_us))
    stretches: list[tuple[int, Quality]] = []
    if not inside or inside[0].at_us > begin_us:
        (first, *_) = series.pieces(begin_us, begin_us + 1, _simple(how))
        stretches.append((begin_us, first.quality))
    stretches += [(sample.at_us, _as_used(sample, how)) for sample in inside]
    if series.samples and begin_us <= (last_us := series.samples[-1].at_us) < end_us:
        stretches[-1] = (last_us, Quality.BAD)
    good_us, bad_us, gaps = 0, 0, list[tuple[int, int]]()
    for (from_us, quality), (until_us, _) in pairwise([*stretches, (end_us, Quality.BAD)]):
        if quality is Quality.GOOD:
            good_us += until_us - from_us
        elif quality is Quality.BAD:
            bad_us += until_us - from_us
            begun_us = gaps.pop()[0] if gaps and gaps[-1][1] == from_us else from_us
            gaps.append((begun_us, until_us))
    return Coverage(begin_us, end_us, good_us / US_PER_S, bad_us / US_PER_S, tuple(gaps))


def _simple(how: How) -> How:
    return How(how.stepped, uncertain_is_bad=how.uncertain_is_bad)


def _as_used(sample: Sample, how: How) -> Quality:
    uncertain_as_bad = how.uncertain_is_bad and sample.quality is Quality.UNCERTAIN
    return Quality.BAD if sample.value is None or uncertain_as_bad else sample.quality


def aggregate(series: Series, begin_us: int, end_us: int, kind: Kind, how: How) -> Aggregate:
    """Reckon one aggregate.

    Args:
        series: Of one signal.
        begin_us: [us] First instant of the span.
        end_us: [us] First instant behind it.
        kind: Which.
        how: How the signal is read, and how much of it must be Good.

    Raises:
        SpanError: the end is not behind the beginning.
    """
    known = coverage(series, begin_us, end_us, how)
    if kind in (Kind.TIME_AVERAGE, Kind.TOTAL):
        pieces = series.pieces(begin_us, end_us, how)
        value, at_us, quality = time_average(pieces), None, _overall(pieces)
        if value is not None and kind is Kind.TOTAL:
            value = integral(pieces) if how.bounds is Bounds.SIMPLE else value * known.length_s
    else:
        value, at_us, quality = _of_samples(series.within(begin_us, end_us), kind)
    enough = known.good_percent >= how.least_good_percent
    return Aggregate(kind, how, known, value if enough else None, at_us if enough else None, quality)


def time_average(pieces: Sequence[Piece]) -> float | None:
    """Return the mean over the time in which the signal is known; None where it never is."""
    known_us = sum(piece.length_us for piece in pieces if piece.begins is not None)
    return integral(pieces) * US_PER_S / known_us if known_us else None


def integral(pieces: Sequence[Piece]) -> float:
    """Return value times time [s] over what is known."""
    return sum(
        [
            0.5 * (piece.begins + piece.ends) * (piece.length_us / US_PER_S)
            for piece in pieces
            if piece.begins is not None and piece.ends is not None
        ]
    )


def _overall(pieces: Sequence[Piece]) -> Quality:
    found = {piece.quality for piece in pieces}
    return found.pop() if len(found) == 1 else Quality.UNCERTAIN


def _of_samples(samples: Sequence[Sample], kind: Kind) -> tuple[float | None, int | None, Quality]:
    """Return count, minimum or maximum of the Good samples; others make it Uncertain."""
    good = [(sample.value, sample.at_us) for sample in samples if _is_good(sample) and sample.value is not None]
    quality = Quality.GOOD if len(good) == len(samples) else Quality.UNCERTAIN
    if kind is Kind.COUNT:
        return float(len(good)), None, quality
    if not good:
        return None, None, Quality.BAD
    if kind is Kind.MINIMUM:
        value, at_us = min(good)
    else:
        value, at_us = max(good, key=lambda one: (one[0], -one[1]))
    return value, at_us, quality


def _is_good(sample: Sample) -> bool:
    return sample.value is not None and sample.quality is Quality.GOOD


@dataclass(frozen=True, slots=True)
class TotalAgainstRate:
    """A total out of its totaliser, and beside it what the rate of the same stream integrates to."""

    begin_us: int
    end_us: int
    total_kg: float | None
    """[kg] End less beginning of the totaliser; None: see `why_not`."""
    why_not: str
    """Why there is no total; empty where there is one."""
    integrated_kg: float
    """[kg] Rate times time over what is known of the rate."""
    rate: Coverage
    """Of the rate: what its gaps leave out is a part of the difference."""

    @property
    def difference_kg(self) -> float | None:
        """[kg] Return the integrated rate less the total."""
        return None if self.total_kg is None else self.integrated_kg - self.total_kg

    @property
    def difference_percent(self) -> float | None:
        """[%] Return it as a share of the total; None without one, or where it is nothing."""
        return 100.0 * (self.integrated_kg - self.total_kg) / self.total_kg if self.total_kg else None


def totals_against_rate(
    totaliser: Series, rate: Series, begin_us: int, end_us: int, *, rate_stepped: bool = True
) -> TotalAgainstRate:
    """Take a total from its totaliser and hold the integrated rate against it.

    Args:
        totaliser: [kg] Counts up; wraps and resets already taken out of it.
        rate: [kg/s] Of the same stream.
        begin_us: [us] First instant.
        end_us: [us] First instant behind it.
        rate_stepped: Whether the rate holds until its next sample, as in rows of once a second.

    Raises:
        SpanError: the end is not behind the beginning.
    """
    how = How(stepped=rate_stepped)
    known = coverage(rate, begin_us, end_us, how)
    total_kg, why_not = _counted(totaliser, begin_us, end_us)
    return TotalAgainstRate(begin_us, end_us, total_kg, why_not, integral(rate.pieces(begin_us, end_us, how)), known)


def _counted(totaliser: Series, begin_us: int, end_us: int) -> tuple[float | None, str]:
    how = How(stepped=True)
    (at_begin, _), (at_end, _) = totaliser.value_at(begin_us, how), totaliser.value_at(end_us, how)
    if at_begin is None or at_end is None:
        place = "beginning" if at_begin is None else "end"
        return None, f"the totaliser is not known at the {place}"
    counts = [at_begin, *[one.value for one in totaliser.within(begin_us, end_us) if one.value is not None], at_end]
    if any(after < before for before, after in pairwise(counts)):
        return None, "the totaliser went back within the span: it was reset"
    return at_end - at_begin, ""
