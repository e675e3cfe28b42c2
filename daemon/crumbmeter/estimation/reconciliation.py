"""Steady-state data reconciliation by weighted least squares, with tests for a gross error.

Balances A x = 0 hold for the true values x; what was measured is y = x + e with covariance V (full: streams that
share a scale err together). With r = A y and H = A V A':

    x = y - V A' H^-1 r            reconciled values
    cov(x) = V - V A' H^-1 A V     their covariance, never larger than V
    gamma = r' H^-1 r              global test: chi-square with rank A degrees of freedom
    z_j = |a_j| / sqrt(W_jj)       measurement test, a = V A' H^-1 r, W = V A' H^-1 A V
    T_j = (f_j' H^-1 r)^2 / (f_j' H^-1 f_j), b_j = f_j' H^-1 r / (f_j' H^-1 f_j), f_j = A e_j      likelihood ratio,
    bias

Formulas: S. Narasimhan, C. Jordache, Data Reconciliation and Gross Error Detection, Gulf 2000 (by computation.md,
section 5). Unmeasured streams are projected out. One gross error smears into every adjustment: so a failing test
withholds all.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import sqrt

from crumbmeter.estimation.algebra import (
    Matrix,
    SingularError,
    Vector,
    applied,
    dot,
    identity,
    independent_rows,
    left_null_space,
    solved,
    times,
    transposed,
)
from crumbmeter.estimation.balances import (
    Estimate,
    GlobalTest,
    MeasurementTest,
    NodalTest,
    NotRedundant,
    Outcome,
    Problem,
    Reconciled,
    Suspect,
    Tests,
    Withheld,
)
from crumbmeter.estimation.quantiles import chi_square_above, chi_square_quantile, normal_quantile

ALPHA = 0.05
"""Share of sound periods in which each test calls a gross error that is none."""
AS_LIKELY = chi_square_quantile(0.95, 1)
"""Suspects whose statistic is nearer than this to the best one's are named with it (odds below 7 to 1): the data does
not tell them apart."""
NO_SHARE = 1e-9
"""A variance smaller than this share of the stream's own is rounding: nothing was learned of it."""


@dataclass(frozen=True, slots=True)
class _Reduced:
    """Balances among measured streams alone, independent of each other."""

    rows: Matrix
    names: tuple[str, ...]
    measured: tuple[int, ...]
    """Indices of the measured streams."""
    values: Vector
    covariance: Matrix
    residual: Vector
    of_residual: Matrix
    """H."""


def reconcile(problem: Problem, alpha: float = ALPHA) -> Outcome:
    """Test a closed period for gross errors, and reconcile it if there is none.

    Args:
        problem: Streams, balances and covariance.
        alpha: Level of each test.

    Raises:
        SingularError: all streams of a balance are known exactly; there is nothing to weigh against each other.
    """
    reduced = _reduced(problem, ())
    if reduced is None:
        return NotRedundant(tuple(stream.name for stream in problem.streams if stream.measured is not None))
    tests = _tests(problem, reduced, alpha)
    unchecked = tuple(
        problem.streams[stream].name
        for place, stream in enumerate(reduced.measured)
        if all(row[place] == 0.0 for row in reduced.rows)
    )
    if tests.fail:
        suspects, left = _suspects(problem, reduced, tests, alpha)
        return Withheld(tests, unchecked, suspects, left)
    return _adjusted(problem, reduced, tests, unchecked)


def _reduced(problem: Problem, without: Sequence[int]) -> _Reduced | None:
    """Project unmeasured streams out (and those of `without`); None where no balance is left."""
    count = range(len(problem.streams))
    measured = tuple(place for place in count if problem.streams[place].measured is not None and place not in without)
    hidden = [place for place in count if place not in measured]
    matrix = tuple(balance.coefficients for balance in problem.balances)
    used = [place for place in hidden if any(row[place] != 0.0 for row in matrix)]
    names = tuple(balance.name for balance in problem.balances)
    if used:
        left = left_null_space(tuple(tuple(row[place] for place in used) for row in matrix))
        matrix = times(left, matrix) if left else ()
        names = tuple(" with ".join(name for name, share in zip(names, row, strict=True) if share) for row in left)
    rows = tuple(tuple(_clean(row[place], row) for place in measured) for row in matrix)
    covariance = tuple(tuple(problem.covariance[row][column] for column in measured) for row in measured)
    kept = [place for place in independent_rows(rows) if any(rows[place])]
    if not kept:
        return None
    rows, names = tuple(rows[place] for place in kept), tuple(names[place] for place in kept)
    values = tuple(problem.streams[place].measured or 0.0 for place in measured)
    of_residual = times(times(rows, covariance), transposed(rows))
    return _Reduced(rows, names, measured, values, covariance, applied(rows, values), of_residual)


