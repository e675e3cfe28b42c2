"""Every key that only OPC UA has changes the settings that are loaded; none is read and forgotten (REQ-21)."""

from pathlib import Path

import pytest

from crumbmeter.site import Site, load

ROOT = Path(__file__).parents[3]
CASE = ROOT / "tests/cases/site/opcua_good"
SECURITY = """security = { policy = "basic256sha256", mode = "sign", certificate = "own.der", private_key = "own.pem", \
server_certificate = "server.der", user = "meter", password_file = "secret" }"""


def loaded(folder: Path, *, site: tuple[str, str] = ("", ""), profile: tuple[str, str] = ("", "")) -> Site:
    """Load the case with one thing changed."""
    text = (CASE / "site.toml").read_text("utf-8")
    start, end = text.index("security = {"), text.index("} }\nwash") if "} }\nwash" in text else text.index("} }\n")
    text = text[:start] + SECURITY + text[end + 1 :]
    nodes = (CASE / "devices/silo_server.toml").read_text("utf-8")
    for (old, _), where in ((site, text), (profile, nodes)):
        assert old in where
    devices = folder / "devices"
    devices.mkdir(parents=True)
    for shown in (ROOT / "config/devices").glob("*.toml"):
        (devices / shown.name).write_bytes(shown.read_bytes())
    (devices / "silo_server.toml").write_text(nodes.replace(*profile, 1) if profile[0] else nodes)
    (folder / "site.toml").write_text(text.replace(*site, 1) if site[0] else text)
    return load(folder / "site.toml")


def meaning(site: Site) -> tuple[object, ...]:
    """Return what a daemon would do, without the id of the text."""
    params = site.params
    return site.devices, params.sources, params.signals, params.plan, params.outputs


@pytest.mark.parametrize(
    "change",
    [
        ('path = "UA/silo"', 'path = "UA/other"'),
        ('policy = "basic256sha256", mode = "sign"', 'policy = "basic256sha256", mode = "sign_and_encrypt"'),
        ('certificate = "own.der"', 'certificate = "new.der"'),
        ('private_key = "own.pem"', 'private_key = "new.pem"'),
        ('server_certificate = "server.der"', 'server_certificate = "new.der"'),
        ('user = "meter"', 'user = "other"'),
        ('password_file = "secret"', 'password_file = "other"'),
        ('password_file = "secret"', 'password_variable = "SECRET"'),
        (SECURITY, 'security = { policy = "none" }'),
        ("uncertain_for_control = true", "uncertain_for_control = false"),
    ],
    ids=lambda change: change[1][:30],
)
def test_a_key_of_the_site_changes_what_is_done(tmp_path: Path, change: tuple[str, str]) -> None:
    assert meaning(loaded(tmp_path / "a")) != meaning(loaded(tmp_path / "b", site=change))


@pytest.mark.parametrize(
    "change",
    [
        ("urn:invented:silo", "urn:invented:other"),
        ("i=1001", "i=1002"),
        ('type = "double"', 'type = "float"'),
        ('unit = "kg/s"', 'unit = "kg/s"\nscale = 2.0'),
        ('unit = "kg/s"', 'unit = "kg/s"\noffset = 2.0'),
        ('unit = "kg/s"', 'unit = "tonne/h"'),
        ('unit = "kg/s"', 'unit = "kg/s"\nsentinels = [0]'),
        ('unit = "contact"', 'unit = "contact"\ninverted = true'),
        ('protocol = "opcua"', 'protocol = "opcua"\nmax_nodes = 5'),
    ],
    ids=lambda change: change[1][:30],
)
def test_a_key_of_the_profile_changes_what_is_done(tmp_path: Path, change: tuple[str, str]) -> None:
    assert meaning(loaded(tmp_path / "a")) != meaning(loaded(tmp_path / "b", profile=change))


def test_the_device_knows_the_nodes_that_are_used_and_no_other(tmp_path: Path) -> None:
    spare = '[registers.spare]\nnode = "s=Spare"\ntype = "double"\nunit = "kg"\n\n[registers.level]'
    site = loaded(tmp_path, profile=("[registers.level]", spare))
    (silo,) = [device for device in site.devices if device.opcua is not None]
    assert silo.opcua is not None
    assert [node.node for node in silo.opcua.nodes] == [
        "nsu=urn:invented:silo;i=1001",
        "nsu=urn:invented:silo;s=Blower",
    ]
    assert silo.opcua.nodes[0].address == 8, "places follow the order of the profile"
    assert silo.endpoint == "opc.tcp://10.0.0.7:4840/UA/silo"


@pytest.mark.parametrize(("mode", "warned"), [("sign", True), ("sign_and_encrypt", False)])
def test_a_signed_channel_still_shows_a_password(tmp_path: Path, mode: str, *, warned: bool) -> None:
    """A server may ask for it without any policy of its own; signing hides nothing."""
    site = loaded(tmp_path, site=('mode = "sign"', f'mode = "{mode}"'))
    assert ("password-in-clear" in {one.code for one in site.warnings}) is warned
