"""The OPC UA servers of a plant: devices share one as far as their namespaces and certificates let them.

A server of its own for each device would cost a second and 40 MB each. So all nodes stand in one address space, as in
an aggregating server (OPC 10000-1, 6.3), and each device has its own port before it, which opens and closes alone.
"""

import logging
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC
from typing import Any

from asyncua import ua
from asyncua.common.callback import CallbackType
from asyncua.server.server import Server
from asyncua.ua.attribute_ids import AttributeIds

from crumbmeter_sim.actions import Link
from crumbmeter_sim.codec import Register
from crumbmeter_sim.opcua.relay import Relay
from crumbmeter_sim.opcua.variable import AnyBank, Variable
from crumbmeter_sim.sockets import SecurityTruth

_PRODUCT = "urn:crumbmeter:simulator"


@dataclass(slots=True)
class _Room:
    """One server and what is in it."""

    security: SecurityTruth | None
    devices: dict[str, AnyBank] = field(default_factory=dict)
    server: Server | None = None
    variables: dict[ua.NodeId, Variable] = field(default_factory=dict)

    def takes(self, bank: AnyBank, security: SecurityTruth | None) -> bool:
        """Tell whether a device can live here: under the same certificate, and with a namespace of its own."""
        there = {one.profile.namespace for one in self.devices.values()}
        return self.security == security and bank.profile.namespace not in there


class House:
    """All OPC UA devices of a plant, by name."""

    def __init__(self, host: str, before: Callable[[], None], stamp: Callable[[], float]) -> None:
        self._host = host
        self._before = before
        self._stamp = stamp
        self._rooms: list[_Room] = []
        self._relays: dict[str, tuple[Relay, _Room]] = {}
        self._started = False

    def add(self, name: str, port: int, bank: AnyBank, link: Link, security: SecurityTruth | None) -> None:
        """Add a device at a port of its own; 0 for any free one."""
        for room in self._rooms:
            if room.takes(bank, security):
                break
        else:
            room = _Room(security)
            self._rooms.append(room)
        room.devices[name] = bank
        self._relays[name] = (Relay(self._host, port, link), room)

    @property
    def ports(self) -> dict[str, int]:
        """TCP ports by device name; known once `follow` has opened them."""
        return {name: relay.gate.port for name, (relay, _) in self._relays.items() if relay.gate.port}

    async def follow(self) -> None:
        """Open or close each port as its link demands, and let subscribers see what has changed."""
        if not self._started:
            self._started = True
            logging.getLogger("asyncua").setLevel(logging.ERROR)
            for room in self._rooms:
                await self._start(room)
        for relay, _ in self._relays.values():
            relay.follow()
        for room in self._rooms:
            await self._tell(room, room.variables)

    async def close(self) -> None:
        """Close all."""
        for relay, _ in self._relays.values():
            relay.close()
        for room in self._rooms:
            if room.server is not None:
                await room.server.stop()
                room.server = None

    async def _start(self, room: _Room) -> None:
        server = Server()
        await server.init()
        server.set_server_name("Simulated plant (SIMULATED)")
        server.product_uri = _PRODUCT
        server.set_endpoint("opc.tcp://127.0.0.1:0/")
        server.set_security_policy([ua.SecurityPolicyType.NoSecurity])
        if room.security is not None:
            await server.set_application_uri(room.security.application_uri)
            await server.load_certificate(room.security.certificate)
            await server.load_private_key(room.security.private_key)
            server.set_security_policy(
                [
                    ua.SecurityPolicyType.Basic256Sha256_SignAndEncrypt,
                    ua.SecurityPolicyType.Basic256Sha256_Sign,
                ]
            )
        else:
            await server.set_application_uri(_PRODUCT)
        for name, bank in room.devices.items():
            await self._furnish(server, room, name, bank)
        self._listen(server, room)
        await self._tell(room, room.variables, server)
        await server.start()
        room.server = server
        assert server.bserver is not None  # noqa: S101 - it is made by `start`
        for relay, other in self._relays.values():
            if other is room:
                relay.inner_port = server.bserver.port

    @staticmethod
    async def _furnish(server: Server, room: _Room, name: str, bank: AnyBank) -> None:
        """Put a device's folder and nodes into the address space."""
        profile = bank.profile
        index = await server.register_namespace(profile.namespace)
        folder = await server.nodes.objects.add_folder(
            ua.NodeId.from_string(f"ns={index};s=device:{name}"), f"{index}:{name}"
        )
        for register in profile.registers.values():
            variable = Variable(bank, register)
            node_id = ua.NodeId.from_string(f"ns={index};{profile.nodes[register.name]}")
            first = ua.Variant(0 if register.kind != "bit" else False, variable.type)
            node = await folder.add_variable(node_id, f"{index}:{register.name}", first)
            await node.write_attribute(AttributeIds.Description, ua.DataValue(_description(register)))
            if register.writable:
                await node.set_writable()
            room.variables[node_id] = variable

    def _listen(self, server: Server, room: _Room) -> None:
        """Bring the plant up to the moment before each request of a client, and hand on what it writes."""

        async def reads(event: Any, _service: Any) -> None:
            asked = [one.NodeId for one in event.request_params.NodesToRead if one.NodeId in room.variables]
            if event.is_external and asked:  # what a client reads of the server itself is not about the plant
                self._before()
                await self._tell(room, {key: room.variables[key] for key in asked})

        async def writes(event: Any, _service: Any) -> None:
            if not event.is_external:
                return
            self._before()
            for place, (one, result) in enumerate(
                zip(event.request_params.NodesToWrite, event.response_params, strict=True)
            ):
                variable = room.variables.get(one.NodeId)
                if variable is None or one.AttributeId != AttributeIds.Value or not result.is_good():
                    continue
                variable.forget()
                event.response_params[place] = ua.StatusCode(ua.UInt32(variable.take(one.Value)))
                await self._tell(room, {one.NodeId: variable}, server)

        server.subscribe_server_callback(CallbackType.PreRead, reads)
        server.subscribe_server_callback(CallbackType.PostWrite, writes)

    async def _tell(self, room: _Room, variables: dict[ua.NodeId, Variable], server: Server | None = None) -> None:
        """Put into the address space what has changed; its subscribers hear of it."""
        told = server or room.server
        if told is None:
            return
        stamp: ua.DateTime | None = None
        for node_id, variable in variables.items():
            if variable.changed():
                stamp = stamp or ua.DateTime.fromtimestamp(self._stamp(), UTC)
                await told.write_attribute_value(node_id, variable.value(stamp))


def _description(register: Register) -> ua.Variant:
    return ua.Variant(ua.LocalizedText(f"{register.name} [{register.unit}]"), ua.VariantType.LocalizedText)
