"""Keys of a site that say how values come in and go out: devices, signals, outputs, publishing, journal."""

from typing import Annotated, Literal

from pydantic import Field, StringConstraints

from crumbmeter.site.keys.base import HOST_PATTERN, Keys, Name, Ref, Text
from crumbmeter.site.keys.counters import PulseKeys, StatusKeys, TotaliserKeys
from crumbmeter.site.keys.nodes import SecurityKeys

Seconds = Annotated[float, Field(gt=0, le=3600)]
SecondsOrNone = Annotated[float, Field(ge=0, le=3600)]
Port = Annotated[int, Field(ge=1, le=65535)]
RegisterName = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9_]*\.[a-z][a-z0-9_]*$"), Ref("register")]
Host = Annotated[str, StringConstraints(pattern=HOST_PATTERN)]


class DeviceKeys(Keys):
    """One device, a Modbus unit id (at an address, on a serial port) or an OPC UA server; how patiently it is asked."""

    profile: Annotated[Name, Ref("profile")] = Field(
        description="Name of its register map. The file is looked for in `devices/` beside the site file, then in "
        "`devices/` beside the folder of the site file. It says which protocol the device speaks."
    )
    transport: Literal["tcp", "rtu", "rtu_over_tcp"] = Field(
        default="tcp",
        description="`tcp`: Modbus TCP. `rtu`: a serial port of this machine. `rtu_over_tcp`: serial frames with their "
        "CRC over TCP, as a plain serial gateway passes them on. The same for all devices of one connection. Not for "
        "OPC UA.",
    )
    host: Host | None = Field(default=None, description="IP address or host name. Not for `rtu`.")
    port: Port | None = Field(default=None, description="TCP port, usually 502. Not for `rtu`.")
    serial_port: Annotated[str, StringConstraints(pattern=r"^/dev/[A-Za-z0-9._:/+-]{1,200}$")] | None = Field(
        default=None, description="Device file of the serial port, best under `/dev/serial/by-id/`. Only for `rtu`."
    )
    baud: Literal[1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200] | None = Field(
        default=None, description="Bits per second, 19200 if left out. Only for `rtu`."
    )
    parity: Literal["even", "odd", "none"] | None = Field(
        default=None, description="`even` if left out, as the standard has it. Only for `rtu`."
    )
    stop_bits: Literal[1, 2] | None = Field(
        default=None, description="1 if left out, 2 without parity. Only for `rtu`."
    )
    unit_id: Annotated[int, Field(ge=0, le=255)] | None = Field(
        default=None,
        description="Modbus unit id, sent as it stands; required there. 0 is a broadcast on a serial bus, and refused. "
        "Not for OPC UA.",
    )
    path: Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9._~/-]{0,200}$")] = Field(
        default="", description="Only for OPC UA: rest of the endpoint's address, `opc.tcp://host:port/path`."
    )
    security: SecurityKeys | None = Field(
        default=None, description="Only for OPC UA: how the connection is protected. Left out, it is not."
    )
    poll_period_s: Annotated[float, Field(ge=0.05, le=60)] = Field(
        description="How often its signals are read, unless a signal says otherwise. Process time."
    )
    timeout_s: Annotated[float, Field(ge=0.01, le=10)] = Field(
        description="Longest wait for the reply to one request. After it the connection is closed and opened anew, or "
        "a serial bus waited out."
    )
    worst_response_s: Annotated[float, Field(ge=0.01, le=30)] | None = Field(
        default=None,
        description="No reply comes later than this after its request, whatever happens; twice `timeout_s` if left "
        "out. A serial bus must be silent for so long after any doubt, and so long lies between two different reads of "
        "the same length to one serial unit. Over TCP, for so long after a read without its reply none is sent whose "
        "reply would look the same; after a connection that ended in doubt, after any read.",
    )
    idle_timeout_s: Annotated[float, Field(ge=0.002, le=1)] = Field(
        default=0.05,
        description="A serial reply that pauses for so long has ended. Above the latency timer of a USB adapter, "
        "which is 16 ms as a rule.",
    )
    breaker_failures: int = Field(
        default=2,
        ge=1,
        le=100,
        description="After so many unanswered requests in a row the device is only probed, in growing intervals.",
    )
    read_retries: int = Field(
        default=1,
        ge=0,
        le=5,
        description="How often a read is tried again before it counts as failed. Writes never are.",
    )
    connect_timeout_s: Annotated[float, Field(ge=0.05, le=30)] = Field(
        default=2.0, description="Longest wait for a connection."
    )
    backoff_min_s: Annotated[float, Field(ge=0.05, le=30)] = Field(
        default=0.5,
        description="Time to the next attempt after a first failed one, or to the next probe; doubled, with "
        "jitter, at each further failure.",
    )
    backoff_max_s: Annotated[float, Field(ge=0.05, le=30)] = Field(
        default=15.0,
        description="Longest time from one attempt to connect to the next, or from one probe to the next.",
    )
    request_gap_s: Annotated[float, Field(ge=0, le=1)] = Field(
        default=0.0, description="Silence that the device needs between two requests: on a serial bus its turnaround."
    )
    close_after_each: bool = Field(
        default=False,
        description="A connection for each reply: the device gives no second one, or lets one master in at a time. "
        "Modbus TCP alone.",
    )
    heartbeat: Annotated[Name, Ref("signal", "count")] | None = Field(
        default=None,
        description="Signal of this device that counts on by itself. While it stands, nothing of the device is "
        "believed.",
    )
    heartbeat_stall_s: Annotated[float, Field(gt=0, le=600)] = Field(
        default=5.0, description="It stands when it has not moved for so long."
    )


