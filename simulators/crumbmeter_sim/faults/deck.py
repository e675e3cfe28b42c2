"""The deck: which fault strikes which frame, by script or by chance from a seed, and a count of all that it did."""

from collections import Counter
from collections.abc import Iterable
from dataclasses import replace
from random import Random
from typing import NamedTuple

from crumbmeter_sim.faults.kinds import Direction, Fault, problems_of


class Carried(NamedTuple):
    """A frame that another connection will bring."""

    connection: object
    """The one that it came on."""
    direction: Direction
    frame: bytes
    until_s: float
    """[s] It is lost where that comes first."""
    stamped: bool
    """Whether it takes the transaction id of the frame that it comes ahead of."""


class Deck:
    """Shared by all connections of one line. The same seed and the same frames get the same faults."""

    def __init__(self, faults: Iterable[Fault] = (), seed: int = 1) -> None:
        self.random = Random(seed)
        self.seen: Counter[str] = Counter()
        """Frames by direction, struck or not."""
        self.done: Counter[str] = Counter()
        """Faults by kind; `swallowed` counts what fell into a black hole."""
        self.hole_until_s = 0.0
        """[s] Until then nothing passes."""
        self.carried: list[Carried] = []
        """Frames that wait for another connection."""
        self._faults: list[Fault] = []
        for fault in faults:
            self.add(fault)

    @property
    def faults(self) -> tuple[Fault, ...]:
        """Those that may strike, in the order in which they are asked."""
        return tuple(self._faults)

    def add(self, fault: Fault, now_s: float = 0.0) -> Fault:
        """Add a fault whose `from_s` counts from `now_s`; return it as it stands in the deck, for `remove`."""
        wrong = problems_of(fault)
        if wrong:
            raise ValueError("; ".join(wrong))
        placed = replace(fault, from_s=fault.from_s + now_s)
        self._faults.append(placed)
        return placed

    def remove(self, fault: Fault) -> None:
        """Take a fault out; one that is not there is no error."""
        if fault in self._faults:
            self._faults.remove(fault)

    def clear(self) -> None:
        """Take all faults out, with the frames that they kept, and close the black hole."""
        self._faults.clear()
        self.carried.clear()
        self.hole_until_s = 0.0

    def pick(self, direction: Direction, unit: int, now_s: float) -> Fault | None:
        """Count a frame; return the fault that strikes it. At most one does, so that the counts say what was done."""
        self.seen[direction] += 1
        if not self._faults:
            return None
        number = self.seen[direction]
        chance, drawn = 0.0, -1.0
        for fault in self._faults:
            if fault.direction != direction or (fault.unit is not None and fault.unit != unit):
                continue
            if now_s < fault.from_s or (fault.for_s is not None and now_s >= fault.from_s + fault.for_s):
                continue
            if fault.share is not None:
                drawn = self.random.random() if drawn < 0.0 else drawn
                chance += fault.share
                struck = drawn < chance
            elif fault.frames:
                struck = number in fault.frames
            else:
                struck = fault.every == 0 or number % fault.every == 0
            if struck:
                self.done[fault.kind] += 1
                return fault
        return None
