"""What protects a connection to an OPC UA server: certificates, keys, passwords; read from their files every time."""

import os
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from asyncua import ua
from asyncua.client.client import Client
from asyncua.crypto.security_policies import SecurityPolicyBasic256Sha256
from asyncua.crypto.uacrypto import CertProperties

from crumbmeter.adapters.clock import machine_wall_us
from crumbmeter.field.spec import DeviceSpec, OpcuaSecurity

if TYPE_CHECKING:
    from crumbmeter.adapters.opcua_certificates import Certificate

MODES = {"sign": ua.MessageSecurityMode.Sign, "sign_and_encrypt": ua.MessageSecurityMode.SignAndEncrypt}


@dataclass(frozen=True, slots=True)
class Protected:
    """Who we are to the server, and whom we take it for."""

    user: str | None
    """None: anonymous."""
    password: str | None
    own: "Certificate | None" = None
    server: "Certificate | None" = None
    """The one that it may show; None: nothing is signed."""


def security_of(device: DeviceSpec) -> OpcuaSecurity:
    """Return how a device's connection is to be protected."""
    return OpcuaSecurity() if device.opcua is None else device.opcua.security


async def protect(client: Client, device: DeviceSpec) -> Protected:
    """Read what protects the connection, and set the library's client up with it.

    Raises:
        ValueError: a file or variable is not there, holds something else, or a certificate is not valid now; in words.
    """
    security = security_of(device)
    user, password = security.user or None, _password(security)
    if security.policy == "none":
        return Protected(user, password)
    # Only here, for they take time and memory to load that an open connection does not need.
    from crumbmeter.adapters.opcua_certificates import read_certificate, read_private_key  # noqa: PLC0415

    own, server = read_certificate(security.certificate), read_certificate(security.server_certificate)
    key = read_private_key(security.private_key)
    now_us = machine_wall_us()
    for whose, certificate in (("our", own), ("the server's", server)):
        if fault := certificate.fault(now_us):
            raise ValueError(f"{whose} certificate {certificate.path} {fault}")
    if not own.uri:
        raise ValueError(f"our certificate {own.path} bears no application URI; crumbmeter opcua-certificate makes one")
    client.application_uri = own.uri
    await client.set_security(
        SecurityPolicyBasic256Sha256,
        certificate=CertProperties(own.der, "der"),
        private_key=CertProperties(key, "pem"),
        server_certificate=CertProperties(server.der, "der"),
        mode=MODES[security.mode],
    )
    return Protected(user, password, own, server)


def _password(security: OpcuaSecurity) -> str | None:
    if security.password_file:
        try:
            return Path(security.password_file).read_text(encoding="utf-8").rstrip("\r\n")
        except (OSError, UnicodeDecodeError) as error:
            raise ValueError(f"password file {security.password_file}: {error}") from error
    if security.password_variable:
        found = os.environ.get(security.password_variable)
        if found is None:
            raise ValueError(f"the environment has no variable {security.password_variable} for the password")
        return found
    return None
