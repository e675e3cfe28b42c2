"""Normal, chi-square and t: probabilities and their quantiles, by series and continued fractions.

Published points of each stand in tests/spec/test_quantiles_published.py. Quantiles are found by halving an interval in
which the probability grows: slow and sure, for what is computed once a day. Those of t, asked for with a parcel, take a
shorter way.
"""

from collections.abc import Callable
from functools import cache
from math import erfc, exp, inf, lgamma, log, log1p, pi, sqrt

TINY = 1e-300
CLOSE = 1e-15
MOST_TERMS = 10_000
HALVINGS = 200
FEW_DEGREES = 4.0
"""Below this t is too wide for the expansion."""
NEWTON_STEPS = 12


def normal_above(deviate: float) -> float:
    """Return the probability that a standard normal deviate is larger."""
    return 0.5 * erfc(deviate / sqrt(2.0))


def chi_square_above(value: float, degrees: int) -> float:
    """Return the probability that chi-square of so many degrees of freedom is larger: Q(degrees/2, value/2)."""
    return _gamma_above(0.5 * degrees, 0.5 * value)


def t_above(value: float, degrees: float) -> float:
    """Return the probability that Student's t of so many degrees of freedom is larger."""
    if degrees == inf:
        return normal_above(value)
    tail = 0.5 * _beta_below(0.5 * degrees, 0.5, degrees / (degrees + value * value))
    return tail if value >= 0.0 else 1.0 - tail


@cache
def normal_quantile(probability: float) -> float:
    """Return the deviate that a standard normal one stays below with this probability."""
    _inside(probability)
    if probability < 0.5:
        return -normal_quantile(1.0 - probability)
    return _found(normal_above, 1.0 - probability)


@cache
def chi_square_quantile(probability: float, degrees: int) -> float:
    """Return what chi-square of so many degrees of freedom stays below with this probability."""
    _inside(probability)
    return _found(lambda value: chi_square_above(value, degrees), 1.0 - probability)


@cache
def t_quantile(probability: float, degrees: float) -> float:
    """Return what Student's t of so many degrees of freedom (`inf`: the normal one) stays below."""
    _inside(probability)
    if probability < 0.5:
        return -t_quantile(1.0 - probability, degrees)
    if degrees < FEW_DEGREES or degrees == inf:
        return _found(lambda value: t_above(value, degrees), 1.0 - probability)
    return _t_by_newton(probability, degrees)


def _t_by_newton(probability: float, degrees: float) -> float:
    """Find a quantile of t in a few steps from an expansion about the normal one: cheap enough for a scan."""
    z = normal_quantile(probability)
    value = z + (z**3 + z) / (4.0 * degrees) + (5.0 * z**5 + 16.0 * z**3 + 3.0 * z) / (96.0 * degrees * degrees)
    front = exp(lgamma(0.5 * degrees + 0.5) - lgamma(0.5 * degrees)) / sqrt(degrees * pi)
    for _ in range(NEWTON_STEPS):
        density = front * (1.0 + value * value / degrees) ** (-0.5 * (degrees + 1.0))
        step = (t_above(value, degrees) - (1.0 - probability)) / density
        value += step
        if abs(step) < 1e-9 * value:
            break
    return value


def _inside(probability: float) -> None:
    if not 0.0 < probability < 1.0:
        raise ValueError(f"a quantile needs a probability between 0 and 1, not {probability}")


def _found(above: Callable[[float], float], tail: float) -> float:
    """Find where a falling probability comes down to `tail`, from 0 upwards."""
    low, high = 0.0, 1.0
    while above(high) > tail:
        low, high = high, 2.0 * high
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        if middle in (low, high):
            break
        if above(middle) > tail:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def _gamma_above(shape: float, value: float) -> float:
    """Return the regularised upper incomplete gamma function Q(shape, value)."""
    if value <= 0.0:
        return 1.0
    front = exp(shape * log(value) - value - lgamma(shape))
    if value < shape + 1.0:  # series of the lower function
        term = total = 1.0 / shape
        for step in range(1, MOST_TERMS):
            term *= value / (shape + step)
            total += term
            if term < total * CLOSE:
                break
        return 1.0 - front * total
    part = _Fraction(value + 1.0 - shape)
    for step in range(1, MOST_TERMS):
        if part.step(-step * (step - shape), value + 1.0 - shape + 2.0 * step):
            break
    return front * part.inverse


def _beta_below(first: float, second: float, value: float) -> float:
    """Return the regularised incomplete beta function I_value(first, second)."""
    if value <= 0.0 or value >= 1.0:
        return 0.0 if value <= 0.0 else 1.0
    front = exp(
        lgamma(first + second) - lgamma(first) - lgamma(second) + first * log(value) + second * log1p(-value)
    )  # fmt: skip
    if value > (first + 1.0) / (first + second + 2.0):
        return 1.0 - _beta_below(second, first, 1.0 - value)
    part = _Fraction(1.0)
    for step in range(1, MOST_TERMS):
        half = step // 2
        if step % 2:
            share = -(first + half) * (first + second + half) / ((first + 2 * half) * (first + 2 * half + 1.0))
        else:
            share = half * (second - half) / ((first + 2 * half - 1.0) * (first + 2 * half))
        if part.step(share * value, 1.0):
            break
    return front * part.inverse / first


class _Fraction:
    """1 / (b0 + a1 / (b1 + a2 / (b2 + ...))), term by term (Lentz's way)."""

    def __init__(self, first: float) -> None:
        first = first or TINY
        self._above = 1.0 / TINY
        self._below = 1.0 / first
        self.inverse = self._below

    def step(self, numerator: float, denominator: float) -> bool:
        """Take one more term; tell whether it changed nothing any more."""
        self._below = 1.0 / ((denominator + numerator * self._below) or TINY)
        self._above = (denominator + numerator / self._above) or TINY
        change = self._below * self._above
        self.inverse *= change
        return abs(change - 1.0) < CLOSE
