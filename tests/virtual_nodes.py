"""Nodes of the simulated plant on virtual time: its OPC UA variables and the daemon's codec, without a session."""

from collections.abc import Mapping
from datetime import UTC

from asyncua import ua

from crumbmeter.adapters.opcua_session import node_value
from crumbmeter.field.opcua import WORDS, value_of, words_of_node
from crumbmeter.field.spec import DeviceSpec, RegisterSpec
from crumbmeter_sim.device.unruly import UnrulyBank
from crumbmeter_sim.opcua.variable import Variable

Nodes = Mapping[int, tuple[RegisterSpec, Variable]]
"""By the daemon's own address."""
STAMP = ua.DateTime(2026, 1, 1, tzinfo=UTC)


def nodes_of(device: DeviceSpec, bank: UnrulyBank) -> Nodes:
    """Return a device's nodes; none where it speaks Modbus."""
    if device.opcua is None:
        return {}
    profile = bank.profile
    names = {f"nsu={profile.namespace};{node}": name for name, node in profile.nodes.items()}
    return {spec.address: (spec, Variable(bank, profile.registers[names[spec.node]])) for spec in device.opcua.nodes}


def shown(nodes: Nodes, address: int, count: int) -> tuple[int, ...]:
    """Return the words of a block of nodes, as the daemon's link makes them of what the server sends."""
    words = [0] * count
    for at in range(address, address + count, WORDS):
        if at in nodes:
            spec, variable = nodes[at]
            variable.changed()
            words[at - address : at - address + WORDS] = words_of_node(spec, node_value(variable.value(STAMP)))
    return tuple(words)


def put(register: RegisterSpec, words: tuple[int, ...], nodes: Nodes) -> None:
    """Write a node as the very type that the profile gives it."""
    number, value = value_of(register, words)
    _, variable = nodes[register.address]
    code = variable.take(ua.DataValue(ua.Variant(value, ua.VariantType(number))))
    assert code == 0, ua.StatusCode(ua.UInt32(code))
