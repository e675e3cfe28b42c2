"""How a device misbehaves, one rule each. A rule sees each read and write of its device, before and after the bank."""

# ruff: noqa: ARG002 - a rule need not look at all that it is given
import struct
from collections.abc import MutableSequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from crumbmeter_sim.codec import WORDS, Register, pack, unpack
from crumbmeter_sim.pdu import ILLEGAL_ADDRESS, ILLEGAL_VALUE, BankError

if TYPE_CHECKING:
    from crumbmeter_sim.device.unruly import Unruly

EXCEPTIONS = (1, 2, 3, 4, 5, 6, 0x0A, 0x0B)
"""Codes of the Application Protocol v1.1b3, section 7."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where a value lies, and how its words make a raw number."""

    table: str
    address: int
    kind: str = "u16"
    order: str = "ABCD"

    @classmethod
    def of(cls, register: Register) -> "Place":
        """Return the place of a register of a profile."""
        return cls(register.table, register.address, register.kind, register.order)

    @property
    def count(self) -> int:
        """Count its addresses."""
        return WORDS[self.kind]

    def touches(self, table: str, address: int, count: int) -> bool:
        """Tell whether a stretch of a table has any of it."""
        return table == self.table and address < self.address + self.count and self.address < address + count

    def number(self, address: int, words: MutableSequence[int]) -> float | None:
        """Return the raw number that lies in a stretch; None where the stretch does not have all of it."""
        at = self.address - address
        if at < 0 or at + self.count > len(words):
            return None
        part = tuple(words[at : at + self.count])
        return float(part[0]) if self.kind == "bit" else unpack(self.kind, self.order, part)

    def put(self, address: int, words: MutableSequence[int], own: tuple[int, ...]) -> None:
        """Put its words into a stretch, as many of them as the stretch has."""
        for i, word in enumerate(own):
            at = self.address + i - address
            if 0 <= at < len(words):
                words[at] = word

    def words_of(self, raw: float) -> tuple[int, ...]:
        """Return the words of a raw number."""
        return (int(raw),) if self.kind == "bit" else pack(self.kind, self.order, raw)


@dataclass(slots=True)
class Rule:
    """Does nothing, at one place or (None) at all."""

    place: Place | None = None

    def concerns(self, table: str, address: int, count: int) -> bool:
        """Tell whether a request is this rule's business."""
        return self.place is None or self.place.touches(table, address, count)

    def may_read(self, table: str, address: int, count: int) -> None:
        """Raise BankError to refuse a read."""

    def show(self, device: "Unruly", table: str, address: int, words: list[int]) -> None:
        """Change what a read shows, in place."""

    def take(self, device: "Unruly", table: str, address: int, values: list[int]) -> bool:
        """Change what a write does, in place; False: nothing is written now. Raise BankError to refuse."""
        return True

    def tell(self, request: bytes, reply: bytes) -> bytes:
        """Change the reply to a write."""
        return reply


@dataclass(slots=True)
class IgnoreWrites(Rule):
    """Take a write, say yes, do nothing."""

    def take(self, device: "Unruly", table: str, address: int, values: list[int]) -> bool:
        """Swallow it."""
        return False


@dataclass(slots=True)
class ClampWrites(Rule):
    """Hold what is written inside limits [raw] of the device's own."""

    low: float = 0.0
    high: float = 0xFFFF

    def take(self, device: "Unruly", table: str, address: int, values: list[int]) -> bool:
        """Clamp it."""
        if self.place is not None:
            raw = self.place.number(address, values)
            if raw is not None:
                self.place.put(address, values, self.place.words_of(min(self.high, max(self.low, raw))))
        return True


@dataclass(slots=True)
class RoundWrites(Rule):
    """Round what is written to a multiple of a step [raw]."""

    step: float = 10.0

    def take(self, device: "Unruly", table: str, address: int, values: list[int]) -> bool:
        """Round it."""
        if self.place is not None:
            raw = self.place.number(address, values)
            if raw is not None:
                self.place.put(address, values, self.place.words_of(round(raw / self.step) * self.step))
        return True


