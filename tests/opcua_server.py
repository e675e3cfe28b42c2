"""An OPC UA server in a process of its own, told what to do by a test: `python -m tests.opcua_server '{...}'`.

It says one line of JSON when it listens, and answers each line of JSON that it is given with one line.
"""

import asyncio
import contextlib
import json
import logging
import os
import signal
import subprocess
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from asyncua import ua
from asyncua.crypto.permission_rules import User, UserRole
from asyncua.crypto.truststore import TrustStore
from asyncua.crypto.validator import CertificateValidator, CertificateValidatorOptions
from asyncua.server.server import Server
from asyncua.server.user_managers import UserManager
from asyncua.ua.attribute_ids import AttributeIds

from crumbmeter.field.opcua import NAMES, WORDS, node_register
from crumbmeter.field.spec import DeviceSpec, OpcuaSpec, RegisterSpec, Transport
from tests.fakes import device_spec

ROOT = Path(__file__).parents[1]
NAMESPACE = "urn:crumbmeter:test:plant"


class ServerProcess:
    """One such process."""

    def __init__(self, nodes: dict[str, dict[str, Any]], **settings: Any) -> None:
        self.settings = {"nodes": nodes, "namespace": NAMESPACE, **settings}
        self.port = 0
        self._process: subprocess.Popen[str] | None = None

    def start(self) -> None:
        """Start it, at the same port as before if it ran already; return when it listens."""
        said = json.dumps({**self.settings, "port": self.port})
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.opcua_server", said],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=ROOT,
            env={**os.environ, "PYTHONPATH": os.pathsep.join([str(ROOT), os.environ.get("PYTHONPATH", "")])},
        )  # fmt: skip
        self.port = self._answer()["port"]

    def _answer(self) -> dict[str, Any]:
        assert self._process is not None
        assert self._process.stdout is not None
        line = self._process.stdout.readline()
        assert line, "the server has ended"
        answer: dict[str, Any] = json.loads(line)
        assert "error" not in answer, answer
        return answer

    def do(self, what: str, **details: Any) -> dict[str, Any]:
        """Have something done."""
        assert self._process is not None
        assert self._process.stdin is not None
        self._process.stdin.write(json.dumps({"do": what, **details}) + "\n")
        self._process.stdin.flush()
        return self._answer()

    def put(self, name: str, value: Any, *, kind: str = "", status: int = 0) -> None:
        """Give a node a value, by another type than its own where one is named."""
        self.do("put", name=name, value=value, kind=kind, status=status)

    def get(self, name: str) -> Any:
        """Return a node's value."""
        return self.do("get", name=name)["value"]

    def send(self, number: int) -> None:
        """Send it a signal."""
        assert self._process is not None
        self._process.send_signal(number)

    def revive(self) -> None:
        """Have it run and take writes again, whatever a test did to it."""
        if self._process is None:
            self.start()
        self.send(signal.SIGCONT)
        self.do("lock", locked=False)

    def stop(self) -> None:
        """Kill it. Its port stays its own."""
        process, self._process = self._process, None
        if process is not None:
            process.send_signal(signal.SIGCONT)
            process.kill()
            process.communicate()


def opcua_spec(server: ServerProcess, nodes: Sequence[RegisterSpec], **changes: Any) -> DeviceSpec:
    """Describe a device whose nodes these are."""
    inner = {"path": "", "nodes": tuple(nodes), "publishing_s": 0.25}
    inner |= {key: changes.pop(key) for key in ("security", "publishing_s", "path") if key in changes}
    given = {"timeout_s": 1.0, "connect_timeout_s": 5.0, **changes}
    name = given.pop("device_id", "feeder")
    opcua = OpcuaSpec(**inner)  # type: ignore[arg-type]
    return device_spec(name, port=server.port, unit_id=0, transport=Transport.OPCUA, opcua=opcua, **given)


def registers(*named: tuple[str, str]) -> tuple[RegisterSpec, ...]:
    """Describe nodes by name and type, in the order of their places."""
    return tuple(
        node_register(WORDS * place, NAMES[kind][0], f"nsu={NAMESPACE};s={name}")
        for place, (name, kind) in enumerate(named)
    )


@contextlib.contextmanager
def served(nodes: dict[str, dict[str, Any]], **settings: Any) -> Iterator[ServerProcess]:
    """Run a server for a while."""
    server = ServerProcess(nodes, **settings)
    server.start()
    try:
        yield server
    finally:
        server.stop()


def _variant(value: Any, kind: str) -> ua.Variant:
    if value is None:
        return ua.Variant(None, ua.VariantType.Null)
    special = kind != "String" and isinstance(value, str)
    return ua.Variant(float(value) if special else value, ua.VariantType[kind])


