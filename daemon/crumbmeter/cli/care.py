"""Names, options and help of the commands that look after a site file that is in force."""

import getpass
from pathlib import Path
from typing import Annotated

import typer

SiteFile = Annotated[Path, typer.Argument(help="Site file, such as config/sites/demo_drum.toml.")]
By = Annotated[str, typer.Option("--by", help="Who does it; by default the login name of this machine.")]
Reason = Annotated[str, typer.Option("--reason", help="Why: the record keeps it.")]
Record = Annotated[Path | None, typer.Option(help="Folder of the plant's record, where the file does not tell it.")]
Quality = Annotated[Path | None, typer.Option("--quality-folder", help="Folder of the quality record, likewise.")]


def add_to(app: typer.Typer) -> None:
    """Add the commands to the top-level application."""
    _add_taking(app)
    _add_versions(app)


def _add_taking(app: typer.Typer) -> None:
    @app.command("put-in-force")
    def apply(site: SiteFile, reason: Reason, by: By = "") -> None:
        """Have the running daemon put its site file in force as it is now, between two scans, where that is safe.

        What needs a restart is refused with the reason. Control falls to monitor only unless nothing that it depends on
        is different. Exit codes: 0 in force and on record, 1 not applied, 2 the file is refused, 3 no daemon.
        """
        from crumbmeter.cli import care_work as work  # noqa: PLC0415 - a command loads what it needs

        raise typer.Exit(work.apply(site, by or getpass.getuser(), reason))


def _add_versions(app: typer.Typer) -> None:
    @app.command("versions")
    def versions(
        site: SiteFile,
        show: Annotated[str, typer.Option(help="Print the files of this one: its number, or its settings id.")] = "",
        record: Record = None,
        quality: Quality = None,
    ) -> None:
        """List every version of a site file that was in force: who, why, when, and what was different.

        A version without a number came into force by a start, and only the plant's record holds it. Exit codes: 0
        listed, 1 no such version, 2 a record cannot be read.
        """
        from crumbmeter.cli import care_work as work  # noqa: PLC0415

        raise typer.Exit(work.versions(site, record, quality, show))

    @app.command("keep-version")
    def keep_version(site: SiteFile, reason: Reason, by: By = "") -> None:
        """Put the site file as it is on record, with who and why. Exit codes: 0 on record, 2 refused."""
        from crumbmeter.cli import care_work as work  # noqa: PLC0415

        raise typer.Exit(work.keep_version(site, by or getpass.getuser(), reason))

    @app.command("roll-back")
    def roll_back(
        site: SiteFile,
        version: Annotated[str, typer.Argument(help="Its number, or the first characters of its settings id.")],
        reason: Reason,
        by: By = "",
        record: Record = None,
        quality: Quality = None,
    ) -> None:
        """Put an old version in the place of the site file, as a new version; what is there now is kept first.

        It is in force once it is applied or the daemon is restarted. Exit codes: 0 done, 1 no such version, 2 refused.
        """
        from crumbmeter.cli import care_work as work  # noqa: PLC0415

        raise typer.Exit(work.roll_back(site, version, by or getpass.getuser(), reason, record, quality))
