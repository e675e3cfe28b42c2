"""Signed and encrypted OPC UA connections, and the real cause of each that cannot be made (lesson 50).

Certificates are made with the dates that a test needs; nobody's clock is turned.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import pytest
from asyncua import ua

from crumbmeter.adapters.clock import machine_wall_us
from crumbmeter.adapters.field_links import FieldLinkMaker
from crumbmeter.adapters.opcua import OpcuaLink
from crumbmeter.adapters.opcua_certificates import DAY_US, read_certificate
from crumbmeter.adapters.opcua_faults import Offered, judge
from crumbmeter.field.opcua import WORDS, make_node_decoder
from crumbmeter.field.spec import OpcuaSecurity, Table
from crumbmeter.model.faults import DeviceExceptionError, ReconnectError
from tests.opcua_certificates import Pair, make_pair
from tests.opcua_server import ServerProcess, opcua_spec, registers, served

REGISTERS = registers(("Flow", "double"))
POLICIES = ["NoSecurity", "Basic256Sha256_Sign", "Basic256Sha256_SignAndEncrypt"]
VARIABLE = "METER_PASSWORD"
PASSWORD = "of the test"  # noqa: S105


@dataclass
class Guarded:
    """A server with certificates and users, and those of a client that it trusts."""

    server: ServerProcess
    folder: Path
    own: Pair
    security: OpcuaSecurity

    def link(self, **changes: object) -> OpcuaLink:
        """Make a link whose protection differs so from what the server wants."""
        security = replace(self.security, **changes)  # type: ignore[arg-type]
        spec = opcua_spec(self.server, REGISTERS, security=security)
        (link,) = FieldLinkMaker([spec])([spec])
        assert isinstance(link, OpcuaLink)
        return link

    async def refusal(self, **changes: object) -> str:
        """Return why a link cannot be connected."""
        link = self.link(**changes)
        with pytest.raises(ReconnectError) as refused:
            await link.connect()
        await link.close()
        return str(refused.value)


@pytest.fixture(scope="module")
def guarded(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Guarded]:
    folder = tmp_path_factory.mktemp("certificates")
    trusted = folder / "trusted"
    trusted.mkdir()
    theirs, own = make_pair(folder, "server", key=1, from_days=-50.0), make_pair(folder, "client")
    # One that has run out is among the trusted too: its time alone must be what fails.
    stale = make_pair(folder, "stale", until_days=-3.0, from_days=-30.0)
    for pair in (own, stale):
        (trusted / pair.certificate.name).write_bytes(pair.certificate.read_bytes())
    password = folder / "password"
    password.write_text(f"{PASSWORD}\n")
    security = OpcuaSecurity(
        "basic256sha256", "sign_and_encrypt", str(own.certificate), str(own.key), str(theirs.certificate),
        "meter", str(password),
    )  # fmt: skip
    settings = {
        "policies": POLICIES, "certificate": str(theirs.certificate), "private_key": str(theirs.key),
        "uri": theirs.uri, "trusted": str(trusted), "users": {"meter": PASSWORD},
    }  # fmt: skip
    with served({"Flow": {"kind": "Double", "value": 1.5, "writable": True}}, **settings) as server:
        yield Guarded(server, folder, own, security)


@pytest.mark.parametrize("mode", ["sign", "sign_and_encrypt"])
async def test_values_come_and_go_over_a_protected_connection(guarded: Guarded, mode: str) -> None:
    link = guarded.link(mode=mode)
    await link.connect()
    assert link._shared.protected
    await link.write(REGISTERS[0], (0x4004, 0, 0, 0))
    words = await link.read(Table.NODE, 0, WORDS)
    assert make_node_decoder(REGISTERS[0])(words, 0)[0] == 2.5
    await link.close()


async def test_the_password_may_come_from_the_environment(guarded: Guarded, monkeypatch: pytest.MonkeyPatch) -> None:
    missing = await guarded.refusal(password_file="", password_variable=VARIABLE)
    assert "the environment has no variable METER_PASSWORD" in missing
    monkeypatch.setenv(VARIABLE, PASSWORD)
    link = guarded.link(password_file="", password_variable=VARIABLE)
    await link.connect()
    await link.close()


async def test_a_wrong_password_and_nobody_are_called_so(guarded: Guarded, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(VARIABLE, "wrong")
    wrong = await guarded.refusal(password_file="", password_variable=VARIABLE)
    nobody = await guarded.refusal(user="", password_file="")
    for refusal in (wrong, nobody):
        assert "user" in refusal
        assert "Bad" in refusal


async def test_an_expired_certificate_is_called_expired_before_anything_is_sent(guarded: Guarded) -> None:
    old = make_pair(guarded.folder, "old", from_days=-100.0, until_days=-2.5)
    refusal = await guarded.refusal(certificate=str(old.certificate), private_key=str(old.key))
    assert f"our certificate {old.certificate} expired on" in refusal
    assert "2.5 days ago by this machine's clock" in refusal
    theirs = await guarded.refusal(server_certificate=str(old.certificate))
    assert f"the server's certificate {old.certificate} expired on" in theirs


async def test_one_that_is_not_valid_yet_points_at_the_clock(guarded: Guarded) -> None:
    young = make_pair(guarded.folder, "young", from_days=0.01, until_days=30.0)
    refusal = await guarded.refusal(certificate=str(young.certificate), private_key=str(young.key))
    assert f"our certificate {young.certificate} is not valid before" in refusal
    assert "14 min from now by this machine's clock" in refusal


async def test_what_the_server_finds_expired_by_its_own_clock_is_said(
    guarded: Guarded, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Our clock stands four days back: to us the certificate is good, to the server it is not."""
    stale, back_us, real = guarded.folder / "stale.der", 4 * DAY_US, machine_wall_us
    for module in ("opcua_security", "opcua_faults", "opcua_session"):
        monkeypatch.setattr(f"crumbmeter.adapters.{module}.machine_wall_us", lambda: real() - back_us)
    refusal = await guarded.refusal(certificate=str(stale), private_key=str(guarded.folder / "stale-key.pem"))
    assert "the server finds our certificate expired or not yet valid" in refusal
    assert "clock is 5760 min ahead of this machine's" in refusal


