"""Current loops of 4 to 20 mA behind a remote I/O block: a broken wire and a short circuit are currents, too."""

from dataclasses import dataclass

BROKEN_MA = 3.5
SHORT_MA = 21.0


@dataclass(frozen=True, slots=True)
class LoopTruth:
    """One loop: which quantity, over which range, and what the block makes of the current."""

    name: str
    point: str
    low: float
    """SI value at 4 mA."""
    high: float
    """SI value at 20 mA."""
    counts_4: int = 0
    """Raw counts at 4 mA..."""
    counts_20: int = 27648
    """...and at 20 mA. Below and above the block goes on in proportion."""


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

    def counts(self, value: float | None) -> float:
        """Return what the block shows for a value in SI."""
        truth = self.truth
        return truth.counts_4 + (self.current_ma(value) - 4.0) / 16.0 * (truth.counts_20 - truth.counts_4)
