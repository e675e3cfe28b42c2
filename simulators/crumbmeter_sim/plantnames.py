"""Names within a plant file: servers, lines, counters and loops must agree."""

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

if TYPE_CHECKING:
    from crumbmeter_sim.plantfile import WorksTruth
    from crumbmeter_sim.sockets import ServerTruth

T = TypeVar("T", bound="WorksTruth")


def problems_of_names(truth: "WorksTruth") -> list[str]:
    """Return which names of servers, lines, counters and loops do not agree."""
    buses = {bus.name for bus in truth.bus}
    names = {server.name for server in truth.server}
    problems = [] if len(names) == len(truth.server) else ["  server: two servers of one name"]
    problems += [
        f"  server {server.name}: needs a port, or a bus that there is (have: {', '.join(sorted(buses)) or 'none'})"
        for server in truth.server
        if (server.bus and server.bus not in buses) or bool(server.bus) == bool(server.port)
    ]
    problems += [problem for server in truth.server for problem in _problems_of_protocol(server)]
    for kind, named in (
        ("bus", [bus.name for bus in truth.bus]),
        ("pulses", [counter.name for counter in truth.pulses]),
        ("loops", [loop.name for loop in truth.loops]),
    ):
        if len(set(named)) != len(named):
            problems.append(f"  {kind}: two of one name")
    return problems


def _problems_of_protocol(server: "ServerTruth") -> list[str]:
    if server.protocol == "modbus":
        problems = [] if server.unit_id is not None else ["unit_id: missing"]
        return [f"  server {server.name}.{problem}" for problem in problems] + (
            [f"  server {server.name}.security: Modbus has none"] if server.security is not None else []
        )
    only = {"unit_id": server.unit_id is not None, "bus": bool(server.bus)}
    return [f"  server {server.name}.{key}: OPC UA has none" for key, given in only.items() if given]


def with_files_found(truth: T, path: Path) -> T:
    """Return a plant whose certificate files are named from where the program runs, not from the plant file."""
    return replace(truth, server=tuple(_found(server, path.parent) for server in truth.server))


def _found(server: "ServerTruth", folder: Path) -> "ServerTruth":
    secure = server.security
    if secure is None:
        return server
    files = {"certificate": secure.certificate, "private_key": secure.private_key}
    return replace(server, security=replace(secure, **{key: str(folder / name) for key, name in files.items()}))
