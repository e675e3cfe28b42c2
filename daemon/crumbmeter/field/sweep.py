"""Reading a device whose map is not known: blocks, halved where the device says that an address is not there. Sans-IO.

Only asks; what is asked is a read, and never touches what the person forbids. A device says "illegal data address" (02)
for a whole block when one register of it is missing, some say "illegal data value" (03): then each half is asked, until
the holes are known. A device that says nothing costs a time-out for every question, so it is given up after some.

A value of several words is worth something only out of one reply. So what halving has torn apart is asked for again in
one piece, and the seam between two blocks once more by itself.
"""

from collections import deque
from collections.abc import Sequence

from crumbmeter.field.spec import Forbidden, Table
from crumbmeter.model.faults import BugError
from crumbmeter.model.frozen import dataclass

_HALVED = (2, 3)
"""Exceptions that may speak of one register in a block (Application Protocol v1.1b3, section 7)."""
_NO_TABLE = 1
"""Illegal function: the device has no such table."""
_LONGEST = 4
"""[words] Of one value."""
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
        self._most = max_words
        self._trials: deque[Ask] | None = None
        """Larger pieces of what is there, and seams; None until all is known."""
        self.good: list[Ask] = []
        """Reads that the device answers, in the order of their addresses once all is asked; at seams they overlap."""
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
        if self._due:
            return self._due[0]
        if self._trials is None:
            self.good.sort(key=_place)
            self.holes = _joined(self.holes)
            self._trials = deque([] if self.left else _larger(self.good, self._most))
        return self._trials[0] if self._trials else None

    def answered(self) -> None:
        """Note that the device gave the words."""
        if self._due:
            self.good.append(self._due.popleft())
            return
        whole = self._trial()
        self.good = sorted([*(ask for ask in self.good if not _holds(whole, ask)), whole], key=_place)

    def said_no(self, code: int) -> None:
        """Note a Modbus exception."""
        if not self._due:
            self._trial()
            return
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

    def was_silent(self) -> None:
        """Note that no answer came."""
        if not self._due:
            self._trial()
            return
        self.silent.append(self._due.popleft())
        if len(self.silent) >= MOST_SILENT:
            self.left += self._due
            self._due.clear()

    def _trial(self) -> Ask:
        if not self._trials:
            raise BugError("nothing has been asked")
        return self._trials.popleft()

    def _halve(self, ask: Ask) -> None:
        half = ask.count // 2
        self._due.appendleft(Ask(ask.table, ask.address + half, ask.count - half))
        self._due.appendleft(Ask(ask.table, ask.address, half))


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
    for ask in sorted(asks, key=_place):
        if found and found[-1].table is ask.table and found[-1].end == ask.address:
            found[-1] = Ask(ask.table, found[-1].address, found[-1].count + ask.count)
        else:
            found.append(ask)
    return found


def _larger(good: Sequence[Ask], most: int) -> list[Ask]:
    """Return the pieces to ask for besides, as large as they may be, and the seams between them."""
    found: list[Ask] = []
    for whole in _joined([ask for ask in good if not ask.table.of_bits]):
        blocks = _blocks(whole, most)
        found += [block for block in blocks if block not in good]
        for block in blocks[1:]:
            first = max(whole.address, block.address - _LONGEST + 1)
            found.append(Ask(whole.table, first, min(whole.end, block.address + _LONGEST - 1) - first))
    return [ask for ask in found if ask.count <= most]


def _holds(whole: Ask, part: Ask) -> bool:
    return whole.table is part.table and whole.address <= part.address and part.end <= whole.end


def _place(ask: Ask) -> tuple[Table, int, int]:
    return ask.table, ask.address, -ask.count
