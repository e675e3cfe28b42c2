"""Register words to numbers and back: the simulator's own codec, a deliberate second opinion.

`si = unit(scale * raw + offset)`. Byte orders are named by the bytes on the wire, A being the most significant.
"""

import math
import struct
from dataclasses import dataclass

from crumbmeter_sim import units

_FORMATS = {
    "u16": ">H", "i16": ">h", "u32": ">I", "i32": ">i", "u64": ">Q", "i64": ">q", "f32": ">f", "f64": ">d",
}  # fmt: skip
RANGES = {
    "u16": (0, 0xFFFF),
    "i16": (-0x8000, 0x7FFF),
    "u32": (0, 0xFFFFFFFF),
    "i32": (-0x80000000, 0x7FFFFFFF),
    "u64": (0, 0xFFFFFFFFFFFFFFFF),
    "i64": (-0x8000000000000000, 0x7FFFFFFFFFFFFFFF),
    "bcd16": (0, 9999),
    "bcd32": (0, 99999999),
    "sm16": (-0x7FFF, 0x7FFF),
    "sm32": (-0x7FFFFFFF, 0x7FFFFFFF),
}
WORDS = {
    "bit": 1, "u16": 1, "i16": 1, "u32": 2, "i32": 2, "u64": 4, "i64": 4, "f32": 2, "f64": 4,
    "bcd16": 1, "bcd32": 2, "sm16": 1, "sm32": 2, "text": 1,
}  # fmt: skip
ORDERS = ("ABCD", "CDAB", "BADC", "DCBA")
BIT_TABLES = ("coil", "discrete")
TABLES = ("coil", "discrete", "input", "holding")


@dataclass(frozen=True, slots=True)
class Register:
    """One value of a device, as its profile describes it."""

    name: str
    table: str
    address: int
    kind: str
    order: str = "ABCD"
    bit: int | None = None
    scale: float = 1.0
    offset: float = 0.0
    unit: str = "count"
    sentinels: tuple[int, ...] = ()
    inverted: bool = False
    writable: bool = False
    mask: int | None = None
    """Only these bits, side by side, are the value."""
    characters: int = 0
    """Length of a text."""
    power: str | None = None
    """Register that holds a power of ten by which the device scales this one."""
    decimals: str | None = None
    """The same as a count of digits after the point."""

    @property
    def count(self) -> int:
        """Count the addresses that it takes."""
        return (self.characters + 1) // 2 if self.kind == "text" else WORDS[self.kind]

    @property
    def shares_words(self) -> bool:
        """Whether other values may lie in the same word."""
        return self.bit is not None or self.mask is not None


def pack(kind: str, order: str, raw: float) -> tuple[int, ...]:
    """Lay a raw number out as words, saturating integers at their limits."""
    if kind in RANGES:
        low, high = RANGES[kind]
        data = _bytes_of(kind, min(high, max(low, round(raw))))
    else:
        data = struct.pack(_FORMATS[kind], raw)
    return words_of(data, order)


def words_of(data: bytes, order: str) -> tuple[int, ...]:
    """Lay bytes, the most significant first, out as words in an order."""
    words = list(struct.unpack(f">{len(data) // 2}H", data))
    if order in ("CDAB", "DCBA"):
        words.reverse()
    if order in ("BADC", "DCBA"):
        words = [(word >> 8) | ((word & 0xFF) << 8) for word in words]
    return tuple(words)


def unpack(kind: str, order: str, words: tuple[int, ...]) -> float:
    """Read a raw number from words: the inverse of `pack`."""
    ordered = list(words)
    if order in ("BADC", "DCBA"):
        ordered = [(word >> 8) | ((word & 0xFF) << 8) for word in ordered]
    if order in ("CDAB", "DCBA"):
        ordered.reverse()
    data = struct.pack(f">{len(ordered)}H", *ordered)
    if kind.startswith("bcd"):
        return float(_from_bcd(data))
    if kind.startswith("sm"):
        return float((data[0] & 0x7F) * 256 ** (len(data) - 1) + int.from_bytes(data[1:], "big")) * _sign(data)
    return float(struct.unpack(_FORMATS[kind], data)[0])


