"""`crumbmeter browse`: what an OPC UA server has, and a draft of the device profile made of it. Only reads."""

import asyncio
import json
import re
import sys
from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Final
from urllib.parse import urlsplit

from crumbmeter.cli.check_text import table
from crumbmeter.cli.exits import OK, REFUSED
from crumbmeter.field.opcua import NAMES
from crumbmeter.field.spec import DeviceSpec, OpcuaSecurity, OpcuaSpec, Transport
from crumbmeter.model.faults import ReconnectError
from crumbmeter.model.units import UNITS

if TYPE_CHECKING:
    from crumbmeter.adapters.opcua_browse import Variable

NO_SERVER: Final = 3
"""The server was not reached, or refused."""


def browse(
    url: str,
    security: OpcuaSecurity,
    *,
    contains: str = "",
    namespace: str = "",
    to: Path | None = None,
    as_json: bool = False,
) -> int:
    """List the variables of a server.

    Args:
        url: `opc.tcp://host:port/path`.
        security: How the connection is to be protected.
        contains: Only variables whose path contains this, in whatever letters.
        namespace: Only variables of the namespace with this URI.
        to: Write a draft of a device profile to this file.
        as_json: Print JSON.

    Returns:
        Exit code: 0 listed, 2 refused, 3 the server was not reached.
    """
    device = device_at(url, security)
    if device is None:
        return _say(f"{url}: give the server as opc.tcp://host:port/path", REFUSED)
    if to is not None and to.exists():
        return _say(f"{to} is there already", REFUSED)
    from crumbmeter.adapters import opcua, opcua_browse  # noqa: PLC0415 - only this command needs them

    opcua.silence_library()
    try:
        found = asyncio.run(opcua_browse.browse(device, lambda path: contains.lower() in path.lower()))
    except ReconnectError as fault:
        return _say(str(fault), NO_SERVER)
    found = tuple(one for one in found if namespace in ("", one.namespace))
    if as_json:
        sys.stdout.write(json.dumps([{**asdict(one), "node": one.node} for one in found], indent=2) + "\n")
    else:
        sys.stdout.write(variables_text(found))
    if to is not None:
        to.write_text(profile_text(to.stem, found, url), encoding="utf-8")
        sys.stdout.write(
            f"\nA draft of a device profile is in {to}: give every value its unit, then take out the rest.\n"
        )
    return OK


def device_at(url: str, security: OpcuaSecurity) -> DeviceSpec | None:
    """Describe the server at an address; None where it is none."""
    try:
        parts = urlsplit(url)
        host, port = parts.hostname, parts.port or 4840
    except ValueError:
        return None
    if parts.scheme != "opc.tcp" or not host or parts.username is not None:
        return None
    return DeviceSpec(
        device_id="server", host=host, port=port, unit_id=0, timeout_s=5.0, read_retries=0, connect_timeout_s=10.0,
        backoff_min_s=1.0, backoff_max_s=1.0, max_words=125, max_bits=2000, max_gap=0, request_gap_s=0.0,
        transport=Transport.OPCUA, opcua=OpcuaSpec(parts.path.rstrip("/"), security=security),
    )  # fmt: skip


def variables_text(found: Sequence["Variable"]) -> str:
    """Write the variables as a table, namespaces first."""
    if not found:
        return "The server shows no such variable.\n"
    spaces = list(dict.fromkeys(one.namespace for one in found))
    rows = [["variable", "node", "type", "value", "status", "unit", "writable"]]
    for one in found:
        node = f"{spaces.index(one.namespace) + 1}) {one.identifier}"
        rows.append(
            [one.path, node, one.type_name or "-", one.value, one.status, one.unit, "yes" if one.writable else ""]
        )
    listed = "\n".join(f"  {place}) {space}" for place, space in enumerate(spaces, 1))
    return f"Namespaces\n{listed}\n\n{table(rows, 'lllrll')}\n"


def profile_text(name: str, found: Sequence["Variable"], url: str) -> str:
    """Write the draft of a profile: the variables that can be values, of the namespace that has most of them."""
    fit = [one for one in found if one.type_name in NAMES]
    counts = Counter(one.namespace for one in fit)
    space = counts.most_common(1)[0][0] if counts else "urn:none"
    profile = _name(name)
    lines = [
        f"# Draft made by crumbmeter browse {url}; not checked against any document.",
        f"profile = {_text(profile)}",
        'title = "Server as browsed: say here what it is, and the revision of its document"',
        'protocol = "opcua"',
        f"namespace = {_text(space)}",
    ]
    others = [f"{other} ({count} values)" for other, count in counts.items() if other != space]
    lines += [f"# Not in this profile, for it has one namespace: {other}" for other in others]
    used: set[str] = set()
    for one in fit:
        if one.namespace == space:
            lines += _register(one, used)
    return "\n".join(lines) + "\n"


def _register(one: "Variable", used: set[str]) -> list[str]:
    wanted = _name(one.path.rpartition("/")[2])
    if wanted in used:
        wanted = _name("_".join(one.path.split("/")[-2:]))
    name, number = wanted, 2
    while name in used:
        name, number = f"{wanted[:36]}_{number}", number + 1
    used.add(name)
    lines = ["", f"[registers.{name}]", f"# {one.path}, was {one.value} ({one.status})"[:110]]
    lines += [f"node = {_text(one.identifier)}", f'type = "{one.type_name}"']
    if one.type_name == "boolean":
        lines.append('unit = "contact"')
    elif one.unit in UNITS and UNITS[one.unit].dimension != "contact":
        lines.append(f"unit = {_text(one.unit)}")
    else:
        said = f"the server says {_text(one.unit)}" if one.unit else "the server gives none"
        lines.append(f'unit = "count"   # {said}: put in its unit')
    if one.writable:
        lines.append("# The server lets this user write it. Say writable = true only for what an output is to write.")
    return lines


def _name(text: str) -> str:
    parted = re.sub(r"(?<=[a-z0-9])(?=[A-Z])", "_", text)
    plain = re.sub(r"[^a-z0-9]+", "_", parted.lower()).strip("_")
    return (plain if plain[:1].isalpha() else f"v_{plain}")[:40].rstrip("_")


def _text(value: str) -> str:
    return json.dumps(value, ensure_ascii=False)


def _say(words: str, code: int) -> int:
    sys.stderr.write(f"{words}\n")
    return code
