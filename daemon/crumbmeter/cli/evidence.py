"""Names, options and help of the commands about the record as evidence: verify, export-record, key, backup."""

from pathlib import Path
from typing import Annotated

import typer

Folder = Annotated[Path, typer.Argument(help="Folder of the journal ([journal] folder in the site file).")]


def add_to(app: typer.Typer) -> None:
    """Add the commands to the top-level application."""
    _add_proofs(app)
    _add_keeping(app)


def _add_proofs(app: typer.Typer) -> None:
    @app.command("verify")
    def verify(
        record: Annotated[Path, typer.Argument(help="Journal file, the folder it lies in, or an exported record.")],
        head: Annotated[
            str | None, typer.Option(help="A head published earlier (strand:seq:hash), to find a cut tail.")
        ] = None,
        key: Annotated[
            str | None, typer.Option(help="Public key that must have signed it, or a file of them (`crumbmeter key`).")
        ] = None,
        as_json: Annotated[bool, typer.Option("--json", help="Print JSON, for scripts.")] = False,
    ) -> None:
        """Walk the chain of a journal or an exported record: is every entry as it was written, and who signed it?

        Exit codes: 0 it holds, 1 it is broken or not signed by the key, 2 it, the head or the key cannot be read.
        """
        from crumbmeter.cli.verify import verify as walk  # noqa: PLC0415 - a command loads what it needs

        raise typer.Exit(walk(record, head, as_json=as_json, key=key))

    @app.command("export-record")
    def export_record(
        folder: Folder,
        output: Annotated[Path, typer.Option("--output", "-o", help="File to write.")],
        from_when: Annotated[
            str, typer.Option("--from", help="Beginning, with its zone: 2026-07-01T06:00:00-05:00.")
        ] = "",
        to_when: Annotated[str, typer.Option("--to", help="End, likewise.")] = "",
        quality: Annotated[bool, typer.Option("--quality", help="The quality record, not the plant's.")] = False,
    ) -> None:
        """Write a period of the record to one file that `crumbmeter verify FILE --key PUBLIC` proves on any machine.

        It goes on to the next signed seal. Exit codes: 0 written and whole, 1 written, and broken, 2 nothing written.
        """
        from crumbmeter.cli.export_record import export_record as write  # noqa: PLC0415

        raise typer.Exit(write(folder, from_when, to_when, output, quality=quality))


def _add_keeping(app: typer.Typer) -> None:
    @app.command("key")
    def key(folder: Folder) -> None:
        """Print the public keys of a folder's journals: give them to whoever has to prove an exported record.

        Exit codes: 0 printed, 2 there is none, or it cannot be read.
        """
        from crumbmeter.cli.export_record import public_keys  # noqa: PLC0415

        raise typer.Exit(public_keys(folder))

    @app.command("backup")
    def backup(
        folder: Folder,
        target: Annotated[Path, typer.Argument(help="Folder of the backup, on another disk.")],
        with_keys: Annotated[
            bool, typer.Option("--with-keys", help="Also the private keys: whoever has them can sign.")
        ] = False,
        check_only: Annotated[
            bool, typer.Option("--check-only", help="Only read the backup that is there, as a restore would.")
        ] = False,
    ) -> None:
        """Copy both journals while they are written, and prove the copies by reading them back.

        Exit codes: 0 the copies are good, 1 there is no new backup (the last one stays), 2 nothing to back up.
        """
        from crumbmeter.cli import backup as backups  # noqa: PLC0415

        raise typer.Exit(backups.check(target) if check_only else backups.backup(folder, target, with_keys=with_keys))
