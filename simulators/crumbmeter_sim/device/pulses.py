"""Pulse totalisers: a pulse for each so many kilograms, counted in a counter that ends somewhere; pulses get lost."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from random import Random


@dataclass(frozen=True, slots=True)
class PulseTruth:
    """One counter."""

    name: str
    point: str
    """The quantity that it totals: `<belt>.total`."""
    per_pulse: float
    """[kg] For each pulse; the profile's scale must say the same."""
    modulus: int
    """After `modulus - 1` comes 0."""
    start: int = 0


class PulseCounter:
    """Counts pulses of a total that only grows."""

    def __init__(self, truth: PulseTruth, random: Random) -> None:
        self.truth = truth
        self.count = truth.start % truth.modulus
        self.lost_share = self.doubled_share = 0.0
        self.glitch: int | None = None
        """Shown in place of the count."""
        self.pulses = 0
        """True pulses since the beginning."""
        self.lost = self.doubled = 0
        self._random = random
        self.total: Callable[[], float | None] = lambda: 0.0
        """[kg] The quantity. It only grows, so it is enough to look when somebody asks or something changes."""

    @property
    def shown(self) -> int:
        """What the register holds."""
        self.settle()
        return self.count if self.glitch is None else self.glitch % self.truth.modulus

    def settle(self) -> None:
        """Count up to the present."""
        due = math.floor((self.total() or 0.0) / self.truth.per_pulse + 1e-9)
        while self.pulses < due:
            self.pulses += 1
            self._count_one()

    def put(self, count: int) -> None:
        """Let it stand at a count: a reset (0), another device, or near its end (negative: so many before)."""
        self.settle()
        self.count = count % self.truth.modulus

    def spoil(self, lost_share: float = 0.0, doubled_share: float = 0.0) -> None:
        """Lose and double pulses by chance from now on; with no shares, no more."""
        self.settle()
        self.lost_share, self.doubled_share = lost_share, doubled_share

    def _count_one(self) -> None:
        counted = 1
        if self.lost_share or self.doubled_share:
            drawn = self._random.random()
            if drawn < self.lost_share:
                counted, self.lost = 0, self.lost + 1
            elif drawn < self.lost_share + self.doubled_share:
                counted, self.doubled = 2, self.doubled + 1
        self.count = (self.count + counted) % self.truth.modulus
