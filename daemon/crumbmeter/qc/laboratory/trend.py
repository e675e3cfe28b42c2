"""Dose beside performance: correlation with its interval, and no word more than the pairs allow."""

from collections.abc import Sequence
from math import atanh, sqrt, tanh
from typing import Final

from crumbmeter.model.frozen import dataclass

ENOUGH_PAIRS: Final = 5
"""Below this nothing is concluded (ours: with four pairs the 95 % interval of r is nearly all there is)."""
NORMAL_975: Final = 1.959963984540054
"""Quantile of the normal distribution at 0.975."""


@dataclass(frozen=True, slots=True)
class Pair:
    """Dose of a sublot or sample beside a figure of its performance."""

    label: str
    dose_percent: float
    figure: float


@dataclass(frozen=True, slots=True)
class Trend:
    """Dose against performance: the pairs, and what they allow to be said."""

    pairs: tuple[Pair, ...]
    r: float | None
    """Pearson's coefficient of correlation; None below three pairs, or where one side does not vary."""
    r_low: float | None
    r_high: float | None
    """Ends of its 95 % interval by Fisher's z = atanh r, of standard deviation 1/sqrt(n - 3)."""
    words: str

    @property
    def count(self) -> int:
        """Return the number of pairs."""
        return len(self.pairs)


def trend(pairs: Sequence[Pair]) -> Trend:
    """Relate dose to performance. A correlation is no cause, and of fewer than five pairs nothing is said."""
    kept = tuple(pairs)
    r = _pearson([one.dose_percent for one in kept], [one.figure for one in kept]) if len(kept) >= 3 else None
    if len(kept) < ENOUGH_PAIRS:
        return Trend(kept, r, None, None, f"no conclusion: {len(kept)} pairs, {ENOUGH_PAIRS} are needed")
    if r is None:
        return Trend(kept, None, None, None, "no conclusion: one side does not vary")
    if abs(r) >= 1.0:
        return Trend(kept, r, r, r, f"all {len(kept)} pairs lie on one line")
    middle, reach = atanh(r), NORMAL_975 / sqrt(len(kept) - 3)
    low, high = tanh(middle - reach), tanh(middle + reach)
    if low <= 0.0 <= high:
        words = "no conclusion: the interval of the correlation holds 0"
    else:
        words = f"the figure {'rises' if r > 0.0 else 'falls'} with the dose; that is no proof of cause"
    return Trend(kept, r, low, high, words)


def _pearson(xs: Sequence[float], ys: Sequence[float]) -> float | None:
    mean_x, mean_y = sum(xs) / len(xs), sum(ys) / len(ys)
    square_x = sum([(x - mean_x) ** 2 for x in xs])
    square_y = sum([(y - mean_y) ** 2 for y in ys])
    if square_x == 0.0 or square_y == 0.0:
        return None
    both = sum([(x - mean_x) * (y - mean_y) for x, y in zip(xs, ys, strict=True)])
    return max(-1.0, min(1.0, both / sqrt(square_x) / sqrt(square_y)))
