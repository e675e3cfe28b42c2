"""A recorded signal between its samples: what it was at an instant, and how far that may be believed.

Rules and words of OPC UA Part 13 (Aggregates, v1.04): stepped or sloped interpolation (3.1.5, 3.1.6), interpolated or
simple bounding values (3.1.8, 3.1.9), held behind the last value (stepped extrapolation). Times are instants of UTC.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator, Sequence
from enum import StrEnum
from itertools import pairwise

from crumbmeter.model.frozen import dataclass
from crumbmeter.model.quality import Quality


class Bounds(StrEnum):
    """How a signal is known where no sample stands."""

    INTERPOLATED = "interpolated"
    """From the nearest usable samples, over Bad ones; held behind the last."""
    SIMPLE = "simple"
    """From the neighbouring samples alone: nothing is known behind a Bad one, nor behind the last."""


@dataclass(frozen=True, slots=True)
class How:
    """How a signal is read."""

    stepped: bool
    """Whether it holds until the next sample (a state, a setpoint, a totaliser); else it runs straight to it."""
    bounds: Bounds = Bounds.SIMPLE
    uncertain_is_bad: bool = False
    """Whether an Uncertain sample is used like a Bad one."""
    least_good_percent: float = 90.0
    """[%] Below this an aggregate is "insufficient data" and no number."""

    @property
    def words(self) -> str:
        """Say it, for beside a figure."""
        line = "stepped" if self.stepped else "sloped"
        return f"{line}, {self.bounds} bounds" + (", Uncertain counts as Bad" if self.uncertain_is_bad else "")


@dataclass(frozen=True, slots=True)
class Sample:
    """One recorded value."""

    at_us: int
    """[us] UTC since 1970."""
    value: float | None
    """In the signal's unit; None: there was none."""
    quality: Quality


@dataclass(frozen=True, slots=True)
class Piece:
    """A stretch of time in which the signal is a straight line, or is not known."""

    begin_us: int
    end_us: int
    begins: float | None
    """Value at its beginning; None: not known in all of it."""
    ends: float | None
    quality: Quality

    @property
    def length_us(self) -> int:
        """[us] Return how long it is."""
        return self.end_us - self.begin_us

    def clipped(self, begin_us: int, end_us: int) -> "Piece | None":
        """Return the part of it within a span [us]; None where there is none."""
        low_us, high_us = max(self.begin_us, begin_us), min(self.end_us, end_us)
        if low_us >= high_us:
            return None
        return Piece(low_us, high_us, self.value_at(low_us), self.value_at(high_us), self.quality)

    def value_at(self, at_us: int) -> float | None:
        """Return the value at an instant [us] of it."""
        if self.begins is None or self.ends is None or self.begins == self.ends:
            return self.begins
        return self.begins + (self.ends - self.begins) * ((at_us - self.begin_us) / self.length_us)


class SampleOrderError(ValueError):
    """Samples do not follow each other in time."""


