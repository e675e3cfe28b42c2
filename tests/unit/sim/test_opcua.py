"""The plant over OPC UA: values, types, statuses, links, certificates; asyncua's client as the master."""

import asyncio
import contextlib
import math
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest
from asyncua import ua
from asyncua.client.client import Client
from asyncua.common.node import Node
from asyncua.crypto.cert_gen import setup_self_signed_certificate
from asyncua.crypto.security_policies import SecurityPolicyBasic256Sha256
from asyncua.ua.status_codes import StatusCodes
from asyncua.ua.uaerrors import UaError, UaStatusCodeError
from cryptography.x509.oid import ExtendedKeyUsageOID

from crumbmeter_sim import units
from crumbmeter_sim.loader import FileRefusedError
from crumbmeter_sim.opcua.variable import number_of, words_of
from crumbmeter_sim.profile import load_profile
from crumbmeter_sim.rack import Rack
from crumbmeter_sim.rig import Rig
from crumbmeter_sim.serve import ServeOptions, build_rack

ROOT = Path(__file__).resolve().parents[3]
PLANT = ROOT / "config" / "plants" / "demo_opcua.toml"


class Served:
    """A plant on its ports, and clients of it."""

    def __init__(self, rig: Rig, rack: Rack, clients: contextlib.AsyncExitStack) -> None:
        self.rig, self.rack, self._clients = rig, rack, clients
        self._open: dict[str, Client] = {}

    async def client(self, device: str) -> Client:
        if device not in self._open:
            client = Client(f"opc.tcp://127.0.0.1:{self.rack.ports[device]}", timeout=5)
            await self._clients.enter_async_context(client)
            self._open[device] = client
        return self._open[device]

    async def node(self, device: str, register: str) -> Node:
        client, profile = await self.client(device), self.rig.banks[device].profile
        index = await client.get_namespace_index(profile.namespace)
        return client.get_node(f"ns={index};{profile.nodes[register]}")

    async def status(self, device: str, register: str) -> int:
        value = await (await self.node(device, register)).read_data_value(raise_on_bad_status=False)
        assert value.StatusCode is not None
        return value.StatusCode.value

    async def pass_time(self, seconds: float) -> None:
        self.rig.advance(seconds)
        await self.rack.follow()


@contextlib.asynccontextmanager
async def serving(plant: Path = PLANT) -> AsyncIterator[Served]:
    rig = Rig.from_plant(plant, seed=3)
    rack = build_rack(rig, ServeOptions(free_ports=True), lambda: None)
    await rack.follow()
    try:
        async with contextlib.AsyncExitStack() as clients:
            yield Served(rig, rack, clients)
    finally:
        await rack.close()


async def test_every_node_shows_what_its_register_means() -> None:
    async with serving() as served:
        served.rig.do("plant_start")
        served.rig.leave_running(20.0)
        await served.pass_time(60.0)
        seen = 0
        for device, bank in served.rig.banks.items():
            for register in bank.profile.registers.values():
                raw = await (await served.node(device, register.name)).read_value()
                meant = bank.value(register.name)
                assert meant is not None
                shown = units.to_si(register.unit, register.scale * float(raw) + register.offset)
                assert shown == pytest.approx(meant, rel=1e-6, abs=1e-9), (device, register.name)
                seen += shown != 0.0
        assert seen > 15


async def test_a_write_of_the_exact_type_becomes_a_command_and_no_other_does() -> None:
    async with serving() as served:
        setpoint = await served.node("feeder", "speed_setpoint")
        await setpoint.write_value(ua.Variant(2100, ua.VariantType.UInt16))
        await (await served.node("feeder", "run")).write_value(ua.Variant(True, ua.VariantType.Boolean))
        assert served.rig.plant.feeder.speed_setpoint_rev_s == pytest.approx(21.0 / 60.0)
        assert served.rig.plant.feeder.run
        assert await setpoint.read_value() == 2100
        await _refuses_all_else(served)
        await _misbehaves_on_order(served)


WRONG: dict[str, tuple[str, ua.Variant, int]] = {
    "another type": ("speed_setpoint", ua.Variant(900, ua.VariantType.Int32), StatusCodes.BadTypeMismatch),
    "an array": ("speed_setpoint", ua.Variant([900], ua.VariantType.UInt16), StatusCodes.BadTypeMismatch),
    "nothing": ("speed_setpoint", ua.Variant(None, ua.VariantType.Null), StatusCodes.BadTypeMismatch),
    "read-only": ("auger_speed", ua.Variant(900, ua.VariantType.UInt16), StatusCodes.BadUserAccessDenied),
}


async def _refuses_all_else(served: Served) -> None:
    for name, (register, value, code) in WRONG.items():
        node = await served.node("feeder", register)
        before = await node.read_value()
        with pytest.raises(UaStatusCodeError) as refused:
            await node.write_value(value)
        assert refused.value.code == code, name
        assert await node.read_value() == before, name
    assert served.rig.plant.feeder.speed_setpoint_rev_s == pytest.approx(21.0 / 60.0)


