"""Current loops of 4 to 20 mA behind a remote I/O block: a broken wire and a short circuit are currents, too.

What counts the block makes of a current is its profile's business (`raw_low` at 4 mA, `raw_high` at 20 mA).
"""

from dataclasses import dataclass

BROKEN_MA = 3.5
SHORT_MA = 21.0


@dataclass(frozen=True, slots=True)
class LoopTruth:
    """One loop: which quantity, and over which range; the profile's `eng_low` and `eng_high` must say the same."""

    name: str
    point: str
    low: float
    """SI value at 4 mA."""
    high: float
    """SI value at 20 mA."""


class Loop:
    """One loop. Currents in mA."""

    def __init__(self, truth: LoopTruth) -> None:
        self.truth = truth
        self.forced_ma: float | None = None
        """Whatever the quantity is."""

    def current_ma(self, value: float | None) -> float:
        """[mA] Return the current for a value in SI; a transmitter drives no more than 3.8 to 20.5 mA."""
        if self.forced_ma is not None:
            return self.forced_ma
        if value is None:
            return BROKEN_MA
        truth = self.truth
        return min(20.5, max(3.8, 4.0 + 16.0 * (value - truth.low) / (truth.high - truth.low)))

    def shown(self, value: float | None) -> float:
        """Return the value that the current stands for; outside 4 to 20 mA it goes on in proportion."""
        return self.truth.low + (self.current_ma(value) - 4.0) / 16.0 * (self.truth.high - self.truth.low)