def _bytes_of(kind: str, raw: int) -> bytes:
    if kind.startswith("bcd"):
        return bytes.fromhex(f"{raw:0{4 * WORDS[kind]}d}")
    if kind.startswith("sm"):
        size = 2 * WORDS[kind]
        return (abs(raw) | (1 << (8 * size - 1) if raw < 0 else 0)).to_bytes(size, "big")
    return struct.pack(_FORMATS[kind], raw)


def _from_bcd(data: bytes) -> float:
    """Read decimal digits, one in each half-byte; a half-byte that is no digit makes it no number."""
    digits = data.hex()
    return float(digits) if digits.isdecimal() else math.nan


def _sign(data: bytes) -> float:
    return -1.0 if data[0] & 0x80 else 1.0


def encode(register: Register, si_value: float | None, factor: float = 1.0) -> tuple[int, ...]:
    """Encode an SI value for the wire; None is sent as the register's first sentinel, or as 0 where it has none.

    Args:
        register: Where it goes.
        si_value: In SI, temperature in degC, contacts as 0 or 1.
        factor: Power of ten by which the device scales it at the moment.
    """
    if register.kind == "text":
        return (0,) * register.count
    if register.kind == "bit":
        on = bool(si_value) != register.inverted
        return (int(on) << (register.bit or 0),)
    if si_value is None or not math.isfinite(si_value):
        return _sentinel(register)
    raw = (units.from_si(register.unit, si_value) - register.offset) / (register.scale * factor)
    if register.mask is not None:
        return words_of(_masked(register, raw).to_bytes(2 * register.count, "big"), register.order)
    return pack(register.kind, register.order, raw)


def encode_text(register: Register, text: str) -> tuple[int, ...]:
    """Lay a text out, two characters a word, padded with zeros."""
    data = text.encode("ascii", "replace")[: register.characters].ljust(2 * register.count, b"\0")
    return words_of(data, "BADC" if register.order == "BADC" else "ABCD")


def _field(mask: int) -> tuple[int, int]:
    """Return by how many bits a field is shifted, and how many it has."""
    shift = (mask & -mask).bit_length() - 1
    return shift, mask.bit_length() - shift


def _masked(register: Register, raw: float) -> int:
    shift, width = _field(register.mask or 0)
    low, high = (-(1 << (width - 1)), (1 << (width - 1)) - 1) if register.kind[0] == "i" else (0, (1 << width) - 1)
    return (min(high, max(low, round(raw))) & ((1 << width) - 1)) << shift


def decode(register: Register, words: tuple[int, ...], factor: float = 1.0) -> float:
    """Decode words to an SI value; a text is no number. `factor` as in `encode`."""
    if register.kind == "text":
        return math.nan
    if register.kind == "bit":
        on = bool((words[0] >> (register.bit or 0)) & 1)
        return float(on != register.inverted)
    if register.mask is not None:
        shift, width = _field(register.mask)
        raw = float((int(unpack(f"u{16 * register.count}", register.order, words)) & register.mask) >> shift)
        raw -= (1 << width) if register.kind[0] == "i" and raw >= 1 << (width - 1) else 0
    else:
        raw = unpack(register.kind, register.order, words)
    return units.to_si(register.unit, register.scale * factor * raw + register.offset)


def _sentinel(register: Register) -> tuple[int, ...]:
    if not register.sentinels:
        return pack(register.kind, register.order, 0.0)
    pattern = register.sentinels[0]
    if register.kind in _FORMATS and register.kind in RANGES:
        return pack(register.kind, register.order, pattern)
    return words_of(pattern.to_bytes(2 * WORDS[register.kind], "big"), register.order)