class SignalKeys(Keys):
    """One value that is read. Its name is its id in records for ever; the register may change under it."""

    source: RegisterName = Field(description="Where it stands, as `device.register`.")
    low: float | None = Field(
        default=None, ge=-1e9, le=1e9, description="Below this it is Bad, out of range. In the register's unit."
    )
    high: float | None = Field(
        default=None, ge=-1e9, le=1e9, description="Above this it is Bad, out of range. In the register's unit."
    )
    max_age_s: Seconds = Field(description="Older than this it is Bad, stale.")
    frozen_after_s: Annotated[float, Field(gt=0, le=86400)] | None = Field(
        default=None, description="The very same raw counts for so long: Bad, frozen. Leave out to never judge it."
    )
    frozen_while: Annotated[Name, Ref("signal", "contact|speed|rotation")] | None = Field(
        default=None,
        description="Judged for frozenness only while this is true: a contact that is closed, or a speed that moves.",
    )
    max_rise_per_s: Annotated[float, Field(gt=0, le=1e9)] | None = Field(
        default=None, description="A faster change than this is not believed. In the register's unit per second."
    )
    period_s: Annotated[float, Field(ge=0.05, le=60)] | None = Field(
        default=None, description="How often it is read, where that differs from the device's `poll_period_s`."
    )
    uncertain_for_control: bool = Field(
        default=False,
        description="Only for OPC UA: control may use a value of which the device itself says that it is uncertain. "
        "Else that is shown, and Bad for control.",
    )
    status: StatusKeys | None = Field(default=None, description="For a weight: what the scale says of it.")
    totaliser: TotaliserKeys | None = Field(default=None, description="For a counter that totals.")
    pulse: PulseKeys | None = Field(default=None, description="For a pulse counter that a rate is made of.")


class OutputKeys(Keys):
    """One register that may be written. Registers that no output names are never written."""

    register_: RegisterName = Field(alias="register", description="Where it is written, as `device.register`.")
    low: float | None = Field(
        default=None,
        ge=-1e9,
        le=1e9,
        description="Lowest value ever written. In the register's unit; not for contacts.",
    )
    high: float | None = Field(
        default=None,
        ge=-1e9,
        le=1e9,
        description="Highest value ever written. In the register's unit; not for contacts.",
    )
    min_interval_s: Annotated[float, Field(ge=0, le=60)] = Field(
        default=0.0, description="Not written more often than this, unless it is a stop."
    )
    deadband_counts: int = Field(
        default=0,
        ge=0,
        le=10000,
        description="A change no greater than this [raw counts] is not written, except to zero.",
    )
    confirm_within_s: Annotated[float, Field(gt=0, le=60)] = Field(
        default=2.0, description="The read-back must agree within this."
    )
    write_function: Literal[5, 6, 15, 16, 22, 23] | None = Field(
        default=None,
        description="Modbus function that writes it. If left out: 5 or 6 for one address, 15 or 16 for more. 22 is the "
        "mask write, 23 writes and reads in one request.",
    )
    storage: Literal["volatile", "nonvolatile", "unknown"] = Field(
        default="unknown",
        description="Where the device keeps it. Cyclic writes wear non-volatile memory out; `unknown` is treated like "
        "`nonvolatile`. The heartbeat must be volatile.",
    )
    max_per_hour: Annotated[int, Field(ge=1, le=3600)] | None = Field(
        default=None, description="Most writes in an hour unless volatile; 12 if left out. A stop is always written."
    )
    max_per_day: Annotated[int, Field(ge=1, le=86400)] | None = Field(
        default=None, description="Most writes in a day unless volatile; 100 if left out. A stop is always written."
    )
    endurance_writes: Annotated[int, Field(ge=1000, le=10**9)] | None = Field(
        default=None,
        description="Writes that the memory endures by the maker's word. There are alarms at half and at 80 % of it.",
    )


