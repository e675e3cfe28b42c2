"""Where a value lives in a Modbus device and how its bits mean a number. Built from the site file, never changed."""

from enum import StrEnum

from crumbmeter.model.frozen import dataclass


class Table(StrEnum):
    """The four tables of the Modbus data model (Application Protocol v1.1b3, section 4.3)."""

    COIL = "coil"
    DISCRETE = "discrete"
    INPUT = "input"
    HOLDING = "holding"

    @property
    def of_bits(self) -> bool:
        """Tell whether the table holds single bits rather than 16-bit registers."""
        return self in (Table.COIL, Table.DISCRETE)

    @property
    def writable(self) -> bool:
        """Tell whether a master may write it."""
        return self in (Table.COIL, Table.HOLDING)


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


@dataclass(frozen=True, slots=True)
class Forbidden:
    """Addresses that must never be part of a request: holes, or registers that do something when they are read."""

    table: Table
    span: AddressSpan


class Transport(StrEnum):
    """How frames travel. One for each endpoint, since framings cannot be mixed on one line (REQ-19)."""

    TCP = "tcp"
    RTU = "rtu"
    RTU_OVER_TCP = "rtu_over_tcp"

    @property
    def serial_frames(self) -> bool:
        """Tell whether frames bear a CRC and no transaction id."""
        return self is not Transport.TCP


@dataclass(frozen=True, slots=True)
class DeviceSpec:
    """One Modbus device (a unit id behind an endpoint) and how patiently it is asked."""

    device_id: str
    host: str
    port: int
    unit_id: int
    timeout_s: float
    """[s] For one exchange. Loop time, not process time."""
    read_retries: int
    connect_timeout_s: float
    backoff_min_s: float
    backoff_max_s: float
    max_words: int
    """Largest count of registers in one read request."""
    max_bits: int
    max_gap: int
    """Addresses that nobody asked for and that one read may cross, in order to save a request."""
    request_gap_s: float
    """[s] Silence that the device wants between two requests."""
    forbidden: tuple[Forbidden, ...] = ()
    """No read crosses these, whatever `max_gap` allows."""
    one_per_request: bool = False
    """Every value (with its atomic group) is asked for by itself: the device mixes up longer reads."""
    transport: Transport = Transport.TCP
    baud: int = 19200
    parity: str = "even"
    """even, odd or none."""
    stop_bits: int = 1
    data_bits: int = 8
    worst_response_s: float = 0.0
    """[s] No reply comes later than this after its request, whatever happens; 0: twice `timeout_s`. Loop time."""
    idle_timeout_s: float = 0.05
    """[s] A serial reply that has begun and pauses for so long has ended. Above the latency timer of a USB adapter."""
    breaker_failures: int = 2
    """So many unanswered requests in a row, and the device is only probed now and then (REQ-11)."""
    close_after_each: bool = False
    """A TCP connection for each reply: the device gives no second one, or lets one master in at a time."""
    broadcast: bool = False
    """Opens unit id 0 of a serial bus, for writes alone (REQ-51)."""

    @property
    def endpoint(self) -> str:
        """Name the connection: one and one queue for each (REQ-19)."""
        return self.host if self.transport is Transport.RTU else f"{self.host}:{self.port}"

    @property
    def guard_s(self) -> float:
        """[s] Return how long a line must be silent after a doubt, so that no late reply can be taken for another."""
        return self.worst_response_s or 2.0 * self.timeout_s


@dataclass(frozen=True, slots=True)
class SignalSource:
    """Where one signal comes from. Its position in the list of signals is its index everywhere."""

    signal_id: str
    device: int
    """Index in the list of devices."""
    register: RegisterSpec
    period_s: float
    """[s] How often it is read. Process time."""
    rate_unit: str = ""
    """Unit of the rate that is made of its count; empty: the value itself is meant."""

    @property
    def unit(self) -> str:
        """Return the unit of what the signal is for everybody else."""
        return self.rate_unit or self.register.unit


@dataclass(frozen=True, slots=True)
class BlockSpec:
    """One read request. Its position in the plan is its index in `RawImage.blocks`."""

    device: int
    table: Table
    address: int
    count: int
    period_s: float


@dataclass(frozen=True, slots=True)
class Place:
    """Where a value stands inside a block."""

    block: int
    offset: int
    """Words (or bits) after the start of the block."""


@dataclass(frozen=True, slots=True)
class ReadPlan:
    """All read requests, and where each signal and each written register is found in them."""

    blocks: tuple[BlockSpec, ...]
    signals: tuple[Place, ...]
    """In the order of the signals."""
    outputs: tuple[Place, ...]
    """In the order of the outputs: where each written register is read back."""


@dataclass(frozen=True, slots=True)
class OutputSpec:
    """One register that may be written. Its position in the list is its index in `RawImage.writes`."""

    role: str
    """An `OutputRole`."""
    device: int
    register: RegisterSpec
    low_si: float
    high_si: float
    """Limits in SI. Checked at load to be encodable; every value is clamped to them before it is encoded."""
    min_interval_s: float = 0.0
    """[s] Not written more often than this, unless it is a stop. Process time."""
    deadband_counts: int = 0
    """[raw counts] A change no greater than this is not written (except to zero)."""
    confirm_within_s: float = 2.0
    """[s] Read-back must agree by then. Process time."""
    durable: bool = False
    """It may be kept in memory that wears out (non-volatile, or not known): written on change and seldom (REQ-26)."""
    max_per_hour: int = 0
    max_per_day: int = 0
    """Most writes of a durable one, unless they stop something; 0: no limit."""
    endurance_writes: int = 0
    """Writes that its memory endures by the maker's word; 0: not known."""
    write_function: int = 0
    """Function code that writes it; 0: 5 or 6 for one word, 15 or 16 for more."""
