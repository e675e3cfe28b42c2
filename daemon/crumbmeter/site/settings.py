"""A site that has passed every check: frozen settings, built once, swapped whole, never changed."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from crumbmeter.control.params import Params
from crumbmeter.field.plan import EndpointLoad
from crumbmeter.field.spec import DeviceSpec
from crumbmeter.planning.conveying import LinePlan
from crumbmeter.process.dose import Mix
from crumbmeter.site.problems import Problem


@dataclass(frozen=True, slots=True)
class MqttSettings:
    """Where to publish over MQTT."""

    embedded: bool
    """Start an own broker on the loopback address."""
    host: str
    port: int
    topic_root: str
    username: str | None
    password_file: Path | None
    """Read at start only; the password itself is never kept in settings."""
    tls_ca: Path | None


@dataclass(frozen=True, slots=True)
class MetricsSettings:
    """Where Prometheus fetches figures."""

    address: str
    port: int


@dataclass(frozen=True, slots=True)
class OfferedSettings:
    """Where the plant's controller reads the state, and what it may ask for."""

    address: str
    port: int
    unit_id: int
    order: str
    """`ABCD` or `CDAB`."""
    clients: tuple[str, ...]
    """IP addresses that are let in; empty: all."""
    allow: tuple[str, ...]
    """Requests by name; empty: it only reads."""


@dataclass(frozen=True, slots=True)
class PublishSettings:
    """What goes out. None: nothing goes that way."""

    mqtt: MqttSettings | None
    metrics: MetricsSettings | None
    modbus: OfferedSettings | None = None


@dataclass(frozen=True, slots=True)
class DeskSettings:
    """Where people's browsers meet the plant, and who they are."""

    address: str
    port: int
    people: Path
    session_s: float
    """[s] Longest time of one login."""
    tls_certificate: Path | None
    """None: no TLS."""
    tls_key: Path | None
    behind_proxy: bool
    quality_plan: Path | None = None
    """None: everything about quality as by default."""

    @property
    def quality_folder(self) -> Path:
        """Return where the quality record lies: beside the file of people, where the desk may write."""
        return self.people.parent


@dataclass(frozen=True, slots=True)
class JournalSettings:
    """Where the record is kept, and for how long."""

    folder: Path
    image_days: float
    record_days: float
    max_bytes: int
    backup_folder: Path | None = None
    """Where the nightly backup goes; None: nobody watches over one."""


@dataclass(frozen=True, slots=True)
class NormalRates:
    """What the plant normally runs at; for figures shown to people, never for control."""

    flows_kg_s: tuple[float | None, ...]
    """[kg/s] As indicated, in the order of the streams; None for binder."""
    lowest: float
    """Lowest rate, as a fraction of the normal one."""
    highest: float


@dataclass(frozen=True, slots=True)
class SourceFile:
    """One file of the site, byte for byte."""

    name: str
    """`site.toml`, or `devices/NAME.toml`: the same wherever the files lie."""
    content: bytes


@dataclass(frozen=True, slots=True)
class Site:
    """All settings of one site. The core takes `params`; the rest belongs to the runtime and the adapters."""

    path: Path
    title: str
    params: Params
    devices: tuple[DeviceSpec, ...]
    device_profiles: tuple[str, ...]
    """Name of each device's profile, in the order of the devices."""
    registers: tuple[str, ...]
    """`device.register` of each signal, in the order of the signals."""
    output_registers: tuple[str, ...]
    """`device.register` of each output, in the order of the outputs."""
    publish: PublishSettings
    journal: JournalSettings
    socket: Path
    desk: DeskSettings
    units: Literal["us", "metric"]
    """For showing only."""
    clock_rate: float
    """Process time per real time; 1 unless simulated."""
    loads: tuple[EndpointLoad, ...]
    """Estimated load of each endpoint with reads alone (REQ-39)."""
    normal: NormalRates
    line_plan: LinePlan | None
    """For figures shown to people, never for control."""
    files: tuple[SourceFile, ...]
    """Verbatim, for the journal."""
    settings_id: str
    """SHA-256 over names and bytes of `files`."""
    warnings: tuple[Problem, ...]
    batches: Mapping[str, tuple[Mix, ...]] = field(default_factory=dict)
    """[kg] By mix: the smallest, the normal and the largest batch; for figures shown to people. Empty: a drum plant."""
