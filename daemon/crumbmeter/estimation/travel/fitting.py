"""Nonlinear least squares by Gauss and Newton, with what was known before, for residuals that hang together.

The model is `seen = offset + gain * shape(unknowns)`; each group of readings may have a gain and an offset of its own,
which takes out what drifts between them. Noise of a plant is no white noise: a residual is much like the
one before it, so n readings say less than n. The sum of the residuals' autocorrelation gives the share that counts
(`effective`), and the covariance is that of the weighted sums of residuals as they are (Newey and West's estimate,
from memory), where that one is larger.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import accumulate
from math import inf, isfinite, sqrt

from crumbmeter.estimation.travel.matrix import Matrix, SingularError, product, scaled_inverse, solve
from crumbmeter.estimation.travel.quantiles import coverage_factor

Shape = Callable[[Sequence[float]], Sequence[float]]


@dataclass(frozen=True, slots=True)
class Unknown:
    """One parameter of the shape."""

    name: str
    start: float
    low: float
    high: float
    step: float
    """By so much it is changed to find the slope."""
    known: float = 0.0
    """What it is believed to be without the record..."""
    doubt: float = inf
    """...and its standard uncertainty; infinite: nothing is believed."""


@dataclass(frozen=True, slots=True)
class Fit:
    """What came of it. Unknowns first, then gain and offset of each group."""

    unknowns: tuple[Unknown, ...]
    values: tuple[float, ...]
    gains: tuple[float, ...]
    """Of each group."""
    offsets: tuple[float, ...]
    covariance: Matrix
    noise: float
    """Standard deviation of the residuals."""
    readings: int
    effective: float
    """Readings that count, after autocorrelation."""
    answer: float
    """Size of the response over the noise, all readings that count together: gain over its doubt for this shape."""
    rounds: int
    settled: bool

    def standard(self, place: int) -> float:
        """Return the standard uncertainty of an unknown."""
        return sqrt(max(0.0, self.covariance[place][place]))

    def from_record(self, place: int) -> float:
        """Return what share of the doubt the record took away: 0 nothing, 1 all."""
        doubt = self.unknowns[place].doubt
        return 1.0 if doubt == inf else max(0.0, 1.0 - self.standard(place) / doubt)

    def factor(self, coverage: float) -> float:
        """Return how many standard uncertainties an interval of this coverage is wide."""
        return coverage_factor(coverage, self.effective - len(self.values) - 2 * len(self.gains))


ROUNDS = 40
CLOSE = 1e-3
"""The search ends when no unknown moves by more than this share of its standard uncertainty."""


class NotFittedError(ArithmeticError):
    """The record does not let the unknowns be found; the message says why."""


def fit(
    shape: Shape,
    seen: Sequence[float | None],
    unknowns: Sequence[Unknown],
    longest_lag: int,
    groups: Sequence[int] | None = None,
) -> Fit:
    """Fit.

    Args:
        shape: The model's shape for values of the unknowns, one for each reading.
        seen: Readings; None is left out.
        unknowns: What is sought, where it starts, what is known of it.
        longest_lag: [cells] Over so many the residuals may hang together.
        groups: For each reading the number of its group, from 0; None: all are one.

    Raises:
        NotFittedError: there are too few readings, or they do not answer to the shape at all.
    """
    there = [place for place, value in enumerate(seen) if value is not None and (groups is None or groups[place] >= 0)]
    if len(there) < 4 * (len(unknowns) + 2):
        raise NotFittedError(f"only {len(there)} usable readings")
    readings = [value for place in there if (value := seen[place]) is not None]
    members = [0] * len(there) if groups is None else [groups[place] for place in there]
    search = _Search(shape, there, readings, tuple(unknowns), longest_lag, members)
    try:
        return search.run()
    except SingularError as fault:
        raise NotFittedError(f"the readings do not answer to what was fed ({fault})") from fault


class _Search:
    def __init__(
        self,
        shape: Shape,
        there: list[int],
        readings: list[float],
        unknowns: tuple[Unknown, ...],
        longest_lag: int,
        members: list[int],
    ) -> None:
        self._shape, self._there, self._readings = shape, there, readings
        self._unknowns, self._longest, self._members = unknowns, longest_lag, members
        self._groups = max(members) + 1
        self._gains, self._offsets = [1.0] * self._groups, [0.0] * self._groups
        self._power = 0.0
        """Of the response: squares of what the model shows beyond its offsets, summed."""

    def run(self) -> Fit:
        at = [unknown.start for unknown in self._unknowns]
        shown = self._shown(at)
        rounds, settled = 0, False
        while rounds < ROUNDS and not settled:
            rounds += 1
            residuals = self._residuals(shown)
            columns = self._columns(at, shown)
            noise2 = max(sum(r * r for r in residuals) / max(1, len(residuals) - len(columns)), 1e-18)
            variance = noise2 * inflation(residuals, self._longest)
            normal, right = self._normal(columns, residuals, at, variance)
            move = solve(normal, right)
            inverse = scaled_inverse(normal)
            loss = self._loss(residuals, at, variance)
            at, shown, moved = self._step(at, shown, move, loss, variance)
            settled = all(
                abs(change) <= CLOSE * max(inverse[place][place], 0.0) ** 0.5 for place, change in enumerate(moved)
            )
        return self._result(at, shown, rounds, settled=settled)

    def _result(self, at: list[float], shown: list[float], rounds: int, *, settled: bool) -> Fit:
        residuals = self._residuals(shown)
        columns = self._columns(at, shown)
        noise2 = max(sum(r * r for r in residuals) / max(1, len(residuals) - len(columns)), 1e-18)
        spread = inflation(residuals, self._longest)
        normal, _ = self._normal(columns, residuals, at, noise2 * spread)
        inverse = scaled_inverse(normal)
        answer = (max(0.0, self._power) / noise2 / spread) ** 0.5
        return Fit(
            self._unknowns, tuple(at), tuple(self._gains), tuple(self._offsets),
            _larger(inverse, self._as_they_are(columns, residuals, inverse, noise2 * spread)),
            noise2**0.5, len(residuals), len(residuals) / spread, answer, rounds, settled,
        )  # fmt: skip

    def _shown(self, at: Sequence[float]) -> list[float]:
        """Evaluate the shape where there are readings."""
        whole = self._shape(at)
        return [whole[place] for place in self._there]

    def _residuals(self, shown: Sequence[float]) -> list[float]:
        """Find gains and offsets for this shape, and what is left."""
        groups = range(self._groups)
        rows = list(zip(self._members, shown, self._readings, strict=True))
        sums = [[0.0, 0.0, 0.0] for _ in groups]
        for group, s, y in rows:
            one = sums[group]
            one[0] += 1.0
            one[1] += s
            one[2] += y
        means = [(s / count, y / count) if count else (0.0, 0.0) for count, s, y in sums]
        powers, together = [0.0] * self._groups, [0.0] * self._groups
        for group, s, y in rows:
            apart = s - means[group][0]
            powers[group] += apart * apart
            together[group] += apart * (y - means[group][1])
        if not all(power > 1e-18 and isfinite(power) for power in powers):
            raise SingularError("what was fed never changed")
        self._gains = [both / power for both, power in zip(together, powers, strict=True)]
        self._offsets = [y - gain * s for gain, (s, y) in zip(self._gains, means, strict=True)]
        sizes = zip(self._gains, powers, strict=True)
        self._power = sum((gain * gain if gain > 0.0 else -gain * gain) * power for gain, power in sizes)
        return [y - self._offsets[group] - self._gains[group] * s for group, s, y in rows]

    def _columns(self, at: list[float], shown: list[float]) -> Matrix:
        """Return the slopes of the model to each unknown, then to gain and offset."""
        columns: Matrix = []
        for place, unknown in enumerate(self._unknowns):
            up = at[place] + unknown.step <= unknown.high
            step = unknown.step if up else -unknown.step
            moved = [*at[:place], at[place] + step, *at[place + 1 :]]
            columns.append(
                [
                    self._gains[group] * (after - before) / step
                    for group, before, after in zip(self._members, shown, self._shown(moved), strict=True)
                ]
            )
        for number in range(self._groups):
            columns.append([s if group == number else 0.0 for group, s in zip(self._members, shown, strict=True)])
        for number in range(self._groups):
            columns.append([1.0 if group == number else 0.0 for group in self._members])
        return columns

    def _normal(
        self, columns: Matrix, residuals: list[float], at: list[float], variance: float
    ) -> tuple[Matrix, list[float]]:
        normal = [
            [sum(a * b for a, b in zip(one, other, strict=True)) / variance for other in columns] for one in columns
        ]
        right = [sum(a * r for a, r in zip(column, residuals, strict=True)) / variance for column in columns]
        for place, unknown in enumerate(self._unknowns):
            if unknown.doubt != inf:
                normal[place][place] += unknown.doubt**-2
                right[place] += (unknown.known - at[place]) * unknown.doubt**-2
        return normal, right

    def _loss(self, residuals: list[float], at: Sequence[float], variance: float) -> float:
        before = sum(
            ((value - unknown.known) / unknown.doubt) ** 2
            for value, unknown in zip(at, self._unknowns, strict=True)
            if unknown.doubt != inf
        )
        return sum(r * r for r in residuals) / variance + before

    def _step(
        self, at: list[float], shown: list[float], move: list[float], loss: float, variance: float
    ) -> tuple[list[float], list[float], list[float]]:
        """Go along the move, less far where that is no better."""
        share = 1.0
        for _ in range(8):
            there = [
                min(unknown.high, max(unknown.low, value + share * change))
                for unknown, value, change in zip(self._unknowns, at, move, strict=False)
            ]
            tried = self._shown(there)
            if self._loss(self._residuals(tried), there, variance) <= loss:
                return there, tried, [b - a for a, b in zip(at, there, strict=True)]
            share /= 2.0
        self._residuals(shown)
        return at, shown, [0.0] * len(at)

    def _as_they_are(self, columns: Matrix, residuals: list[float], inverse: Matrix, variance: float) -> Matrix:
        """Return the covariance by the weighted sums of the residuals, with their autocorrelation."""
        # With weights that fall evenly to the longest lag, the sum over all lags is that over windows of that length
        # of products of what each window adds up to (derived: a pair l apart lies in L - l windows of L).
        windows = [
            _windows([slope * r / variance for slope, r in zip(column, residuals, strict=True)], self._longest)
            for column in columns
        ]
        middle = [
            [sum(a * b for a, b in zip(one, other, strict=True)) / self._longest for other in windows]
            for one in windows
        ]
        for place, unknown in enumerate(self._unknowns):
            if unknown.doubt != inf:
                middle[place][place] += unknown.doubt**-2
        return product(product(inverse, middle), inverse)


def _larger(one: Matrix, other: Matrix) -> Matrix:
    """Widen the first matrix so that no variance on its diagonal is below the other's."""
    size = len(one)
    widen = [max(1.0, (max(0.0, other[i][i]) / one[i][i]) ** 0.5 if one[i][i] > 0.0 else 1.0) for i in range(size)]
    return [[one[i][j] * widen[i] * widen[j] for j in range(size)] for i in range(size)]


def _windows(values: Sequence[float], length: int) -> list[float]:
    """Return the sums of all windows of a length, those that reach over the ends too."""
    sums = list(accumulate([*values, *[0.0] * (length - 1)]))
    return [total - (sums[place - length] if place >= length else 0.0) for place, total in enumerate(sums)]


def inflation(residuals: Sequence[float], longest_lag: int) -> float:
    """Return by how much autocorrelation raises the variance of a mean: 1 for white noise, (1+f)/(1-f) for AR(1).

    The sum runs until the autocorrelation is first below zero, or to the longest lag.
    """
    count = len(residuals)
    mean = sum(residuals) / count
    centred = [r - mean for r in residuals]
    power = sum(r * r for r in centred)
    if power <= 0.0:
        return 1.0
    total = 1.0
    for lag in range(1, min(longest_lag, count - 1)):
        share = sum(a * b for a, b in zip(centred, centred[lag:], strict=False)) / power
        if share <= 0.0:
            break
        total += 2.0 * share
    return total
