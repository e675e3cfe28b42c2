"""Counts of what one unit's exchanges came to, and how long they took. They only grow."""

from bisect import bisect_left
from collections import Counter
from dataclasses import dataclass, field

_EDGES_S = tuple(0.0001 * 1.2**step for step in range(70))
"""[s] Upper edges of the classes, from 0.1 ms to about 29 s; each is a fifth wider than the one before."""


class Latencies:
    """How long replies took, in fixed classes: as small after a year as after an hour."""

    def __init__(self) -> None:
        self._classes = [0] * (len(_EDGES_S) + 1)
        self.count = 0

    def note(self, took_s: float) -> None:
        """Count one reply [s]."""
        self._classes[bisect_left(_EDGES_S, took_s)] += 1
        self.count += 1

    def quantile_s(self, share: float) -> float | None:
        """[s] Return what the share of all replies was not slower than, to a fifth; None where there was no reply."""
        if not self.count:
            return None
        left = share * self.count
        for number, edge_s in zip(self._classes, _EDGES_S, strict=False):
            left -= number
            if left <= 0:
                return edge_s
        return float("inf")


@dataclass(slots=True)
class UnitCounts:
    """What happened with one unit id: every request sent is in one of ok, timeouts, lost, exceptions, mismatches."""

    sent: int = 0
    ok: int = 0
    timeouts: int = 0
    lost: int = 0
    """The connection was gone before an answer."""
    exceptions: Counter[int] = field(default_factory=Counter)
    """By Modbus exception code."""
    mismatches: Counter[str] = field(default_factory=Counter)
    """By `MismatchKind`."""
    late_skipped: int = 0
    """Replies to requests given up, told by their transaction id and left aside."""
    unasked_bytes: int = 0
    """Bytes that came while nothing was asked, after an exchange with this unit."""
    withheld: int = 0
    """Requests not sent, since a late reply could have been taken for theirs."""
    latencies: Latencies = field(default_factory=Latencies)
    busy_s: float = 0.0
    """[s] Loop time for which its exchanges had the connection, with all waiting for silence."""