@dataclass(slots=True)
class LateWrites(Rule):
    """Say yes at once, and do it after `seconds`."""

    seconds: float = 5.0

    def take(self, device: "Unruly", table: str, address: int, values: list[int]) -> bool:
        """Put it off."""
        device.later(self.seconds, table, address, values)
        return False


@dataclass(slots=True)
class Overwrite(Rule):
    """Another client writes `raw` to the place, `seconds` after each write to it."""

    seconds: float = 2.0
    raw: float = 0.0

    def take(self, device: "Unruly", table: str, address: int, values: list[int]) -> bool:
        """Let the other one come."""
        if self.place is not None:
            device.later(self.seconds, table, self.place.address, self.place.words_of(self.raw))
        return True


@dataclass(slots=True)
class Refuse(Rule):
    """Answer with an exception."""

    code: int = 6
    reads: bool = True
    writes: bool = True

    def may_read(self, table: str, address: int, count: int) -> None:
        """Refuse a read."""
        if self.reads:
            raise BankError(self.code)

    def take(self, device: "Unruly", table: str, address: int, values: list[int]) -> bool:
        """Refuse a write."""
        if self.writes:
            raise BankError(self.code)
        return True


@dataclass(slots=True)
class WrongEcho(Rule):
    """Do a write, and echo another `address` or `value`."""

    what: str = "address"

    def tell(self, request: bytes, reply: bytes) -> bytes:
        """Change the echo: the low byte of its address, or of its value or quantity."""
        if reply[0] & 0x80:
            return reply
        place = 2 if self.what == "address" else 4
        return reply[:place] + bytes((reply[place] ^ 1,)) + reply[place + 1 :]


@dataclass(slots=True)
class Hole(Rule):
    """No read may touch the place: exception 2."""

    def may_read(self, table: str, address: int, count: int) -> None:
        """Refuse a read."""
        raise BankError(ILLEGAL_ADDRESS)


@dataclass(slots=True)
class ReadLimit(Rule):
    """Answer at most so many words, or bits, at a time; beyond that exception 3."""

    most: int = 16

    def may_read(self, table: str, address: int, count: int) -> None:
        """Refuse a long read."""
        if count > self.most:
            raise BankError(ILLEGAL_VALUE)


@dataclass(slots=True)
class Force(Rule):
    """Show these words, whatever the plant says: a sentinel, a NaN, an infinity."""

    words: tuple[int, ...] = (0xFFFF,)

    @classmethod
    def number(cls, place: Place, raw: float) -> "Force":
        """Show a raw number; NaN and infinities for floats."""
        return cls(place, place.words_of(raw))

    @classmethod
    def pattern(cls, place: Place, bits: int) -> "Force":
        """Show a bit pattern, the most significant byte first in order ABCD: 0x7FC00000 is a float's NaN."""
        data = bits.to_bytes(2 * place.count, "big")
        words = struct.unpack(f">{place.count}H", data)
        if place.order in ("BADC", "DCBA"):
            words = tuple((word >> 8) | (word & 0xFF) << 8 for word in words)
        return cls(place, words[::-1] if place.order in ("CDAB", "DCBA") else words)

    def show(self, device: "Unruly", table: str, address: int, words: list[int]) -> None:
        """Show them."""
        if self.place is not None:
            self.place.put(address, words, self.words)


@dataclass(slots=True)
class Freeze(Rule):
    """Go on showing what was shown first, at one place or everywhere; writes are taken and change nothing shown."""

    _kept: dict[tuple[str, int], int] = field(default_factory=dict)

    def show(self, device: "Unruly", table: str, address: int, words: list[int]) -> None:
        """Show the old words."""
        for i, word in enumerate(words):
            if self.place is None or self.place.touches(table, address + i, 1):
                words[i] = self._kept.setdefault((table, address + i), word)
