"""The watch over certificates tells at 60, 30 and 7 days and at the end, once each, and when there is a new one."""

from pathlib import Path

import pytest

from crumbmeter.app.certificate_watch import CertificateWatch
from crumbmeter.field.spec import OpcuaSecurity, OpcuaSpec
from crumbmeter.model.events import Event
from tests.fakes import FakeClock, device_spec
from tests.opcua_certificates import make_pair

OWN, SERVER = ("feeder", "own"), ("feeder", "server")


def watch_over(own: str = "own.der", server: str = "server.der") -> tuple[CertificateWatch, list[Event]]:
    told: list[Event] = []
    security = OpcuaSecurity("basic256sha256", "sign", own, "key.pem", server)
    devices = [device_spec(opcua=OpcuaSpec("", security=security)), device_spec("scale"), device_spec("meter")]
    return CertificateWatch(devices, FakeClock(), told.append), told


def test_each_threshold_is_told_once() -> None:
    watch, told = watch_over()
    for days in (90.0, 60.5, 60.0, 59.0, 31.0, 30.0, 8.0, 7.0, 6.9, 0.5, -0.1, -3.0):
        watch.look({OWN: days, SERVER: 400.0}, {})
    assert [(one.name, one.get("days_left")) for one in told] == [
        ("certificate_expires", days) for days in (60.0, 30.0, 7.0, -0.1)
    ]
    assert {(one.get("device"), one.get("whose"), one.get("file")) for one in told} == {("feeder", "own", "own.der")}
    assert watch.days("feeder") == {"own": -3.0, "server": 400.0}
    assert watch.days("scale") == {}


def test_one_that_is_short_already_is_told_at_the_first_look_and_a_new_one_too() -> None:
    watch, told = watch_over()
    watch.look({OWN: 5.0, SERVER: 400.0}, {})
    watch.look({OWN: 365.0, SERVER: 400.0}, {})
    assert [one.name for one in told] == ["certificate_expires", "certificate_renewed"]


def test_one_that_cannot_be_read_is_told_with_the_cause_and_has_no_days() -> None:
    watch, told = watch_over()
    watch.look({SERVER: 400.0}, {OWN: "own.der: No such file"})
    assert [(one.name, one.get("days_left"), one.get("detail")) for one in told] == [
        ("certificate_expires", None, "own.der: No such file")
    ]
    assert watch.days("feeder") == {"server": 400.0}


def test_it_reads_the_files(tmp_path: Path) -> None:
    own = make_pair(tmp_path, "own", until_days=20.0, pem=True)
    watch, told = watch_over(str(own.certificate), str(tmp_path / "nowhere.der"))
    watch.look(*watch._read())
    assert watch.days("feeder")["own"] == pytest.approx(20.0, abs=0.01)
    assert [one.get("whose") for one in told] == ["own", "server"]


def test_a_site_without_certificates_has_nothing_to_watch() -> None:
    assert not CertificateWatch([device_spec()], FakeClock(), lambda _: None).wanted
    assert watch_over()[0].wanted
