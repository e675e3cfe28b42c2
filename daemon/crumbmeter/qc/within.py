"""Per cent within limits (PWL) by the quality index, exact, and as an agency's printed table gives it.

P(Q, n) = 100 (1 - I_x(a, a)), a = n/2 - 1, x = 1/2 - Q sqrt(n) / (2 (n - 1)) clipped to 0..1: the unbiased estimate of
a normal lot's share beyond a limit (computation.md, section 8; agrees with MIL-STD-414 table B-5 and FHWA T 5080.12
table 1B, tests/spec/test_within_published.py). I is the regularised incomplete beta function, reckoned here.

PWL takes n values drawn at random from a lot. The windows of a feeder follow one another: their PWL is an indicator and
never pay, and the value carries that.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import ceil, exp, fsum, isfinite, lgamma, log, log1p, sqrt

LEAST_VALUES = 3
"""Fewer have no per cent within limits: the estimate has n - 2 degrees of freedom in its shape."""
_TERMS = 1000
_CLOSE = 1e-16


class Basis(StrEnum):
    """Where the values come from, and so what their PWL may be used for."""

    RANDOM_SAMPLES = "random samples"
    FEEDER = "feeder, autocorrelated: indicator only"


@dataclass(frozen=True, slots=True)
class Table:
    """An agency's printed table, generated from the exact formula by rounding, as the source's own values show.

    A quality index between two rows takes the next one upward, so its per cent is never less than the exact one.
    """

    name: str
    s_decimals: int | None
    """Decimals to which the standard deviation is rounded (half to even) before it divides; None: not rounded."""
    q_decimals: int = 4
    """Decimals of the quality index in the rows."""
    most_values: int = 10
    """Greatest n with a column of its own."""


FAA_S_TENTHS = Table("FAA AC 150/5370-10, Section 110 table, standard deviation to 0.1", s_decimals=1)
"""As in the worked example of mat density (P-401): s 1.8257 enters as 1.8."""
FAA_S_WHOLE = Table("FAA AC 150/5370-10, Section 110 table, standard deviation not rounded", s_decimals=None)
"""As in the worked example of air voids in Section 110 (FROM MEMORY; its values reproduce)."""
TABLES = {table.name: table for table in (FAA_S_TENTHS, FAA_S_WHOLE)}


class WithinLimitsError(ValueError):
    """There is no per cent within limits of these values. The message says what is wrong and what to do."""


@dataclass(frozen=True, slots=True)
class Within:
    """Per cent within limits of one lot, with all that it was made of. Limits and values share one unit."""

    n: int
    mean: float
    s: float
    """Standard deviation with n - 1, as it entered the quality index."""
    lower: float | None
    upper: float | None
    q_lower: float | None
    """(mean - lower) / s; None without that limit or without scatter."""
    q_upper: float | None
    p_lower_percent: float | None
    """[%] Above the lower limit; None without it."""
    p_upper_percent: float | None
    """[%] Below the upper limit; None without it."""
    pwl_percent: float
    basis: Basis
    mode: str
    """`exact`, or the table's name."""


def within_limits(
    values: Sequence[float],
    lower: float | None,
    upper: float | None,
    *,
    basis: Basis,
    table: Table | None = None,
) -> Within:
    """Estimate the per cent of a lot that lies within its limits.

    Without any scatter (all values alike) a side counts 100 % where the value meets its limit, else 0 %.

    Args:
        values: Of one lot, unrounded, three or more.
        lower: In the unit of the values; None: no lower limit.
        upper: The same.
        basis: Where the values come from.
        table: None: exact. Else as that table gives it.

    Raises:
        WithinLimitsError: too few values, one that is no number, no limit, limits crossed, or the table has no
            column or no index for them.
    """
    _check(values, lower, upper, table)
    n = len(values)
    mean, s = mean_and_s(values)
    if table is not None:
        s = _as_entered(s, table)
    q_lower, p_lower = _side(None if lower is None else mean - lower, s, n, table)
    q_upper, p_upper = _side(None if upper is None else upper - mean, s, n, table)
    pwl = (100.0 if p_lower is None else p_lower) + (100.0 if p_upper is None else p_upper) - 100.0
    mode = "exact" if table is None else table.name
    return Within(n, mean, s, lower, upper, q_lower, q_upper, p_lower, p_upper, max(0.0, pwl), basis, mode)


def _check(values: Sequence[float], lower: float | None, upper: float | None, table: Table | None) -> None:
    n = len(values)
    if n < LEAST_VALUES:
        raise WithinLimitsError(
            f"{n} values were given; per cent within limits needs {LEAST_VALUES} or more: take more samples of the lot,"
            " or judge it by its mean"
        )
    for place, value in enumerate(values, 1):
        if not isfinite(value):
            raise WithinLimitsError(f"value {place} of {n} is {value}, not a finite number: correct or leave out")
    if lower is None and upper is None:
        raise WithinLimitsError("neither a lower nor an upper limit was given: per cent within limits needs one")
    for name, limit in (("lower", lower), ("upper", upper)):
        if limit is not None and not isfinite(limit):
            raise WithinLimitsError(f"the {name} limit is {limit}, not a finite number; leave it out if there is none")
    if lower is not None and upper is not None and lower >= upper:
        raise WithinLimitsError(
            f"the lower limit {lower} is not below the upper limit {upper}: check the specification"
        )
    if table is not None and n > table.most_values:
        raise WithinLimitsError(
            f"{table.name} has columns for {LEAST_VALUES} to {table.most_values} values and {n} were given:"
            " use the exact form"
        )