def _clean(value: float, row: Sequence[float]) -> float:
    """Take what rounding left of a zero for zero."""
    return 0.0 if abs(value) <= 1e-12 * max(abs(one) for one in row) else value


def _tests(problem: Problem, reduced: _Reduced, alpha: float) -> Tests:
    weighted = _column(solved(reduced.of_residual, _as_column(reduced.residual)))
    overall = _global(dot(reduced.residual, weighted), len(reduced.rows), alpha)
    critical = normal_quantile(1.0 - 0.5 * _sidak(alpha, len(reduced.rows)))
    nodal = tuple(
        NodalTest(name, residual, sqrt(row[place]), abs(residual) / sqrt(row[place]), critical)
        for place, (name, residual, row) in enumerate(
            zip(reduced.names, reduced.residual, reduced.of_residual, strict=True)
        )
    )
    adjusting = times(reduced.covariance, transposed(reduced.rows))  # V A'
    adjustments = applied(adjusting, weighted)
    spread = times(adjusting, solved(reduced.of_residual, transposed(adjusting)))  # W
    testable = [
        place
        for place in range(len(reduced.measured))
        if spread[place][place] > NO_SHARE * reduced.covariance[place][place]
    ]
    critical = normal_quantile(1.0 - 0.5 * _sidak(alpha, max(1, len(testable))))
    measurements = tuple(
        MeasurementTest(
            problem.streams[reduced.measured[place]].name,
            abs(adjustments[place]) / sqrt(spread[place][place]),
            critical,
            _likelihood(reduced, (place,)),
        )
        for place in testable
    )
    return Tests(overall, nodal, measurements)


def _global(statistic: float, degrees: int, alpha: float) -> GlobalTest:
    return GlobalTest(
        statistic, degrees, chi_square_quantile(1.0 - alpha, degrees), chi_square_above(statistic, degrees)
    )


def _sidak(alpha: float, count: int) -> float:
    """Return the level of each of `count` tests that together call a false alarm in `alpha` of all cases."""
    return float(1.0 - (1.0 - alpha) ** (1.0 / count))


def _as_column(vector: Vector) -> Matrix:
    return tuple((value,) for value in vector)


def _column(matrix: Matrix) -> Vector:
    return tuple(row[0] for row in matrix)


def _biases(reduced: _Reduced, places: Sequence[int]) -> tuple[Vector, Matrix]:
    """Estimate the biases of several streams at once by generalised least squares, with their covariance."""
    signatures = tuple(tuple(row[place] for place in places) for row in reduced.rows)  # F
    weighted = solved(reduced.of_residual, signatures)
    normal = times(transposed(signatures), weighted)
    right = applied(transposed(weighted), reduced.residual)
    covariance = solved(normal, identity(len(places)))
    return applied(covariance, right), covariance


def _suspect(
    reduced: _Reduced, places: Sequence[int], at: int, group: Mapping[str, int], uncertainty: float
) -> Suspect:
    """Estimate the bias of each of a group, in the place of its first one and beside the other suspects.

    One that is another suspect itself, or does the same to every balance, cannot be in this place too: it is left out.
    """
    biases: dict[str, float] = {}
    for name, place in group.items():
        try:
            biases[name] = _biases(reduced, (*places[:at], place, *places[at + 1 :]))[0][at]
        except SingularError:
            continue
    return Suspect(tuple(biases), tuple(biases.values()), uncertainty)


