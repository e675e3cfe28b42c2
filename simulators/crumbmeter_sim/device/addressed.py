"""The self-addressed device: every register says whose it is, so that no reply can be taken for another.

A word is `unit (4 bits) | input or holding (1 bit) | address (11 bits)`: unique for units 0 to 15 and addresses below
2048. Bits are those of a hash for each unit and table: n bits of another place agree by chance once in 2^n.
"""

from collections import Counter
from collections.abc import Sequence
from functools import cache
from hashlib import shake_128

from crumbmeter_sim.pdu import ILLEGAL_ADDRESS, ILLEGAL_VALUE, BankError, answer

SPAN = 2048
UNITS = 16
_BIT_TABLES = ("coil", "discrete")
_INPUT, _HOLDING = 0, 1


def word_at(unit: int, table: str, address: int) -> int:
    """Return what a register holds."""
    kind = _HOLDING if table == "holding" else _INPUT
    return (unit & 0xF) << 12 | kind << 11 | (address & 0x7FF)


def whose(word: int) -> tuple[int, str, int]:
    """Return unit, table and address that a word names."""
    return word >> 12, "holding" if word & 0x800 else "input", word & 0x7FF


def bit_at(unit: int, table: str, address: int) -> int:
    """Return what a coil or a discrete input holds."""
    return _bits(unit, table)[address // 8] >> address % 8 & 1


@cache
def _bits(unit: int, table: str) -> bytes:
    return shake_128(f"{unit}/{table}".encode()).digest(SPAN // 8)


def expected(unit: int, table: str, address: int, count: int) -> tuple[int, ...]:
    """Return what a read must give where nothing has been written."""
    at = bit_at if table in _BIT_TABLES else word_at
    return tuple(at(unit, table, address + i) for i in range(count))


class SelfAddressed:
    """One such unit. Its writable registers keep what was written and count how often; all others refuse."""

    def __init__(self, unit: int, writable: range = range(1024, 1280), max_words: int = 125) -> None:
        if not 0 <= unit < UNITS:
            raise ValueError(f"unit {unit}: expected 0 to {UNITS - 1}, or its words are another's")
        self.unit = unit
        self.writable = writable
        """Holding registers and coils that may be written, by address."""
        self.max_words = max_words
        self.reads = 0
        self.writes: Counter[tuple[str, int]] = Counter()
        """Writes by table and address."""
        self.log: list[tuple[str, int, tuple[int, ...]]] = []
        """Every write that was done, in order: the truth for a writer's own log."""
        self.state: dict[tuple[str, int], int] = {}

    def read(self, table: str, address: int, count: int) -> tuple[int, ...]:
        """Read words or bits. Raises BankError 2 beyond the span, 3 for too many."""
        if table not in _BIT_TABLES and count > self.max_words:
            raise BankError(ILLEGAL_VALUE)
        if address + count > SPAN:
            raise BankError(ILLEGAL_ADDRESS)
        self.reads += 1
        values = expected(self.unit, table, address, count)
        if self.state and table in ("holding", "coil"):
            return tuple(self.state.get((table, address + i), value) for i, value in enumerate(values))
        return values

    def write(self, table: str, address: int, values: Sequence[int]) -> None:
        """Write words or bits. Raises BankError 2 where any is not writable."""
        if address not in self.writable or address + len(values) - 1 not in self.writable:
            raise BankError(ILLEGAL_ADDRESS)
        for i, value in enumerate(values):
            self.state[table, address + i] = value
            self.writes[table, address + i] += 1
        self.log.append((table, address, tuple(values)))

    def answer(self, request: bytes) -> bytes | None:
        """Answer a request PDU."""
        return answer(self, request)
