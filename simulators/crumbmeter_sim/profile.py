"""Device profiles (config/devices/*.toml), read with the simulator's own eyes."""

from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from crumbmeter_sim.codec import BIT_TABLES, ORDERS, TABLES, WORDS, Register
from crumbmeter_sim.loader import FileRefusedError, read_toml
from crumbmeter_sim.opcua.nodes import read_nodes
from crumbmeter_sim.units import FACTORS

if TYPE_CHECKING:
    from crumbmeter_sim.sockets import ServerTruth

_DIGITS = {"0": "coil", "1": "discrete", "3": "input", "4": "holding"}
_KEYS = {"table", "address", "type", "order", "bit", "scale", "offset", "unit", "sentinels", "inverted", "writable"} | {
    "mask", "characters", "raw_low", "raw_high", "eng_low", "eng_high", "live_zero", "scale_register",
    "decimals_register", "atomic_with",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Profile:
    """One kind of device: its registers and how much it answers at a time."""

    name: str
    registers: dict[str, Register]
    max_words: int
    max_bits: int
    forbidden: dict[str, tuple[tuple[int, int], ...]] = field(default_factory=dict)
    """By table: first and last address of stretches that are not answered."""
    protocol: str = "modbus"
    namespace: str = ""
    """URI under which an OPC UA server has its nodes."""
    nodes: dict[str, str] = field(default_factory=dict)
    """Identifiers of its nodes, by register."""


def load_profile(path: Path) -> Profile:
    """Read a profile, or raise FileRefusedError with all that is wrong in it."""
    table = read_toml(path)
    problems: list[str] = []
    notation = table.get("notation", "offset")
    registers: dict[str, Register] = {}
    nodes: dict[str, str] = {}
    protocol = table.get("protocol", "modbus")
    if protocol == "opcua":
        registers, nodes = read_nodes(table, problems)
    elif protocol != "modbus":
        problems.append(f"  protocol = {protocol!r}: expected modbus or opcua")
    for name, entry in table.get("registers", {}).items() if protocol == "modbus" else ():
        register = _register(name, entry, notation, problems)
        if register is not None:
            registers[name] = register
    if not registers and not problems:
        problems.append("  registers: none")
    if problems:
        raise FileRefusedError(path, problems)
    return Profile(
        name=str(table.get("profile", path.stem)),
        registers=registers,
        max_words=int(table.get("max_words", 125)),
        max_bits=int(table.get("max_bits", 2000)),
        forbidden=_forbidden(table.get("forbidden", {}), notation),
        protocol=str(protocol),
        namespace=str(table.get("namespace", "")),
        nodes=nodes,
    )


def load_profile_of(server: "ServerTruth", devices: Path) -> Profile:
    """Read the profile of a server, or raise FileRefusedError; it must be one for the server's protocol."""
    path = devices / f"{server.profile}.toml"
    profile = load_profile(path)
    if profile.protocol != server.protocol:
        told = f"  protocol = {profile.protocol!r}: server {server.name} of the plant is one of {server.protocol!r}"
        raise FileRefusedError(path, [told])
    return profile


def _forbidden(tables: dict[str, Any], notation: str) -> dict[str, tuple[tuple[int, int], ...]]:
    """Read stretches, each one address or [first, last], in the profile's notation."""
    found = {}
    for table, stretches in tables.items():
        ends = [tuple(s) if isinstance(s, list) else (s, s) for s in stretches]
        pairs = [(_address(str(first), table, notation), _address(str(last), table, notation)) for first, last in ends]
        found[table] = tuple((first, last) for first, last in pairs if first is not None and last is not None)
    return found


def _scaling(entry: dict[str, Any]) -> tuple[float, float]:
    """Return scale and offset, also where two points are given."""
    if "raw_low" not in entry:
        return float(entry.get("scale", 1.0)), float(entry.get("offset", 0.0))
    scale = (entry["eng_high"] - entry["eng_low"]) / (entry["raw_high"] - entry["raw_low"])
    return scale, entry["eng_low"] - scale * entry["raw_low"]


def _register(name: str, entry: dict[str, Any], notation: str, problems: list[str]) -> Register | None:
    where = f"  registers.{name}"
    found = len(problems)
    problems.extend(f"{where}.{key}: unknown key" for key in entry if key not in _KEYS)
    choices = (
        ("table", TABLES, None),
        ("type", tuple(WORDS), None),
        ("order", ORDERS, "ABCD"),
        ("unit", tuple(FACTORS), "count"),
    )
    for key, allowed, default in choices:
        value = entry.get(key, default)
        if value not in allowed:
            problems.append(f"{where}.{key} = {value!r}: expected one of {', '.join(allowed)}")
    if len(problems) > found:
        return None
    address = _address(str(entry.get("address")), str(entry["table"]), notation)
    if address is None:
        problems.append(f"{where}.address = {entry.get('address')!r}: not an address in notation {notation}")
        return None
    if entry["table"] in BIT_TABLES and entry["type"] != "bit":
        problems.append(f"{where}.type: a table of bits holds bits only")
        return None
    scale, offset = _scaling(entry)
    return Register(
        name=name,
        table=str(entry["table"]),
        address=address,
        kind=str(entry["type"]),
        order=str(entry.get("order", "ABCD")),
        bit=entry.get("bit"),
        scale=scale,
        offset=offset,
        unit=str(entry.get("unit", "count")),
        sentinels=tuple(entry.get("sentinels", ())),
        inverted=bool(entry.get("inverted", False)),
        writable=bool(entry.get("writable", False)),
        mask=entry.get("mask"),
        characters=int(entry.get("characters", 0)),
        power=entry.get("scale_register"),
        decimals=entry.get("decimals_register"),
    )


def _address(text: str, table: str, notation: str) -> int | None:
    """Turn a written address into the PDU offset; None where it does not fit the notation or the table."""
    try:
        if notation == "hex":
            offset = int(text, 16)
        elif notation == "offset":
            offset = int(text)
        else:
            digits = text.zfill({"modicon5": 5, "modicon6": 6}[notation])
            offset = int(digits[1:]) - 1 if _DIGITS.get(digits[0]) == table else -1
    except (ValueError, KeyError):
        return None
    return offset if 0 <= offset <= 0xFFFF else None