async def test_a_client_that_the_server_does_not_trust_is_told_to_be_accepted(guarded: Guarded) -> None:
    other = make_pair(guarded.folder, "other", key=2)
    refusal = await guarded.refusal(certificate=str(other.certificate), private_key=str(other.key))
    assert "does not trust our certificate" in refusal
    assert "trust list" in refusal


async def test_a_server_with_another_certificate_is_not_talked_to(guarded: Guarded) -> None:
    other = make_pair(guarded.folder, "elsewhere", key=2)
    refusal = await guarded.refusal(server_certificate=str(other.certificate))
    assert "the server shows another certificate (CN=server, SHA-1 " in refusal
    assert read_certificate(str(other.certificate)).thumbprint in refusal


async def test_without_a_policy_nothing_is_protected() -> None:
    with served({"Flow": {"kind": "Double", "value": 1.5}}) as server:
        spec = opcua_spec(server, REGISTERS)
        (link,) = FieldLinkMaker([spec])([spec])
        assert isinstance(link, OpcuaLink)
        await link.connect()
        assert not link._shared.protected
        await link.close()


def test_no_fitting_endpoint_is_named(guarded: Guarded) -> None:
    spec = opcua_spec(guarded.server, REGISTERS, security=guarded.security)
    server = read_certificate(guarded.security.server_certificate)
    said = judge("cause", spec, server, Offered((("http://x#None", ua.MessageSecurityMode.None_, b""),), 0.0))
    assert said.startswith("the server offers no Basic256Sha256 SignAndEncrypt; it offers None")


@pytest.mark.parametrize(("key", "said"), [("certificate", "no certificate"), ("private_key", "no private key")])
async def test_a_file_of_something_else_is_named(guarded: Guarded, key: str, said: str) -> None:
    wrong = guarded.folder / "wrong.txt"
    wrong.write_text("something else")
    assert f"{wrong}: {said}" in await guarded.refusal(**{key: str(wrong)})
    assert "No such file" in await guarded.refusal(**{key: str(guarded.folder / "nowhere")})


async def test_a_certificate_without_an_application_uri_is_refused(guarded: Guarded) -> None:
    bare = make_pair(guarded.folder, "bare", uri="")
    assert "bears no application URI" in await guarded.refusal(
        certificate=str(bare.certificate), private_key=str(bare.key)
    )


async def test_a_renewed_certificate_counts_at_the_next_connection(guarded: Guarded) -> None:
    """Reloading needs no restart: the same settings, another file."""
    trusted = guarded.own.certificate.read_bytes()
    place = guarded.folder / "current.der"
    place.write_bytes(make_pair(guarded.folder, "gone", until_days=-1.0, from_days=-9.0).certificate.read_bytes())
    security = replace(guarded.security, certificate=str(place))
    spec = opcua_spec(guarded.server, REGISTERS, security=security)
    maker = FieldLinkMaker([spec])
    (first,) = maker([spec])
    with pytest.raises(ReconnectError, match="expired"):
        await first.connect()
    await first.close()
    place.write_bytes(trusted)
    (second,) = maker([spec])
    await second.connect()
    await second.close()


async def test_a_reader_may_not_write(guarded: Guarded) -> None:
    guarded.server.do("lock", locked=True)
    link = guarded.link()
    await link.connect()
    with pytest.raises(DeviceExceptionError, match="Bad"):
        await link.write(REGISTERS[0], (0, 0, 0, 0))
    await link.close()
    guarded.server.do("lock", locked=False)
