"""The law of propagation of uncertainty, to first order, with degrees of freedom and coverage factor.

JCGM 100:2008 (GUM): 4.2 (mean of readings), 4.3.7 (limits alone known), 5.1.2 and 5.2.2 (combination), G.3 and G.4
(degrees of freedom), 7.2.6 (digits). Guarded acceptance: JCGM 106:2012, clause 8. Its published examples are in
tests/spec/test_gum_published.py.
"""

from collections.abc import Mapping, Sequence
from math import floor, inf, isfinite, log10, sqrt

from crumbmeter.estimation.quantiles import normal_above, t_quantile
from crumbmeter.model.frozen import dataclass

ABOUT_95 = 1.0 - 2.0 * normal_above(2.0)
"""Probability that k = 2 covers of a normal quantity: 95.45 %, the column of GUM Table G.2."""
ASSUMED_DEGREES = 8.0
"""An uncertainty that is itself good to about 25 % counts as one of 8 degrees of freedom (GUM G.4.2, equation G.3)."""


@dataclass(frozen=True, slots=True)
class Component:
    """One cause of uncertainty."""

    name: str
    contribution: float
    """Sensitivity times standard uncertainty, with its sign, in the unit of the result."""
    degrees: float = inf
    """Degrees of freedom."""
    stated: bool = True
    """Whether its uncertainty was stated for this site, or assumed."""


@dataclass(frozen=True, slots=True)
class Budget:
    """A value with its uncertainty and where that comes from."""

    value: float
    standard: float
    """Combined standard uncertainty."""
    degrees: float
    """Effective degrees of freedom."""
    coverage: float
    """Coverage factor k."""
    components: tuple[Component, ...]
    """The largest first."""

    @property
    def expanded(self) -> float:
        """Return the expanded uncertainty U = k u."""
        return self.coverage * self.standard

    @property
    def assumed(self) -> tuple[str, ...]:
        """Name the components whose uncertainty the site does not state."""
        return tuple(one.name for one in self.components if not one.stated and one.contribution != 0.0)


def budget_of(
    value: float,
    components: Sequence[Component],
    correlations: Mapping[tuple[str, str], float] | None = None,
    probability: float = ABOUT_95,
) -> Budget:
    """Combine components into a budget.

    Args:
        value: The result.
        components: Its causes of uncertainty.
        correlations: Coefficient for each pair of names that are not independent (GUM 5.2.2).
        probability: Share of cases that the expanded uncertainty is to cover.
    """
    standard = combined(components, correlations)
    degrees = effective_degrees(components, standard)
    ordered = tuple(sorted(components, key=lambda one: -abs(one.contribution)))
    return Budget(value, standard, degrees, coverage_factor(degrees, probability), ordered)


def combined(components: Sequence[Component], correlations: Mapping[tuple[str, str], float] | None = None) -> float:
    """Return the combined standard uncertainty (GUM equations 10 and 16)."""
    variance = sum([one.contribution * one.contribution for one in components])
    if correlations:
        by_name = {one.name: one.contribution for one in components}
        variance += 2.0 * sum(by_name[one] * by_name[two] * r for (one, two), r in correlations.items())
    return sqrt(max(0.0, variance))


def effective_degrees(components: Sequence[Component], standard: float) -> float:
    """Return the effective degrees of freedom by the Welch-Satterthwaite formula (GUM equation G.2b)."""
    below = sum([one.contribution**4 / one.degrees for one in components])
    return standard**4 / below if below > 0.0 else inf


def coverage_factor(degrees: float, probability: float = ABOUT_95) -> float:
    """Return t of the effective degrees of freedom, truncated to a whole number (GUM G.4.1, note)."""
    whole = max(1.0, float(floor(degrees))) if isfinite(degrees) else inf
    return t_quantile(0.5 * (1.0 + probability), whole if whole < 1000.0 else inf)


def of_limits(half_width: float) -> float:
    """Return the standard uncertainty of what lies anywhere within so much of its value (GUM 4.3.7)."""
    return half_width / sqrt(3.0)


def of_readings(readings: Sequence[float]) -> tuple[float, float, float]:
    """Return mean, standard deviation and standard uncertainty of the mean of repeated readings (GUM 4.2)."""
    count = len(readings)
    mean = sum(readings) / count
    deviation = sqrt(sum((one - mean) ** 2 for one in readings) / (count - 1))
    return mean, deviation, deviation / sqrt(count)


def correlation(first: Sequence[float], second: Sequence[float]) -> float:
    """Return the correlation coefficient of two means of readings taken together (GUM 5.2.3 and C.3.6)."""
    mean_1, deviation_1, _ = of_readings(first)
    mean_2, deviation_2, _ = of_readings(second)
    shared = sum((one - mean_1) * (two - mean_2) for one, two in zip(first, second, strict=True))
    return shared / ((len(first) - 1) * deviation_1 * deviation_2)


def digits_for(uncertainty: float) -> int:
    """Return the decimal places that show an uncertainty with two significant digits (GUM 7.2.6); at least 0."""
    if not isfinite(uncertainty) or uncertainty <= 0.0:
        return 2
    places = 1 - floor(log10(uncertainty))
    if round(uncertainty, places) >= 10.0 ** (2 - places):  # 0.0996 becomes 0.10, not 0.100
        places -= 1
    return max(0, places)


@dataclass(frozen=True, slots=True)
class Provable:
    """Whether an instrument this uncertain can prove a tolerance."""

    tolerance: float
    expanded: float
    """U, in the unit of the tolerance."""

    @property
    def acceptance(self) -> float:
        """Return the error up to which a value may be called in tolerance: T - U (JCGM 106, guarded acceptance)."""
        return self.tolerance - self.expanded

    @property
    def possible(self) -> bool:
        """Tell whether any value at all may be."""
        return self.acceptance > 0.0

    @property
    def capability(self) -> float:
        """Return tolerance over expanded uncertainty: 4 leaves three quarters of the tolerance to the process."""
        return self.tolerance / self.expanded if self.expanded > 0.0 else inf
