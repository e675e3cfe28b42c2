"""How the words of one value mean a number: table, type, order, scaling. Built from the site file, never changed."""

from enum import StrEnum

from crumbmeter.model.frozen import dataclass


class Table(StrEnum):
    """The four tables of the Modbus data model (Application Protocol v1.1b3, section 4.3), and that of OPC UA nodes."""

    COIL = "coil"
    DISCRETE = "discrete"
    INPUT = "input"
    HOLDING = "holding"
    NODE = "node"
    """Nodes of an OPC UA server, in the order of the profile. Whether one may be written, the profile says."""

    @property
    def of_bits(self) -> bool:
        """Tell whether the table holds single bits rather than 16-bit registers."""
        return self in (Table.COIL, Table.DISCRETE)

    @property
    def writable(self) -> bool:
        """Tell whether a master may write it."""
        return self in (Table.COIL, Table.HOLDING, Table.NODE)


class WordType(StrEnum):
    """How register words make a number. Two's complement where nothing else is said."""

    BIT = "bit"
    U16 = "u16"
    I16 = "i16"
    U32 = "u32"
    I32 = "i32"
    U64 = "u64"
    I64 = "i64"
    F32 = "f32"
    F64 = "f64"
    BCD16 = "bcd16"
    """Four decimal digits, one in each half-byte."""
    BCD32 = "bcd32"
    SM16 = "sm16"
    """Sign and magnitude: the top bit is the sign, the others count."""
    SM32 = "sm32"
    TEXT = "text"
    """Characters, two a word. Says what a device is; never a value of the process."""

    @property
    def words(self) -> int:
        """Count the 16-bit words (or bits, in a table of bits) of one value. A text's own length decides."""
        return _WORDS.get(self.value, 1)

    @property
    def of_floats(self) -> bool:
        """Tell whether it is a number after IEEE 754."""
        return self in (WordType.F32, WordType.F64)

    @property
    def of_codes(self) -> bool:
        """Tell whether its sentinels are bit patterns, because a pattern and a number are not the same in it."""
        return self.of_floats or self in (WordType.BCD16, WordType.BCD32, WordType.SM16, WordType.SM32)


_WORDS = {"u32": 2, "i32": 2, "f32": 2, "bcd32": 2, "sm32": 2, "u64": 4, "i64": 4, "f64": 4}


class ByteOrder(StrEnum):
    """Order of a value's bytes on the wire, named by the bytes. A is the most significant (REQ-13).

    For 64-bit values the pattern goes on: ABCD is ABCDEFGH, CDAB is GHEFCDAB, BADC is BADCFEHG, DCBA is HGFEDCBA.
    """

    ABCD = "ABCD"
    CDAB = "CDAB"
    BADC = "BADC"
    DCBA = "DCBA"


@dataclass(frozen=True, slots=True)
class AddressSpan:
    """Addresses that belong together, from `first` to the one before `end`."""

    first: int
    end: int

    def hull(self, other: "AddressSpan") -> "AddressSpan":
        """Return the smallest span that holds both."""
        return AddressSpan(min(self.first, other.first), max(self.end, other.end))

    def meets(self, first: int, end: int) -> bool:
        """Tell whether it shares an address with `first` to before `end`."""
        return self.first < end and first < self.end


@dataclass(frozen=True, slots=True)
class PowerOfTen:
    """A register in which the device says by which power of ten a value is scaled at this moment."""

    register: "RegisterSpec"
    """A whole number, in the same table; always read in the same request as the value (REQ-29)."""
    decimals: bool = False
    """True: it counts the digits after the decimal point, so 2 means a hundredth. False: it is the exponent itself."""


@dataclass(frozen=True, slots=True)
class LiveZero:
    """The value is a current loop of 4 to 20 mA behind a remote I/O block: which counts are which current."""

    raw_4_ma: float
    raw_20_ma: float


@dataclass(frozen=True, slots=True)
class RegisterSpec:
    """One value in a device. `si = unit(scale * raw + offset)`, scale times a power of ten where there is one."""

    table: Table
    address: int
    """PDU offset, counted from 0, as it goes over the wire (REQ-14)."""
    word_type: WordType
    order: ByteOrder = ByteOrder.ABCD
    bit: int | None = None
    """For BIT in a table of registers: which bit, 0 is the least significant."""
    scale: float = 1.0
    offset: float = 0.0
    unit: str = "count"
    """Code from model.units; what `scale * raw + offset` is measured in."""
    sentinels: tuple[int, ...] = ()
    """Raw integers (for floats, BCD and sign-magnitude: bit patterns) by which the device says that it has no value."""
    inverted: bool = False
    """For BIT: 0 means true."""
    mask: int | None = None
    """For whole numbers: the bits that are the value, side by side. A signed type reads the topmost as the sign."""
    characters: int = 0
    """For TEXT: how many."""
    power: PowerOfTen | None = None
    live_zero: LiveZero | None = None
    together: AddressSpan | None = None
    """All that has to come in one reply with it: its atomic group. None: it stands alone."""
    node: str = ""
    """In the table of nodes: which one, as OPC UA Part 6 writes it with its namespace: `nsu=URI;s=WetFlow`."""

    @property
    def count(self) -> int:
        """Count the addresses that it takes."""
        return (self.characters + 1) // 2 if self.word_type is WordType.TEXT else self.word_type.words

    @property
    def own(self) -> AddressSpan:
        """Return where its words are."""
        return AddressSpan(self.address, self.address + self.count)

    @property
    def reach(self) -> AddressSpan:
        """Return what is needed to make its number: its own words, and those of its power of ten."""
        return self.own if self.power is None else self.own.hull(self.power.register.own)

    @property
    def span(self) -> AddressSpan:
        """Return what one request must bring whole (REQ-29)."""
        return self.reach if self.together is None else self.reach.hull(self.together)