class _Users(UserManager):
    def __init__(self, known: dict[str, str]) -> None:
        self.known = known

    def get_user(
        self, iserver: Any, username: Any = None, password: Any = None, certificate: Any = None
    ) -> User | None:
        right = username in self.known and self.known[username] == password
        return User(role=UserRole.User, name=username) if right else None


class _Running:
    def __init__(self, settings: dict[str, Any]) -> None:
        self.settings = settings
        self.server = Server()
        self.nodes: dict[str, Any] = {}
        self.kinds: dict[str, str] = {}

    async def run(self) -> None:
        settings, server = self.settings, self.server
        await server.init()
        server.set_endpoint(f"opc.tcp://127.0.0.1:{settings['port']}{settings.get('path', '')}")
        await self.secure()
        for number in range(settings.get("spaces_before", 0)):
            await server.register_namespace(f"urn:crumbmeter:test:before:{number}")
        index = await server.register_namespace(settings["namespace"])
        folder = await server.nodes.objects.add_object(index, "Plant")
        for name, told in settings["nodes"].items():
            node = await folder.add_variable(
                ua.NodeId.from_string(f"ns={index};{told.get('id', f's={name}')}"),
                ua.QualifiedName(name, index), _variant(told["value"], told["kind"]),
            )  # fmt: skip
            if told.get("writable"):
                await node.set_writable()
            if "unit" in told:
                unit = ua.EUInformation(DisplayName=ua.LocalizedText(told["unit"]))
                await node.add_property(ua.NodeId(ua.Int32(0), ua.Int16(index)), "0:EngineeringUnits", unit)
            self.nodes[name], self.kinds[name] = node, told["kind"]
        await server.start()
        assert server.bserver is not None
        listening: Any = server.bserver._server
        port = listening.sockets[0].getsockname()[1]
        _say({"port": port})
        reader = asyncio.StreamReader()
        await asyncio.get_running_loop().connect_read_pipe(lambda: asyncio.StreamReaderProtocol(reader), sys.stdin)
        while line := await reader.readline():
            try:
                _say(await self.do(json.loads(line)))
            except Exception as error:  # noqa: BLE001 - the test is told
                _say({"error": repr(error)})

    async def secure(self) -> None:
        """Set policies, certificate, whom it trusts and who may log in."""
        settings, server = self.settings, self.server
        policies = settings.get("policies", ["NoSecurity"])
        server.set_security_policy([ua.SecurityPolicyType[name] for name in policies])
        if "certificate" in settings:
            await server.set_application_uri(settings["uri"])
            await server.load_certificate(settings["certificate"])
            await server.load_private_key(settings["private_key"])
            options = CertificateValidatorOptions.TRUSTED_VALIDATION | CertificateValidatorOptions.PEER_CLIENT
            trusted = TrustStore([Path(settings["trusted"])], [])
            await trusted.load()
            server.set_certificate_validator(CertificateValidator(options, trusted))
        if "users" in settings:
            server.iserver.user_manager = _Users(settings["users"])
            server.set_identity_tokens([ua.UserNameIdentityToken])

    async def do(self, told: dict[str, Any]) -> dict[str, Any]:
        service = self.server.iserver.subscription_service
        if told["do"] == "put":
            kind = told["kind"] or self.kinds[told["name"]]
            value = ua.DataValue(_variant(told["value"], kind), ua.StatusCode(ua.UInt32(told["status"])))
            node_id = self.nodes[told["name"]].nodeid
            # Not through the front door, which lets no value of another type in.
            held: Any = self.server.iserver.aspace[node_id]
            held.attributes[AttributeIds.Value].value = value
        elif told["do"] == "get":
            return {"value": await self.nodes[told["name"]].read_value()}
        elif told["do"] == "lock":
            for node in self.nodes.values():
                await node.set_writable(not told["locked"])
        elif told["do"] == "delete_subscriptions":
            await service.delete_subscriptions(list(service.subscriptions))
        elif told["do"] == "silence_subscriptions":
            for subscription in service.subscriptions.values():
                await subscription.stop()
        elif told["do"] == "limit_subscriptions":
            self.server.iserver.max_subscriptions = told["most"]
        elif told["do"] == "count":
            return {"subscriptions": len(service.subscriptions)}
        elif told["do"] == "stop_clock":
            task = self.server.iserver.time_task
            assert task is not None
            task.cancel()
        elif told["do"] == "end_sessions":
            for session in list(self.server.iserver._external_sessions.values()):
                await session.close_session(delete_subs=True)
        else:
            return {"error": f"cannot {told['do']}"}
        return {}


def _say(what: dict[str, Any]) -> None:
    sys.stdout.write(json.dumps(what) + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    logging.disable()
    asyncio.run(_Running(json.loads(sys.argv[1])).run())
