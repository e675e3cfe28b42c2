"""Names, options and help of the commands that begin a site and fill it in."""

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

SiteFile = Annotated[Path, typer.Argument(help="Site file, such as plant/site.toml.")]


class Kind(StrEnum):
    """How a plant makes mix."""

    DRUM = "drum"
    BATCH = "batch"


class UnitSystem(StrEnum):
    """What people see."""

    US = "us"
    METRIC = "metric"


def add_to(app: typer.Typer) -> None:
    """Add the commands to the top-level application."""
    _add_beginning(app)
    _add_filling(app)


def _add_beginning(app: typer.Typer) -> None:
    @app.command("new-site")
    def new_site(
        folder: Annotated[Path, typer.Argument(help="Folder to make; its name becomes the site's id.")],
        title: Annotated[str, typer.Option(help="Name of the plant for people.")] = "An asphalt plant",
        kind: Annotated[Kind, typer.Option(help="How the plant makes mix.")] = Kind.DRUM,
        units: Annotated[UnitSystem, typer.Option(help="Units that people see.")] = UnitSystem.US,
        simulated: Annotated[bool, typer.Option("--simulated", help="The plant is a simulator.")] = False,
        recycle: Annotated[bool, typer.Option(help="Whether the plant takes recycle.")] = True,
    ) -> None:
        """Begin a site: site file, quality plan, register-map template, next steps; all with comments.

        What only the plant can tell is marked FILL IN, and refused until then. Exit codes: 0 begun, 2 refused.
        """
        from crumbmeter.cli import begin_work as work  # noqa: PLC0415 - a command loads what it needs
        from crumbmeter.site.starting import Beginning  # noqa: PLC0415

        begun = Beginning(title, kind.value, units.value, simulated, recycle)
        raise typer.Exit(work.new_site(folder, begun))

    @app.command("add-device")
    def add_device(
        site: SiteFile,
        name: Annotated[str, typer.Argument(help="Name of the device in this site.")],
        signals: Annotated[
            list[str] | None,
            typer.Argument(help="SIGNAL=REGISTER:LOW:HIGH, in the register's unit; a contact: SIGNAL=REGISTER."),
        ] = None,
        profile: Annotated[Path, typer.Option(help="File of its register map.")] = Path(),
        host: Annotated[str, typer.Option(help="IP address or host name.")] = "FILL IN: IP address or host name",
        port: Annotated[int, typer.Option(help="TCP port.", min=1, max=65535)] = 502,
        unit: Annotated[int, typer.Option(help="Modbus unit id.", min=0, max=255)] = 1,
        keys: Annotated[
            list[str] | None, typer.Option("--key", help="KEY=VALUE of another key of the device, as serial_port=...")
        ] = None,
        writes: Annotated[
            list[str] | None, typer.Option("--writes", help="OUTPUT=REGISTER:LOW:HIGH; a contact: OUTPUT=REGISTER.")
        ] = None,
        storage: Annotated[
            str, typer.Option(help="Where it keeps what is written, by its manual: volatile or durable.")
        ] = "",
    ) -> None:
        """Put a device into a site file, with the signals that are read and the registers that may be written.

        A register that is named like something control looks at is wired to it. Exit codes: 0 done, 2 refused.
        """
        from crumbmeter.cli import begin_work as work  # noqa: PLC0415

        address = work.Address(host, port, unit, tuple(keys or []))
        raise typer.Exit(work.add_device(site, name, profile, address, signals or [], writes or [], storage))


def _add_filling(app: typer.Typer) -> None:
    @app.command("add")
    def add(
        site: SiteFile,
        table: Annotated[str, typer.Argument(help="Such as mixes.surface.")],
        pairs: Annotated[list[str] | None, typer.Argument(help="KEY=VALUE, one for each key.")] = None,
    ) -> None:
        """Put a new table into a site file: a mix, a stream, an alarm's delays. Exit codes: 0 done, 2 refused."""
        from crumbmeter.cli import begin_work as work  # noqa: PLC0415

        raise typer.Exit(work.add_table(site, table, pairs or []))

    @app.command("set")
    def set_values(
        site: SiteFile,
        pairs: Annotated[list[str], typer.Argument(help="KEY=VALUE, such as line.travel_s=3.9; several at once.")],
    ) -> None:
        """Set keys of a site file with its comments kept, check it, and say what is different and what is left.

        What is refused is not written. Exit codes: 0 done, 2 refused and nothing changed.
        """
        from crumbmeter.cli import begin_work as work  # noqa: PLC0415

        raise typer.Exit(work.set_values(site, pairs))
