"""Whether a scenario and a plant fit: all that it asks for and the plant cannot do, at once."""

from pathlib import Path

from crumbmeter_sim.faults.kinds import Framing, problems_of
from crumbmeter_sim.loader import FileRefusedError
from crumbmeter_sim.mischief import fault_of
from crumbmeter_sim.plantfile import WorksTruth
from crumbmeter_sim.profile import load_profile
from crumbmeter_sim.scenario import Scenario


def refuse_wrong(
    scenario: Scenario, truth: WorksTruth, devices: Path, names: dict[str, set[str]], foreign: frozenset[str]
) -> None:
    """Refuse a scenario that asks of its plant what that cannot do.

    Args:
        scenario: As it was read.
        truth: Its plant.
        devices: Folder of the device profiles.
        names: More names that the plant knows, by the key that gives one.
        foreign: Verbs of another kind of plant.

    Raises:
        FileRefusedError: with every problem found.
    """
    problems = check_names(scenario, truth, names)
    problems += [
        f"  {step.do} at t_s = {step.t_s}: this kind of plant cannot do that"
        for step in scenario.at
        if step.do in foreign
    ]
    problems = problems or [*check_registers(scenario, truth, devices), *check_faults(scenario, truth)]
    if problems:
        raise FileRefusedError(scenario.path, problems)


def check_names(scenario: Scenario, truth: WorksTruth, names: dict[str, set[str]]) -> list[str]:
    """Return what a scenario names that its plant does not have."""
    known = {
        **names,
        "server": {server.name for server in truth.server},
        "mix": set(truth.mixes),
        "counter": {counter.name for counter in truth.pulses},
        "loop": {loop.name for loop in truth.loops},
    }
    return [
        f"  {step.do} at t_s = {step.t_s}: the plant has no {key} named {step.values[key]!r}"
        f" (has: {', '.join(sorted(there))})"
        for step in scenario.at
        for key, there in known.items()
        if key in step.values and step.values[key] not in there
    ]


def check_registers(scenario: Scenario, truth: WorksTruth, devices: Path) -> list[str]:
    """Return what a scenario names that the profile of its server does not have."""
    profiles = {s.name: load_profile(devices / f"{s.profile}.toml").registers for s in truth.server}
    return [
        f"  {step.do} at t_s = {step.t_s}: {step.values['server']} has no register {step.values[key]!r}"
        f" (has: {', '.join(sorted(profiles[step.values['server']]))})"
        for step in scenario.at
        for key in ("register", "point")
        if "server" in step.values and key in step.values and step.values[key] not in profiles[step.values["server"]]
    ]


def check_faults(scenario: Scenario, truth: WorksTruth) -> list[str]:
    """Return which faults of the wire a scenario asks for that the line of their server cannot have."""
    lines = {bus.name: bus.framing for bus in truth.bus}
    framings: dict[str, Framing] = {
        server.name: "tcp" if lines.get(server.bus, "tcp") == "tcp" else "rtu" for server in truth.server
    }
    opcua = {server.name for server in truth.server if server.protocol == "opcua"}
    problems = [
        f"  {step.do} at t_s = {step.t_s}: {step.values['server']} speaks OPC UA; faults of the wire are for Modbus"
        for step in scenario.at
        if step.do == "fault" and step.values["server"] in opcua
    ]
    return problems or [
        f"  {step.do} at t_s = {step.t_s}: {problem}"
        for step in scenario.at
        if step.do == "fault"
        for problem in problems_of(fault_of(step), framings[step.values["server"]])
    ]
