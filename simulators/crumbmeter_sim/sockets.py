"""Where masters find the plant's devices, as the plant file says it: servers, and lines that several share."""

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, slots=True)
class SecurityTruth:
    """An OPC UA device that lets only signed (or signed and encrypted) connections in: Basic256Sha256."""

    certificate: str
    """DER or PEM file, seen from the plant file."""
    private_key: str
    application_uri: str = "urn:crumbmeter:simulator"
    """As the certificate has it among its alternative names."""


@dataclass(frozen=True, slots=True)
class ServerTruth:
    """One device: which profile it follows and what stands behind its registers."""

    name: str
    profile: str
    points: dict[str, str]
    unit_id: int | None = None
    """Of a Modbus device."""
    port: int = 0
    bus: str = ""
    """The line that it hangs on, in place of a port of its own."""
    protocol: Literal["modbus", "opcua"] = "modbus"
    security: SecurityTruth | None = None


@dataclass(frozen=True, slots=True)
class BusTruth:
    """A line with several units on it: a gateway, RTU over TCP, or a serial line."""

    name: str
    framing: Literal["tcp", "rtu_over_tcp", "rtu"]
    port: int = 0
    path: str = ""
    """Of a serial line: the link under which masters find the terminal; its name where this is left out."""
    turnaround_s: float = 0.0
    baud: int = 0
    silent_s: float = 0.0
    """How long a gateway waits for a unit that does not answer (then exception 0B, or with RTU nothing)."""