class Series:
    """Samples of one signal, in the order of time."""

    def __init__(self, samples: Iterable[Sample], longest_gap_us: int | None = None) -> None:
        """Take samples.

        Args:
            samples: In the order of time, no two at one instant.
            longest_gap_us: [us] Two samples further apart leave the signal unknown from this long after the first until
                the second: nothing was recorded there. None: a sample holds however long.

        Raises:
            SampleOrderError: two samples are not in order.
        """
        held = list(samples)
        for before, after in pairwise(held):
            if after.at_us <= before.at_us:
                raise SampleOrderError(f"a sample at {after.at_us} us follows one at {before.at_us} us: sort them")
        self.samples = held if longest_gap_us is None else list(_marked(held, longest_gap_us))
        self._times_us = [sample.at_us for sample in self.samples]

    def within(self, begin_us: int, end_us: int) -> Sequence[Sample]:
        """Return the samples of a span [us], its end not counted."""
        return self.samples[bisect_left(self._times_us, begin_us) : bisect_left(self._times_us, end_us)]

    def pieces(self, begin_us: int, end_us: int, how: How) -> list[Piece]:
        """Return what the signal was over a span [us], without a gap: what is not known is a piece too."""
        low = bisect_right(self._times_us, begin_us) - 1
        high = bisect_left(self._times_us, end_us)
        if how.bounds is Bounds.INTERPOLATED:
            while low > 0 and not _usable(self.samples[low], how):
                low -= 1
            while high < len(self.samples) - 1 and not _usable(self.samples[high], how):
                high += 1
        about = self.samples[max(low, 0) : high + 1]
        made = _simple(about, end_us, how) if how.bounds is Bounds.SIMPLE else _interpolated(about, end_us, how)
        found = [piece for piece in (each.clipped(begin_us, end_us) for each in made) if piece is not None]
        first_us = found[0].begin_us if found else end_us
        if begin_us < first_us:
            found.insert(0, Piece(begin_us, first_us, None, None, Quality.BAD))
        return found

    def value_at(self, at_us: int, how: How) -> tuple[float | None, Quality]:
        """Return the bounding value at an instant [us] with its quality: the aggregate Interpolative."""
        place = bisect_left(self._times_us, at_us)
        if place < len(self.samples) and self._times_us[place] == at_us:
            sample = self.samples[place]
            if _usable(sample, how):
                return sample.value, sample.quality
            if how.bounds is Bounds.SIMPLE:
                return None, Quality.BAD
        (piece, *_) = self.pieces(at_us, at_us + 1, how)
        return piece.begins, piece.quality


def _marked(samples: Sequence[Sample], longest_gap_us: int) -> Iterator[Sample]:
    for before, after in pairwise([*samples, None]):
        if before is None:
            return
        yield before
        if after is not None and after.at_us - before.at_us > longest_gap_us:
            yield Sample(before.at_us + longest_gap_us, None, Quality.BAD)


def _usable(sample: Sample, how: How) -> bool:
    least = Quality.GOOD if how.uncertain_is_bad else Quality.UNCERTAIN
    return sample.value is not None and sample.quality >= least


def _simple(samples: Sequence[Sample], end_us: int, how: How) -> Iterator[Piece]:
    """Join neighbours; a usable sample before a Bad one is held until it (3.1.9)."""
    for before, after in pairwise(samples):
        if not _usable(before, how):
            yield Piece(before.at_us, after.at_us, None, None, Quality.BAD)
        elif how.stepped:
            yield Piece(before.at_us, after.at_us, before.value, before.value, before.quality)
        elif not _usable(after, how):
            yield Piece(before.at_us, after.at_us, before.value, before.value, Quality.UNCERTAIN)
        else:
            worst = min(before.quality, after.quality)
            yield Piece(before.at_us, after.at_us, before.value, after.value, worst)
    if samples and samples[-1].at_us < end_us:
        yield Piece(samples[-1].at_us, end_us, None, None, Quality.BAD)


def _interpolated(samples: Sequence[Sample], end_us: int, how: How) -> Iterator[Piece]:
    """Join usable samples over Bad ones; what is so joined is Uncertain (3.1.8)."""
    usable = [place for place, sample in enumerate(samples) if _usable(sample, how)]
    for here, there in pairwise(usable):
        before, after = samples[here], samples[there]
        skipped = there - here > 1
        if how.stepped:
            sure_us = samples[here + 1].at_us
            yield Piece(before.at_us, sure_us, before.value, before.value, before.quality)
            yield Piece(sure_us, after.at_us, before.value, before.value, Quality.UNCERTAIN)
        else:
            worst = Quality.UNCERTAIN if skipped else min(before.quality, after.quality)
            yield Piece(before.at_us, after.at_us, before.value, after.value, worst)
    if usable:
        last = samples[usable[-1]]
        yield Piece(last.at_us, max(end_us, last.at_us), last.value, last.value, Quality.UNCERTAIN)