def _likelihood(reduced: _Reduced, places: Sequence[int]) -> float:
    """Return how much of gamma a bias of these streams explains (T for one of them)."""
    if any(all(row[place] == 0.0 for row in reduced.rows) for place in places):
        return 0.0
    biases, _ = _biases(reduced, places)
    signatures = tuple(tuple(row[place] for place in places) for row in reduced.rows)
    weighted = _column(solved(reduced.of_residual, _as_column(reduced.residual)))
    return dot(biases, applied(transposed(signatures), weighted))


def _suspects(
    problem: Problem, reduced: _Reduced, tests: Tests, alpha: float
) -> tuple[tuple[Suspect, ...], GlobalTest | None]:
    """Name suspects one after the other: the likeliest is taken out, and what is left is tested again."""
    place_of = {problem.streams[stream].name: place for place, stream in enumerate(reduced.measured)}
    groups: list[tuple[str, ...]] = []
    left: GlobalTest | None = tests.overall
    now: Tests | None = tests
    while now is not None and now.fail:
        candidates = sorted(now.measurements, key=lambda one: -one.likelihood)
        if not candidates:
            break
        best = candidates[0].likelihood
        groups.append(tuple(one.name for one in candidates if one.likelihood >= best - AS_LIKELY))
        taken = [reduced.measured[place_of[names[0]]] for names in groups]
        rest = _reduced(problem, taken)
        now = _tests(problem, rest, alpha) if rest is not None else None
        left = now.overall if now is not None else None
    places = [place_of[names[0]] for names in groups]
    _, covariance = _biases(reduced, places)
    named = tuple(
        _suspect(reduced, places, at, {name: place_of[name] for name in names}, sqrt(covariance[at][at]))
        for at, names in enumerate(groups)
    )
    return named, left


def _adjusted(problem: Problem, reduced: _Reduced, tests: Tests, unchecked: tuple[str, ...]) -> Reconciled:
    adjusting = times(reduced.covariance, transposed(reduced.rows))
    gain = transposed(solved(reduced.of_residual, transposed(adjusting)))  # V A' H^-1
    values = tuple(
        value - change for value, change in zip(reduced.values, applied(gain, reduced.residual), strict=True)
    )
    removed = times(gain, transposed(adjusting))
    covariance = tuple(
        tuple(before - less for before, less in zip(row, taken, strict=True))
        for row, taken in zip(reduced.covariance, removed, strict=True)
    )
    found = {
        stream: (values[place], sqrt(max(0.0, covariance[place][place])))
        for place, stream in enumerate(reduced.measured)
    }
    hidden, unknown = _unmeasured(problem, reduced, values, covariance)
    found |= hidden
    estimates = tuple(
        Estimate(
            stream.name,
            stream.measured,
            None if stream.measured is None else sqrt(problem.covariance[place][place]),
            *found[place],
        )
        for place, stream in enumerate(problem.streams)
        if place in found
    )
    return Reconciled(tests, unchecked, unknown, estimates, covariance)


def _unmeasured(
    problem: Problem, reduced: _Reduced, values: Vector, covariance: Matrix
) -> tuple[dict[int, tuple[float, float]], tuple[str, ...]]:
    """Compute unmeasured streams from reconciled ones, where the balances determine them."""
    hidden = [place for place, stream in enumerate(problem.streams) if stream.measured is None]
    found: dict[int, tuple[float, float]] = {}
    unknown: list[str] = []
    matrix = tuple(balance.coefficients for balance in problem.balances)
    for wanted in hidden:
        others = tuple(tuple(row[place] for place in hidden if place != wanted) for row in matrix)
        left = left_null_space(others) if others and others[0] else identity(len(matrix))
        way = next((row for row in times(left, matrix) if abs(row[wanted]) > 1e-9), None) if left else None
        if way is None:
            unknown.append(problem.streams[wanted].name)
            continue
        shares = tuple(-way[place] / way[wanted] for place in reduced.measured)
        variance = dot(shares, applied(covariance, shares))
        found[wanted] = (dot(shares, values), sqrt(max(0.0, variance)))
    return found, tuple(unknown)
