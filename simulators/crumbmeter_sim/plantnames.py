"""Names within a plant file: servers, lines, counters and loops must agree."""

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from crumbmeter_sim.plantfile import WorksTruth


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
    for kind, named in (
        ("bus", [bus.name for bus in truth.bus]),
        ("pulses", [counter.name for counter in truth.pulses]),
        ("loops", [loop.name for loop in truth.loops]),
    ):
        if len(set(named)) != len(named):
            problems.append(f"  {kind}: two of one name")
    return problems
