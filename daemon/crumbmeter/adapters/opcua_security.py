"""What protects a connection to an OPC UA server: certificates, keys, passwords; read from their files every time."""

import os
from dataclasses import dataclass
from pathlib import Path

from asyncua.client.client import Client

from crumbmeter.field.spec import DeviceSpec, OpcuaSecurity


@dataclass(frozen=True, slots=True)
class Protected:
    """Who we are to the server."""

    user: str | None
    """None: anonymous."""
    password: str | None


async def protect(client: Client, device: DeviceSpec) -> Protected:
    """Read what protects the connection, and set the library's client up with it.

    Raises:
        ValueError: a file or a variable is not there, or holds something else; in words.
    """
    del client
    security = OpcuaSecurity() if device.opcua is None else device.opcua.security
    return Protected(security.user or None, _password(security))


def _password(security: OpcuaSecurity) -> str | None:
    if security.password_file:
        return Path(security.password_file).read_text(encoding="utf-8").rstrip("\r\n")
    if security.password_variable:
        found = os.environ.get(security.password_variable)
        if found is None:
            raise ValueError(f"the environment has no variable {security.password_variable} for the password")
        return found
    return None