def _as_entered(s: float, table: Table) -> float:
    if table.s_decimals is None:
        return s
    rounded = round(s, table.s_decimals)
    if rounded == 0.0 < s:
        raise WithinLimitsError(
            f"{table.name}: the standard deviation {s:.3g} rounds to 0 and gives no quality index: use the exact form"
        )
    return rounded


def _side(room: float | None, s: float, n: int, table: Table | None) -> tuple[float | None, float | None]:
    """Return the quality index of one side and its per cent; `room` is how far the mean is inside the limit."""
    if room is None:
        return None, None
    if s == 0.0:
        return None, 100.0 if room >= 0.0 else 0.0
    q = room / s
    return q, percent_within(q, n) if table is None else table_percent(q, n, table)


def mean_and_s(values: Sequence[float]) -> tuple[float, float]:
    """Return mean and standard deviation with n - 1 (two passes); 0 for values that are all alike, or for one."""
    low, high = min(values), max(values)
    if low == high:
        return low, 0.0
    n = len(values)
    mean = fsum(values) / n
    return mean, sqrt(fsum([(value - mean) ** 2 for value in values]) / (n - 1))


def percent_within(q: float, n: int) -> float:
    """[%] Return the share inside one limit, exact.

    Args:
        q: Quality index of that side.
        n: Values, three or more.

    Raises:
        WithinLimitsError: n is below three.
    """
    if n < LEAST_VALUES:
        raise WithinLimitsError(f"n is {n}; per cent within limits needs {LEAST_VALUES} values or more")
    a = n / 2.0 - 1.0
    x = 0.5 - abs(q) * sqrt(n) / (2.0 * (n - 1))
    beyond = 100.0 * symmetric_beta(max(0.0, x), a)
    return 100.0 - beyond if q >= 0.0 else beyond


def index_for(percent: float, n: int) -> float:
    """Return the quality index that one side needs for a per cent within its limit.

    Args:
        percent: [%] 0..100. The ends give the least index of them: (n - 1) / sqrt(n), with its sign.
        n: Values, three or more.

    Raises:
        WithinLimitsError: the per cent is outside 0..100, or n below three.
    """
    if not 0.0 <= percent <= 100.0:
        raise WithinLimitsError(f"{percent} % is outside 0 to 100 %")
    if percent < 50.0:
        return -index_for(100.0 - percent, n)
    low, high = 0.0, greatest_index(n)
    if percent >= 100.0:
        return high
    while True:
        middle = 0.5 * (low + high)
        if middle in (low, high):
            return middle
        low, high = (middle, high) if percent_within(middle, n) < percent else (low, middle)


def greatest_index(n: int) -> float:
    """Return the quality index from which on all is within: (n - 1) / sqrt(n)."""
    return (n - 1) / sqrt(n)


def table_percent(q: float, n: int, table: Table) -> float:
    """[%] Return the per cent of the next row upward: the first whole one whose printed index is not below q."""
    q = round(q, table.q_decimals)
    whole = ceil(percent_within(q, n))
    # The printed index is rounded: the row below may reach q as well.
    if whole > 0 and round(index_for(whole - 1, n), table.q_decimals) >= q:
        whole -= 1
    elif whole < 100 and round(index_for(whole, n), table.q_decimals) < q:
        whole += 1
    return float(whole)


def symmetric_beta(x: float, a: float) -> float:
    """Return I_x(a, a), the regularised incomplete beta function with both shapes alike.

    Continued fraction (Abramowitz and Stegun 26.5.8), reckoned by Lentz's method; it converges fast below 1/2.

    Args:
        x: 0..1/2.
        a: Shape, above 0.
    """
    if x <= 0.0:
        return 0.0
    if x >= 0.5:
        return 0.5
    front = exp(a * (log(x) + log1p(-x)) + lgamma(2.0 * a) - 2.0 * lgamma(a)) / a
    c, d = 1.0, 1.0 / _apart(1.0 - 2.0 * a * x / (a + 1.0))
    total = d
    for m in range(1, _TERMS):
        before = total
        for term in (
            m * (a - m) * x / ((a + 2 * m - 1.0) * (a + 2 * m)),
            -(a + m) * (2.0 * a + m) * x / ((a + 2 * m) * (a + 2 * m + 1.0)),
        ):
            d = 1.0 / _apart(1.0 + term * d)
            c = _apart(1.0 + term / c)
            total *= c * d
        if abs(total - before) <= _CLOSE * abs(total):
            break
    return front * total


def _apart(value: float) -> float:
    """Keep a denominator from being zero."""
    return value if abs(value) > 1e-300 else 1e-300
