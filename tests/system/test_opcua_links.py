"""What the daemon shows of an OPC UA device: counts, statuses verbatim, skew, days of certificates, no raw frames."""

import io
from collections.abc import Iterator
from pathlib import Path
from random import Random

import pytest

from crumbmeter.adapters.clock import RealClock
from crumbmeter.adapters.control_socket import ControlSocket
from crumbmeter.adapters.prometheus_links import unit_metrics
from crumbmeter.app.links import FieldLinks
from crumbmeter.cli.trace import _trace
from crumbmeter.field.opcua import WORDS
from crumbmeter.field.spec import Table
from crumbmeter.model.faults import DeviceExceptionError
from crumbmeter.model.scan import ScanResult
from crumbmeter.runtime.fanout import Latest
from crumbmeter.runtime.intake import Intake
from crumbmeter.runtime.tally import DeviceTally
from tests.fakes import Reports
from tests.opcua_server import ServerProcess, opcua_spec, registers, served
from tests.unit.outward.samples import NAMES, ORIGIN

NODES = {"Flow": {"kind": "Double", "value": 1.5}, "Run": {"kind": "Boolean", "value": True}}
REGISTERS = registers(("Flow", "double"), ("Run", "boolean"))


@pytest.fixture(scope="module")
def server() -> Iterator[ServerProcess]:
    with served(NODES) as running:
        yield running


async def test_an_opcua_device_is_shown_like_any_other_with_what_only_it_has(
    server: ServerProcess, tmp_path: Path
) -> None:
    clock, views = RealClock(), Latest[ScanResult]()
    links = FieldLinks([opcua_spec(server, REGISTERS)], [DeviceTally()], clock, Random(1).random, Reports())
    line = links.lines[0]
    await line.endpoint.revive()
    server.put("Flow", 1.5, status=0x808C0000)
    await line.read(Table.NODE, 0, 2 * WORDS)
    with pytest.raises(DeviceExceptionError, match="BadUserAccessDenied"):
        await line.write(REGISTERS[1], lambda: (0,))
    (body,) = links.bodies()
    assert (body["transport"], body["endpoint"]) == ("opcua", f"opc.tcp://127.0.0.1:{server.port}")
    assert (body["sent"], body["ok"], body["exceptions"]) == (2, 1, {str(0x801F0000): 1})
    told = body["opcua"]
    assert told["statuses"] == [{"node": REGISTERS[0].node, "status": "BadSensorFailure", "code": "0x808C0000"}]
    assert (told["protected"], told["doubt"]) == (False, "")
    assert abs(told["clock_skew_s"]) < 2.0
    samples = {sample.name: sample for family in unit_metrics(links.units()) for sample in family.samples}
    assert abs(samples["crumbmeter_opcua_clock_skew_seconds"].value) < 2.0
    assert "crumbmeter_certificate_days_left" not in samples
    path, out = tmp_path / "c.sock", io.StringIO()
    async with ControlSocket(path, ORIGIN, NAMES, views, Intake(Reports()), dict, clock, links.desk):
        assert await _trace(path, "feeder", 0.1, (out,)) != 0
    assert out.getvalue() == ""
    await line.endpoint.close()
