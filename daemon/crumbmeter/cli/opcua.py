"""Names, options and help of the commands for OPC UA: `browse` and `opcua-certificate`."""

import socket
import sys
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from crumbmeter.cli.exits import OK, REFUSED


class Policy(StrEnum):
    """Security policies that may be asked for."""

    NONE = "none"
    BASIC256SHA256 = "basic256sha256"


class Mode(StrEnum):
    """What is done to messages with such a policy."""

    SIGN = "sign"
    SIGN_AND_ENCRYPT = "sign_and_encrypt"


FileOption = Annotated[Path | None, typer.Option(help="File, as in the site file's table of the same name.")]


def add_to(app: typer.Typer) -> None:
    """Add the commands to the top-level application."""
    app.command("browse")(browse)
    app.command("opcua-certificate")(certificate)


def browse(
    url: Annotated[str, typer.Argument(help="opc.tcp://host:port/path")],
    contains: Annotated[str, typer.Option(help="Only variables whose path contains this.")] = "",
    namespace: Annotated[str, typer.Option(help="Only variables of the namespace with this URI.")] = "",
    output: Annotated[Path | None, typer.Option("-o", "--output", help="Write a draft of a device profile.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON, for scripts.")] = False,
    policy: Annotated[Policy, typer.Option(help="How the connection is protected.")] = Policy.NONE,
    mode: Annotated[Mode, typer.Option(help="Not for policy none.")] = Mode.SIGN_AND_ENCRYPT,
    certificate: FileOption = None,
    private_key: FileOption = None,
    server_certificate: FileOption = None,
    user: Annotated[str, typer.Option(help="User name; anonymous if left out.")] = "",
    password_file: FileOption = None,
) -> None:
    """List the variables of an OPC UA server: path, node, type, value, status, unit, whether it may be written.

    Only browses and reads. Exit codes: 0 listed, 2 refused, 3 the server was not reached.
    """
    from crumbmeter.cli.browse import browse as look  # noqa: PLC0415 - a command loads what it needs
    from crumbmeter.field.spec import OpcuaSecurity  # noqa: PLC0415

    if policy is not Policy.NONE and None in (certificate, private_key, server_certificate):
        sys.stderr.write(f"policy {policy.value} needs --certificate, --private-key and --server-certificate\n")
        raise typer.Exit(REFUSED)
    security = OpcuaSecurity(
        policy=policy.value,
        mode=mode.value if policy is not Policy.NONE else "none",
        certificate=str(certificate or ""),
        private_key=str(private_key or ""),
        server_certificate=str(server_certificate or ""),
        user=user,
        password_file=str(password_file or ""),
    )
    raise typer.Exit(look(url, security, contains=contains, namespace=namespace, to=output, as_json=as_json))


def certificate(
    folder: Annotated[Path, typer.Argument(help="Folder for the two files; it must be there.")],
    uri: Annotated[str, typer.Option(help="Application URI; urn:HOST:crumbmeter if left out.")] = "",
    host: Annotated[str, typer.Option(help="Host name in it; this machine's if left out.")] = "",
    days: Annotated[int, typer.Option(min=1, max=7300, help="So long it is valid.")] = 1095,
) -> None:
    """Make a key and a self-signed certificate by which OPC UA servers know this installation.

    Copy the certificate to the server's trust list; the key stays here, readable by its owner alone. Nothing is
    overwritten. Exit codes: 0 made, 2 refused.
    """
    from crumbmeter.adapters.opcua_certificates import make_certificate  # noqa: PLC0415 - a command loads what it needs

    host = host or socket.gethostname()
    shown, key = folder / "crumbmeter.der", folder / "crumbmeter-key.pem"
    try:
        made = make_certificate(shown, key, uri=uri or f"urn:{host}:crumbmeter", host=host, days=days)
    except OSError as fault:
        sys.stderr.write(f"{fault}\n")
        raise typer.Exit(REFUSED) from None
    sys.stdout.write(
        f"certificate  {shown}\nkey          {key}\napplication  {made.uri}\nSHA-1        {made.thumbprint}\n"
        f"valid for    {days} days\n"
    )
    raise typer.Exit(OK)