async def _misbehaves_on_order(served: Served) -> None:
    setpoint = await served.node("feeder", "speed_setpoint")
    served.rig.do("clamp_writes", server="feeder", register="speed_setpoint", low=0, high=1500)
    await setpoint.write_value(ua.Variant(2200, ua.VariantType.UInt16))
    assert await setpoint.read_value() == 1500
    served.rig.do("behave", server="feeder")
    served.rig.do("refuse", server="feeder", code=6, reads=False)
    with pytest.raises(UaStatusCodeError) as refused:
        await setpoint.write_value(ua.Variant(900, ua.VariantType.UInt16))
    assert refused.value.code == StatusCodes.BadResourceUnavailable
    assert await setpoint.read_value() == 1500
    served.rig.do("behave", server="feeder")
    served.rig.do("refuse", server="feeder", code=4, writes=False)
    assert await served.status("feeder", "speed_setpoint") == StatusCodes.BadDeviceFailure


async def test_the_status_is_what_the_instrument_says_of_itself() -> None:
    async with serving() as served:
        weight = ("feeder", "hopper_mass")
        assert await served.status(*weight) == StatusCodes.Good
        for cause, over, code in (
            ("load_cell_lost", "load_cell_back", StatusCodes.BadSensorFailure),
            ("indicator_setup", "indicator_run", StatusCodes.BadOutOfService),
        ):
            served.rig.do(cause)
            assert await served.status(*weight) == code
            assert await served.status("feeder", "auger_speed") == StatusCodes.Good  # the others are unaffected
            served.rig.do(over)
            assert await served.status(*weight) == StatusCodes.Good
        served.rig.do("bump", kg=500.0, lasts_s=30.0)
        await served.pass_time(10.0)
        assert await served.status(*weight) == StatusCodes.UncertainEngineeringUnitsExceeded
        value = await (await served.node(*weight)).read_data_value(raise_on_bad_status=False)
        assert value.Value is not None
        assert value.Value.Value > 1000.0


async def test_subscribers_hear_of_what_changes_and_of_nothing_else() -> None:
    heard: asyncio.Queue[tuple[Any, Any]] = asyncio.Queue()

    class Ear:
        def datachange_notification(self, node: Node, value: Any, _data: Any) -> None:
            heard.put_nowait((node.nodeid.Identifier, value))

    async with serving() as served:
        client = await served.client("plant_io")
        subscription = await client.create_subscription(10, Ear())
        names = ("drum_turning", "emergency_stop_ok")
        await subscription.subscribe_data_change([await served.node("plant_io", name) for name in names])
        first = {(await asyncio.wait_for(heard.get(), 5)) for _ in names}
        assert first == {("Plant.DrumTurning", False), ("Plant.EmergencyStopOk", True)}
        served.rig.do("plant_start")
        await served.pass_time(20.0)
        name, value = await asyncio.wait_for(heard.get(), 5)
        assert (name, value) == ("Plant.DrumTurning", True)
        assert heard.empty()
        await subscription.delete()


async def test_links_die_hang_and_answer_late() -> None:
    async with serving() as served:
        await served.client("blower")
        port = served.rack.ports["blower"]
        served.rig.do("link_dead", server="blower")
        await served.rack.follow()
        with pytest.raises(OSError, match=str(port)):
            await asyncio.open_connection("127.0.0.1", port)
        assert await served.status("feeder", "fault") == StatusCodes.Good  # the others go on
        served.rig.do("link_back", server="blower")
        await served.rack.follow()
        async with Client(f"opc.tcp://127.0.0.1:{port}", timeout=5):
            pass
        node = await served.node("plant_io", "drum_turning")
        served.rig.do("link_hang", server="plant_io")
        asked = asyncio.ensure_future(node.read_value())
        done, _ = await asyncio.wait({asked}, timeout=0.3)
        assert not done
        served.rig.do("link_slow", server="plant_io", delay_s=0.2)
        began_s = asyncio.get_running_loop().time()
        await served.rack.follow()
        assert await asked is False
        assert await node.read_value() is False
        assert asyncio.get_running_loop().time() - began_s >= 0.2


async def test_two_devices_of_one_kind_have_a_server_each(tmp_path: Path) -> None:
    plant = tmp_path / "two.toml"
    twice = "\n".join(
        f"""[[server]]
name = "{belt}"
protocol = "opcua"
profile = "demo_recycle_scale_opcua"
port = {port}
points = {{ wet_flow = "{belt}.wet_flow", belt_speed = "{belt}.belt_speed" }}
"""
        for belt, port in (("aggregate", 1), ("recycle", 2))
    )
    base = ROOT / "config" / "plants" / "demo_drum.toml"
    plant.write_text(f'based_on = "{base}"\ndevices = "{ROOT}/config/devices"\n{twice}')
    async with serving(plant) as served:
        served.rig.do("plant_start")
        await served.pass_time(60.0)
        flows = [await (await served.node(belt, "wet_flow")).read_value() for belt in ("aggregate", "recycle")]
        assert flows[0] > 2 * flows[1] > 10.0


