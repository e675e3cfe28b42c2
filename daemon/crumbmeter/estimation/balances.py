"""Values of a reconciliation: what is known of a closed period, its tests, and what may be said after them.

While a test fails there are no reconciled values: `Withheld` has no place for them.
"""

from dataclasses import dataclass

from crumbmeter.estimation.algebra import Matrix

COVERAGE = 2.0
"""Coverage factor of the interval around a bias (GUM 6.3.3)."""


@dataclass(frozen=True, slots=True)
class Stream:
    """One quantity of the period."""

    name: str
    measured: float | None
    """[unit of the balances] None: not measured."""


@dataclass(frozen=True, slots=True)
class Balance:
    """A sum that is zero for the true values."""

    name: str
    coefficients: tuple[float, ...]
    """One for each stream."""


@dataclass(frozen=True, slots=True)
class Problem:
    """What is known of a closed period."""

    streams: tuple[Stream, ...]
    balances: tuple[Balance, ...]
    covariance: Matrix
    """[unit^2] Of the streams; rows and columns of unmeasured ones are not looked at."""


@dataclass(frozen=True, slots=True)
class GlobalTest:
    """Do all balances together close within their uncertainty?"""

    statistic: float
    degrees: int
    critical: float
    probability: float
    """Of a statistic at least so large without any gross error."""

    @property
    def fails(self) -> bool:
        """Tell whether there is a gross error somewhere."""
        return self.statistic > self.critical


@dataclass(frozen=True, slots=True)
class NodalTest:
    """How one balance closes."""

    name: str
    residual: float
    uncertainty: float
    """Standard uncertainty of the residual."""
    statistic: float
    critical: float


@dataclass(frozen=True, slots=True)
class MeasurementTest:
    """How much one measured value would have to be adjusted."""

    name: str
    statistic: float
    critical: float
    """By Sidak: 1 - (1 - ALPHA)^(1/n) for n tests."""
    likelihood: float
    """T of the likelihood ratio; compared between streams to name the suspect."""

    @property
    def fails(self) -> bool:
        """Tell whether this value stands out."""
        return self.statistic > self.critical


@dataclass(frozen=True, slots=True)
class Tests:
    """All tests of one problem."""

    overall: GlobalTest
    nodal: tuple[NodalTest, ...]
    measurements: tuple[MeasurementTest, ...]

    @property
    def fail(self) -> bool:
        """Tell whether any of the deciding tests fails: the global one, or that of a measured value."""
        return self.overall.fails or any(one.fails for one in self.measurements)


@dataclass(frozen=True, slots=True)
class Suspect:
    """A value that probably carries a gross error, or several of which one does."""

    names: tuple[str, ...]
    """The likeliest first. More than one: their errors cannot be told apart."""
    biases: tuple[float, ...]
    """How much too high each reads, if it is the one."""
    uncertainty: float
    """Standard uncertainty of the first one's bias."""

    @property
    def bias(self) -> float:
        """Return how much too high the likeliest reads."""
        return self.biases[0]

    @property
    def interval(self) -> tuple[float, float]:
        """Return the interval around the bias of the likeliest (k = 2)."""
        return self.bias - COVERAGE * self.uncertainty, self.bias + COVERAGE * self.uncertainty


@dataclass(frozen=True, slots=True)
class Estimate:
    """One reconciled value."""

    name: str
    measured: float | None
    uncertainty: float | None
    """Standard uncertainty as measured."""
    reconciled: float
    reconciled_uncertainty: float


@dataclass(frozen=True, slots=True)
class Reconciled:
    """No gross error was found."""

    tests: Tests
    unchecked: tuple[str, ...]
    """Measured streams that no redundant balance contains: nothing here says whether they are right."""
    unknown: tuple[str, ...]
    """Unmeasured streams that the balances do not determine."""
    estimates: tuple[Estimate, ...]
    covariance: Matrix
    """Of the reconciled measured values, in the order of the streams."""


@dataclass(frozen=True, slots=True)
class Withheld:
    """A gross error was found: no value is reconciled."""

    tests: Tests
    unchecked: tuple[str, ...]
    suspects: tuple[Suspect, ...]
    left: GlobalTest | None
    """The global test without the suspects; None where nothing redundant was left of the balances."""


@dataclass(frozen=True, slots=True)
class NotRedundant:
    """No balance consists of measured streams alone: nothing can be tested."""

    unchecked: tuple[str, ...]


Outcome = Reconciled | Withheld | NotRedundant
