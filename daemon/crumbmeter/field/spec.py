"""Where a value lives in a Modbus device and how its bits mean a number. Built from the site file, never changed."""

from dataclasses import dataclass
from enum import StrEnum


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
    """How register words make a number."""

    BIT = "bit"
    U16 = "u16"
    I16 = "i16"
    U32 = "u32"
    I32 = "i32"
    F32 = "f32"
    F64 = "f64"

    @property
    def words(self) -> int:
        """Count the 16-bit words (or bits, in a table of bits) that one value takes."""
        return {"u32": 2, "i32": 2, "f32": 2, "f64": 4}.get(self.value, 1)


class ByteOrder(StrEnum):
    """Order of a value's bytes on the wire, named by the bytes. A is the most significant (REQ-13).

    For 64-bit values the pattern goes on: ABCD is ABCDEFGH, CDAB is GHEFCDAB, BADC is BADCFEHG, DCBA is HGFEDCBA.
    """

    ABCD = "ABCD"
    CDAB = "CDAB"
    BADC = "BADC"
    DCBA = "DCBA"


@dataclass(frozen=True, slots=True)
class RegisterSpec:
    """One value in a device. `si = unit(scale * raw + offset)`."""

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
    """Raw integers (for floats: the bit pattern) by which the device says that it has no value."""
    inverted: bool = False
    """For BIT: 0 means true."""

    @property
    def count(self) -> int:
        """Count the addresses that it takes."""
        return self.word_type.words


@dataclass(frozen=True, slots=True)
class DeviceSpec:
    """One Modbus TCP device (a unit id behind an endpoint) and how patiently it is asked."""

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

    @property
    def endpoint(self) -> str:
        """Name the socket: one connection and one queue for each (REQ-19)."""
        return f"{self.host}:{self.port}"


@dataclass(frozen=True, slots=True)
class SignalSource:
    """Where one signal comes from. Its position in the list of signals is its index everywhere."""

    signal_id: str
    device: int
    """Index in the list of devices."""
    register: RegisterSpec
    period_s: float
    """[s] How often it is read. Process time."""


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
