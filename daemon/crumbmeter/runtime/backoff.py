"""How long to leave a failing thing alone: doubling, with jitter, never for ever (REQ-12)."""

from collections.abc import Callable

Chance = Callable[[], float]
"""Gives a number from 0 up to 1, another one every time: `random.Random(seed).random`, made by the composition root."""


class Backoff:
    """Delay before the next attempt, from the count of failures in a row."""

    def __init__(self, *, shortest_s: float, longest_s: float, rng: Chance) -> None:
        """Take the bounds.

        Args:
            shortest_s: [s] After the first failure, before jitter.
            longest_s: [s] Never longer than this.
            rng: Keeps many links from knocking at the same moment.
        """
        if not 0.0 < shortest_s <= longest_s:
            raise ValueError(f"back-off from {shortest_s} s to {longest_s} s")
        self._shortest_s = shortest_s
        self._longest_s = longest_s
        self._rng = rng

    def delay_s(self, failures: int) -> float:
        """[s] Return the delay after so many failures in a row: between half and the whole of the doubled time."""
        if failures <= 0:
            return 0.0
        # The exponent is bounded: a week of failures must not overflow.
        whole_s: float = min(self._longest_s, self._shortest_s * 2.0 ** min(failures - 1, 32))
        return whole_s * (0.5 + 0.5 * self._rng())
