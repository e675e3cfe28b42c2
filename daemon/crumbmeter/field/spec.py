"""Where a value lives in a device and how its bits mean a number. Built from the site file, never changed.

The words are Modbus's own. A device that speaks OPC UA has a table of its own, `node`: each of its nodes takes a group
of words in it, value, status and type (field/opcua.py), so that images, read-backs and replay are the same for both.
"""

from enum import StrEnum

from crumbmeter.field.register_spec import (
    AddressSpan,
    ByteOrder,
    LiveZero,
    PowerOfTen,
    RegisterSpec,
    Table,
    WordType,
)
from crumbmeter.model.frozen import dataclass

__all__ = [
    "AddressSpan",
    "BlockSpec",
    "ByteOrder",
    "DeviceSpec",
    "Forbidden",
    "LiveZero",
    "OpcuaSecurity",
    "OpcuaSpec",
    "OutputSpec",
    "Place",
    "PowerOfTen",
    "ReadPlan",
    "RegisterSpec",
    "SignalSource",
    "Table",
    "Transport",
    "WordType",
]


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
    OPCUA = "opcua"
    """OPC UA's own binary messages over TCP; no Modbus at all."""

    @property
    def serial_frames(self) -> bool:
        """Tell whether frames bear a CRC and no transaction id."""
        return self in (Transport.RTU, Transport.RTU_OVER_TCP)


@dataclass(frozen=True, slots=True)
class OpcuaSecurity:
    """How an OPC UA connection is protected. Files are read at every connection, so that renewed ones count at once."""

    policy: str = "none"
    """none or basic256sha256."""
    mode: str = "none"
    """none, sign or sign_and_encrypt."""
    certificate: str = ""
    """File of our own certificate."""
    private_key: str = ""
    server_certificate: str = ""
    """File of the one certificate that the server may show."""
    user: str = ""
    """Empty: anonymous."""
    password_file: str = ""
    password_variable: str = ""
    """Variable of the environment that holds the password."""


@dataclass(frozen=True, slots=True)
class OpcuaSpec:
    """What only a device that speaks OPC UA has."""

    path: str
    """Of the endpoint's address, with its slash in front; empty where it has none."""
    nodes: tuple[RegisterSpec, ...] = ()
    """All that the site reads or writes of it."""
    publishing_s: float = 1.0
    """[s] Publishing interval asked of the server. Loop time."""
    security: OpcuaSecurity = OpcuaSecurity()


@dataclass(frozen=True, slots=True)
class DeviceSpec:
    """One device (over Modbus a unit id behind an endpoint) and how patiently it is asked."""

    device_id: str
    host: str
    port: int
    unit_id: int
    """Of Modbus; 0 for OPC UA."""
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
    opcua: OpcuaSpec | None = None
    """None: it speaks Modbus."""

    @property
    def endpoint(self) -> str:
        """Name the connection: one and one queue for each (REQ-19)."""
        if self.opcua is not None:
            return f"opc.tcp://{self.host}:{self.port}{self.opcua.path}"
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
