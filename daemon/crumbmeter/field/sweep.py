"""Reading a device whose map is not known: blocks, halved where the device says that an address is not there. Sans-IO.

Only asks; what is asked is a read, and never touches what the person forbids. A device says "illegal data address" (02)
for a whole block when one register of it is missing, some say "illegal data value" (03): then each half is asked, until
the holes are known. A device that says nothing costs a time-out for every question, so silence is halved only so often.
"""

from collections import deque
from collections.abc import Sequence

from crumbmeter.field.spec import Forbidden, Table
from crumbmeter.model.frozen import dataclass

_HALVED = (2, 3)
"""Exceptions that may speak of one register in a block (Application Protocol v1.1b3, section 7)."""
_NO_TABLE = 1
"""Illegal function: the device has no such table."""
MOST_SILENT = 6
"""So many questions without an answer, and no more are asked."""


@dataclass(frozen=True, slots=True)
class Ask:
    """One read."""

    table: Table
    address: int
    """PDU offset."""
    count: int

    @property
    def end(self) -> int:
        """Return the address after the last one."""
        return self.address + self.count


class Sweep:
    """What is still to be asked of a device, and what has been learnt."""

    def __init__(self, wanted: Sequence[Ask], max_words: int, max_bits: int, forbidden: Sequence[Forbidden]) -> None:
        """Begin.

        Args:
            wanted: All that a person wants to see.
            max_words: [words] Largest read of registers.
            max_bits: [bits] Largest read of bits.
            forbidden: Addresses that no request may hold.
        """
        self._due = deque(
            block
            for ask in wanted
            for free in _around(ask, forbidden)
            for block in _blocks(free, max_bits if ask.table.of_bits else max_words)
        )
        self.good: list[Ask] = []
        """Reads that the device answers, in the order of their addresses once all is asked."""
        self.holes: list[Ask] = []
        """Addresses that the device does not have."""
        self.refused: list[tuple[Ask, int]] = []
        """Reads that it refuses otherwise, with the exception code."""
        self.silent: list[Ask] = []
        """Reads that it did not answer."""
        self.left: list[Ask] = []
        """What was not asked any more, since the device had not answered so often."""

    def next(self) -> Ask | None:
        """Return what to ask now; None where all is known."""
        return self._due[0] if self._due else None

    def answered(self) -> None:
        """Note that the device gave the words."""
        self.good.append(self._due.popleft())
        self._sort()

    def said_no(self, code: int) -> None:
        """Note a Modbus exception."""
        ask = self._due.popleft()
        if code in _HALVED and ask.count > 1:
            self._halve(ask)
        elif code in _HALVED:
            self.holes.append(ask)
        else:
            self.refused.append((ask, code))
            if code == _NO_TABLE:
                self.refused += [(other, code) for other in self._due if other.table is ask.table]
                self._due = deque(other for other in self._due if other.table is not ask.table)
        self._sort()

    def was_silent(self) -> None:
        """Note that no answer came."""
        self.silent.append(self._due.popleft())
        if len(self.silent) >= MOST_SILENT:
            self.left += self._due
            self._due.clear()

    def _halve(self, ask: Ask) -> None:
        half = ask.count // 2
        self._due.appendleft(Ask(ask.table, ask.address + half, ask.count - half))
        self._due.appendleft(Ask(ask.table, ask.address, half))

    def _sort(self) -> None:
        if not self._due:
            self.good.sort(key=lambda ask: (ask.table, ask.address))
            self.holes = _joined(self.holes)


def _blocks(ask: Ask, most: int) -> list[Ask]:
    return [Ask(ask.table, address, min(most, ask.end - address)) for address in range(ask.address, ask.end, most)]


def _around(ask: Ask, forbidden: Sequence[Forbidden]) -> list[Ask]:
    """Return what is left of a wish without what is forbidden."""
    left = [ask]
    for one in forbidden:
        if one.table is ask.table:
            left = [part for each in left for part in _without(each, one.span.first, one.span.end)]
    return left


def _without(ask: Ask, first: int, end: int) -> list[Ask]:
    if first >= ask.end or end <= ask.address:
        return [ask]
    parts = (Ask(ask.table, ask.address, first - ask.address), Ask(ask.table, end, ask.end - end))
    return [part for part in parts if part.count > 0]


def _joined(asks: Sequence[Ask]) -> list[Ask]:
    found: list[Ask] = []
    for ask in sorted(asks, key=lambda one: (one.table, one.address)):
        if found and found[-1].table is ask.table and found[-1].end == ask.address:
            found[-1] = Ask(ask.table, found[-1].address, found[-1].count + ask.count)
        else:
            found.append(ask)
    return found
