"""What the stated uncertainty of a mass fed over many scans should be, to hold the sum's error against.

While the content is weighed, what was fed is known by the content at both ends, however long it took: u^2 =
var(m_begin) + var(m_end); over a few seconds the flow's own uncertainty times the time is less, and rules. While the
hopper fills, nothing corrects the flow, its error is one, and adds up. [derived; JCGM 100:2008, 5.1 and 5.2]
"""

from dataclasses import dataclass
from math import sqrt


@dataclass(frozen=True, slots=True)
class FedSum:
    """Uncertainty of a sum of fed masses: pieces that are over, and the present one."""

    over_kg2: float = 0.0
    filling: bool = False
    linear_kg: float = 0.0
    """[kg] Of the present piece, the sum of its scans' uncertainties."""
    began_kg2: float | None = None
    """[kg^2] Variance of the content when the piece began."""
    now_kg2: float = 0.0

    @property
    def uncertainty_kg(self) -> float:
        """[kg] Return the standard uncertainty (k=1)."""
        return sqrt(self.over_kg2 + self._piece_kg2())

    def _piece_kg2(self) -> float:
        linear = self.linear_kg * self.linear_kg
        if self.filling or self.began_kg2 is None:
            return linear
        return min(linear, self.began_kg2 + self.now_kg2)

    def added(self, uncertainty_kg: float, content_kg2: float, *, filling: bool) -> "FedSum":
        """Add one scan.

        Args:
            uncertainty_kg: [kg] Standard uncertainty of what was fed in it.
            content_kg2: [kg^2] Variance of the content after it.
            filling: The hopper fills, or has not yet settled.
        """
        if self.began_kg2 is None:
            return FedSum(0.0, filling, uncertainty_kg, content_kg2, content_kg2)
        if filling is not self.filling:
            over_kg2 = self.over_kg2 + self._piece_kg2()
            return FedSum(over_kg2, filling, uncertainty_kg, content_kg2, content_kg2)
        return FedSum(self.over_kg2, filling, self.linear_kg + uncertainty_kg, self.began_kg2, content_kg2)