async def test_a_device_with_a_certificate_lets_nobody_in_without(tmp_path: Path) -> None:
    names = {"countryName": "XX", "organizationName": "invented"}
    for who, usage in (("server", ExtendedKeyUsageOID.SERVER_AUTH), ("client", ExtendedKeyUsageOID.CLIENT_AUTH)):
        await setup_self_signed_certificate(
            tmp_path / f"{who}.pem", tmp_path / f"{who}.der", f"urn:invented:{who}", "localhost", [usage], names
        )
    plant = tmp_path / "secure.toml"
    text = PLANT.read_text().replace("demo_drum.toml", str(PLANT.with_name("demo_drum.toml")))
    secure = (
        'security = { certificate = "server.der", private_key = "server.pem", application_uri = "urn:invented:server" }'
    )
    text = text.replace('name = "feeder"\n', f'name = "feeder"\n{secure}\n')
    plant.write_text(f'devices = "{ROOT}/config/devices"\n{text}')
    async with serving(plant) as served:
        url = f"opc.tcp://127.0.0.1:{served.rack.ports['feeder']}"
        with pytest.raises((UaError, ConnectionError)):
            await Client(url, timeout=5).connect()
        client = Client(url, timeout=5)
        client.application_uri = "urn:invented:client"
        await client.set_security(
            SecurityPolicyBasic256Sha256, tmp_path / "client.der", tmp_path / "client.pem",
            server_certificate=str(tmp_path / "server.der"), mode=ua.MessageSecurityMode.SignAndEncrypt,
        )  # fmt: skip
        async with client:
            index = await client.get_namespace_index("urn:crumbmeter:invented:feeder")
            assert await client.get_node(f"ns={index};s=Remote").read_value() is True
        assert await served.status("blower", "running") == StatusCodes.Good  # in a server without one


PROFILE = """\
profile = "odd"
protocol = "opcua"
namespace = "urn:invented:odd"
[registers.flow]
node = "s=Flow"
type = "float"
unit = "kg/s"
"""
REFUSED = {
    "namespace by number": ('"urn:invented:odd"', "3", "namespace = 3: expected a URI"),
    "a node with its index": ('"s=Flow"', '"ns=2;s=Flow"', "registers.flow.node = 'ns=2;s=Flow'"),
    "no such type": ('"float"', '"real"', "registers.flow.type = 'real'"),
    "a Modbus key": ('"float"', '"float"\naddress = 4', "registers.flow.address: unknown key"),
    "no such protocol": ('"opcua"', '"opc"', "protocol = 'opc': expected modbus or opcua"),
    "one node twice": ('"kg/s"', '"kg/s"\n[registers.other]\nnode = "s=Flow"\ntype = "int16"', "another register has"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_a_profile_that_is_none_is_refused(name: str, tmp_path: Path) -> None:
    old, new, told = REFUSED[name]
    path = tmp_path / "odd.toml"
    assert old in PROFILE
    path.write_text(PROFILE.replace(old, new, 1))
    with pytest.raises(FileRefusedError) as refused:
        load_profile(path)
    assert told in str(refused.value)


WRONG_PLANTS = {
    "a unit id": ("port = 15301", "port = 15301\nunit_id = 1", "server belt_scale.unit_id: OPC UA has none"),
    "a Modbus profile": ("demo_belt_scale_opcua", "demo_belt_scale", "is one of 'opcua'"),
    "no unit id": ('name = "blower"\nprotocol = "opcua"', 'name = "blower"', "server blower.unit_id: missing"),
}


@pytest.mark.parametrize("name", WRONG_PLANTS)
def test_a_plant_whose_protocols_do_not_agree_is_refused(name: str, tmp_path: Path) -> None:
    old, new, told = WRONG_PLANTS[name]
    text = PLANT.read_text().replace("demo_drum.toml", str(PLANT.with_name("demo_drum.toml")))
    assert old in text
    path = tmp_path / "plant.toml"
    path.write_text(f'devices = "{ROOT}/config/devices"\n{text.replace(old, new, 1)}')
    with pytest.raises(FileRefusedError) as refused:
        Rig.from_plant(path)
    assert told in str(refused.value)


def test_faults_of_the_wire_are_refused_for_it(tmp_path: Path) -> None:
    scenario = tmp_path / "wire.toml"
    scenario.write_text(
        f'title = "x"\nplant = "{PLANT}"\nseed = 1\nduration_s = 10.0\n'
        '[[at]]\nt_s = 1.0\ndo = "fault"\nserver = "feeder"\nkind = "drop"\n'
    )
    with pytest.raises(FileRefusedError) as refused:
        Rig.from_scenario(scenario)
    assert "feeder speaks OPC UA" in str(refused.value)


def test_numbers_keep_every_bit_through_the_banks_words() -> None:
    registers = {
        one.kind: one for one in load_profile(ROOT / "config/devices/demo_feeder_opcua.toml").registers.values()
    }
    assert set(registers) == {"f32", "u16", "bit"}
    for kind, value in (("u16", 65535), ("bit", True), ("f32", -0.5)):
        assert number_of(registers[kind], words_of(registers[kind], value)) == value
    assert math.isnan(number_of(registers["f32"], words_of(registers["f32"], math.nan)))
