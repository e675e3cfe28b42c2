"""Nodes of an OPC UA profile, read with the simulator's own eyes. A node has its number in a bank as a register has.

The bank beneath knows four tables and nothing of OPC UA: numbers lie in `holding`, booleans in `coil`, each at the next
free address. Nobody sees these addresses; all that a bank can do (rules, records, playback) serves nodes as well.
"""

import re
from typing import Any

from crumbmeter_sim.codec import WORDS, Register
from crumbmeter_sim.units import FACTORS

KINDS = {
    "boolean": "bit", "int16": "i16", "uint16": "u16", "int32": "i32", "uint32": "u32", "int64": "i64", "uint64": "u64",
    "float": "f32", "double": "f64",
}  # fmt: skip
"""Kind of the bank's register by the built-in type's name (OPC 10000-6, 5.1.2)."""
_IDENTIFIER = re.compile(r"i=\d{1,10}|s=.+|g=[0-9A-Fa-f]{8}(-[0-9A-Fa-f]{4}){3}-[0-9A-Fa-f]{12}|b=[A-Za-z0-9+/]+=*")
_KEYS = {"node", "type", "scale", "offset", "unit", "sentinels", "inverted", "writable", "title"}


def read_nodes(table: dict[str, Any], problems: list[str]) -> tuple[dict[str, Register], dict[str, str]]:
    """Read the registers of an OPC UA profile.

    Args:
        table: The whole profile.
        problems: Gets a line for each thing that is wrong.

    Returns:
        Registers by name, and by the same name the identifier of each node as the profile writes it.
    """
    if not re.match(r"[A-Za-z][A-Za-z0-9+.-]*:\S+$", str(table.get("namespace", ""))):
        problems.append(f"  namespace = {table.get('namespace')!r}: expected a URI, as urn:maker:instrument")
    registers: dict[str, Register] = {}
    nodes: dict[str, str] = {}
    free = {"holding": 0, "coil": 0}
    for name, entry in table.get("registers", {}).items():
        found = _problems_of(name, entry)
        if entry.get("node") in nodes.values():
            found.append(f"  registers.{name}.node = {entry['node']!r}: another register has this node")
        if found:
            problems.extend(found)
            continue
        kind = KINDS[entry["type"]]
        place = "coil" if kind == "bit" else "holding"
        registers[name] = Register(
            name=name, table=place, address=free[place], kind=kind, scale=float(entry.get("scale", 1.0)),
            offset=float(entry.get("offset", 0.0)), unit=str(entry.get("unit", "count")),
            sentinels=tuple(entry.get("sentinels", ())), inverted=bool(entry.get("inverted", False)),
            writable=bool(entry.get("writable", False)),
        )  # fmt: skip
        nodes[name] = str(entry["node"])
        free[place] += WORDS[kind]
    return registers, nodes


def _problems_of(name: str, entry: dict[str, Any]) -> list[str]:
    where = f"  registers.{name}"
    problems = [f"{where}.{key}: unknown key" for key in entry if key not in _KEYS]
    if not _IDENTIFIER.fullmatch(str(entry.get("node"))):
        problems.append(f"{where}.node = {entry.get('node')!r}: expected i=NUMBER, s=TEXT, g=GUID or b=BASE64")
    for key, allowed, default in (("type", tuple(KINDS), None), ("unit", tuple(FACTORS), "count")):
        value = entry.get(key, default)
        if value not in allowed:
            problems.append(f"{where}.{key} = {value!r}: expected one of {', '.join(allowed)}")
    return problems
