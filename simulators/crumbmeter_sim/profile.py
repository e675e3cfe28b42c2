"""Device profiles (config/devices/*.toml), read with the simulator's own eyes."""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from crumbmeter_sim.codec import BIT_TABLES, ORDERS, TABLES, WORDS, Register
from crumbmeter_sim.loader import FileRefusedError, read_toml
from crumbmeter_sim.units import FACTORS

_DIGITS = {"0": "coil", "1": "discrete", "3": "input", "4": "holding"}
_KEYS = {"table", "address", "type", "order", "bit", "scale", "offset", "unit", "sentinels", "inverted", "writable"}


@dataclass(frozen=True, slots=True)
class Profile:
    """One kind of device: its registers and how much it answers at a time."""

    name: str
    registers: dict[str, Register]
    max_words: int
    max_bits: int


def load_profile(path: Path) -> Profile:
    """Read a profile, or raise FileRefusedError with all that is wrong in it."""
    table = read_toml(path)
    problems: list[str] = []
    notation = table.get("notation", "offset")
    registers: dict[str, Register] = {}
    for name, entry in table.get("registers", {}).items():
        register = _register(name, entry, notation, problems)
        if register is not None:
            registers[name] = register
    if not registers:
        problems.append("  registers: none")
    if problems:
        raise FileRefusedError(path, problems)
    return Profile(
        name=str(table.get("profile", path.stem)),
        registers=registers,
        max_words=int(table.get("max_words", 125)),
        max_bits=int(table.get("max_bits", 2000)),
    )


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
    return Register(
        name=name,
        table=str(entry["table"]),
        address=address,
        kind=str(entry["type"]),
        order=str(entry.get("order", "ABCD")),
        bit=entry.get("bit"),
        scale=float(entry.get("scale", 1.0)),
        offset=float(entry.get("offset", 0.0)),
        unit=str(entry.get("unit", "count")),
        sentinels=tuple(entry.get("sentinels", ())),
        inverted=bool(entry.get("inverted", False)),
        writable=bool(entry.get("writable", False)),
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
