"""Standard uncertainty of a mass that was fed over many scans: what the errors of the scans have in common.

Each scan's flow has an error that fades as new weights correct the factor. Adding the scans' uncertainties up as if
they were one error overstates the sum; adding their squares as if each were its own understates it far more. The errors
are taken to be correlated by exp(-t/tau) while the weight is believed, and wholly while it is not, for then nothing
corrects them. With cov(e_i, e_j) = u_i u_j r_ij (JCGM 100:2008, 5.2.2): var = sum_i u_i^2 + 2 sum_{i<j} u_i u_j r_ij,
which a running sum of what is still common gives scan by scan [derived].
"""

from math import exp, sqrt

from crumbmeter.model.frozen import dataclass

FADES_S = 6.5
"""[s] Time constant in which an error of the flow fades. Measured on recordings of the simulated plants (their
autocorrelation falls to 1/e within 5 to 8 s; docs/weighing.md)."""


@dataclass(frozen=True, slots=True)
class FedSum:
    """Uncertainty of a sum of fed masses."""

    common_kg: float = 0.0
    """[kg] Of earlier parts, what their errors still have in common with the next."""
    variance_kg2: float = 0.0

    @property
    def uncertainty_kg(self) -> float:
        """[kg] Return the standard uncertainty (k=1) of the sum."""
        return sqrt(self.variance_kg2)


def added(total: FedSum, uncertainty_kg: float, lasted_s: float, *, believed: bool) -> FedSum:
    """Add one part.

    Args:
        total: Before.
        uncertainty_kg: [kg] Standard uncertainty of the part, whose own scans have one error.
        lasted_s: [s] Its length.
        believed: Whether the weight took part in it.
    """
    common_kg = total.common_kg * (exp(-lasted_s / FADES_S) if believed else 1.0)
    variance = total.variance_kg2 + uncertainty_kg * (uncertainty_kg + 2.0 * common_kg)
    return FedSum(common_kg + uncertainty_kg, variance)


def share_of_sum(lasted_s: float) -> float:
    """[1] Return the standard uncertainty of a sum over that of one error, for a steady feed of `lasted_s` [s].

    The same in closed form: sqrt(2 k (1 - k (1 - exp(-1/k)))), k = tau/T.
    """
    ratio = FADES_S / lasted_s
    return sqrt(2.0 * ratio * (1.0 - ratio * (1.0 - exp(-1.0 / ratio))))