class MqttKeys(Keys):
    """Where records and readings are published."""

    broker: Annotated[str, StringConstraints(pattern=r"^(embedded(:[0-9]{1,5})?|[A-Za-z0-9.-]+:[0-9]{1,5})$")] = Field(
        description="`embedded` starts a broker inside the daemon on the loopback address (`embedded:PORT` to "
        "choose its port, else 1883); `host:port` names a real one."
    )
    topic_root: Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9_-]+(/[A-Za-z0-9_-]+)*$", max_length=120)] = (
        Field(description="First levels of every topic.")
    )
    username: Text | None = Field(default=None, description="User name for the broker.")
    password_file: Text | None = Field(
        default=None,
        description="File that holds the password and nothing else. The password itself never stands here.",
    )
    tls_ca: Text | None = Field(
        default=None,
        description="Certificate file of the authority that signed the broker's certificate; turns TLS on.",
    )


class MetricsKeys(Keys):
    """Where Prometheus may fetch figures."""

    address: Host = Field(description="Address to listen on; 127.0.0.1 keeps it on this machine.")
    port: Port = Field(description="Port to listen on.")


class OfferedKeys(Keys):
    """The state as a Modbus TCP server for the plant's controller: docs/offered-registers.md has its map."""

    address: Host = Field(description="Address to listen on: that of the network in which the controller is.")
    port: Port = Field(description="Port to listen on. 502 is usual, and needs a right of its own below 1024.")
    unit_id: int = Field(default=1, ge=0, le=247, description="Unit id that is answered; 255 always is.")
    order: Literal["ABCD", "CDAB"] = Field(
        default="ABCD", description="Order of the bytes of values of two words, as the controller wants them."
    )
    clients: list[Text] = Field(
        default=[], max_length=16, description="IP addresses that are let in. Empty: all that reach the port."
    )
    allow: list[Literal["stop_feed", "hold_feed", "start_feed", "monitor_only", "select_mix"]] = Field(
        default=[],
        max_length=5,
        description="What the controller may ask for by writing. Empty: it only reads. Control is never enabled so.",
    )


class PublishKeys(Keys):
    """What goes out. Leave a table out and nothing goes that way."""

    mqtt: MqttKeys | None = Field(default=None, description="Publishing over MQTT.")
    metrics: MetricsKeys | None = Field(default=None, description="Figures for Prometheus.")
    modbus: OfferedKeys | None = Field(default=None, description="The state for the plant's controller.")


class SocketKeys(Keys):
    """The local socket by which the terminal view and the desk reach the daemon."""

    path: Text = Field(description="Unix socket. A relative path starts at the working folder.")


class JournalKeys(Keys):
    """Where the record is kept, and for how long."""

    folder: Text = Field(description="Folder of the journal. A relative path starts at the working folder.")
    image_days: Annotated[float, Field(ge=0.01, le=3650)] = Field(
        description="Raw images of every scan are kept for so many days."
    )
    record_days: Annotated[float, Field(ge=1, le=36500)] = Field(
        description="Parcels, events and settings are kept for so many days."
    )
    max_mb: Annotated[float, Field(ge=16, le=10_000_000)] = Field(
        description="Largest size [megabytes]; the oldest sealed segments of images go first."
    )
    backup_folder: Text | None = Field(
        default=None,
        description="Folder that `crumbmeter backup` writes to every night: control then tells when the newest good "
        "backup is older than 26 h.",
    )


class UnitsKeys(Keys):
    """How numbers are shown. Inside, and in every record, they are SI."""

    system: Literal["us", "metric"] = Field(
        description="`us`: short ton, lb/min, psi, degF. `metric`: tonne, kg/min, kPa, degC."
    )
