"""Names, options and help of `crumbmeter quality`: what QC asks, and what people say for the record."""

from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

SiteFile = Annotated[Path, typer.Argument(help="Site file, such as config/sites/demo_drum.toml.")]
Record = Annotated[Path | None, typer.Option(help="Folder of the plant's record, where it is not the site file's.")]
Said = Annotated[Path | None, typer.Option("--quality-folder", help="Folder of the quality record, likewise.")]
Day = Annotated[datetime | None, typer.Option("--from", formats=["%Y-%m-%d"], help="First production day.")]
LastDay = Annotated[datetime | None, typer.Option("--to", formats=["%Y-%m-%d"], help="Last production day.")]
Who = Annotated[str, typer.Option(help="Who says it; by default the login name of this machine.")]


def add_to(app: typer.Typer) -> None:
    """Add the group of commands to the top-level application."""
    group = typer.Typer(no_args_is_help=True, help="Ask both records, and say things for the quality record.")
    _add_asking(group)
    _add_saying(group)
    app.add_typer(group, name="quality")


def _add_asking(group: typer.Typer) -> None:
    @group.command("ask")
    def ask(
        site: SiteFile,
        question: Annotated[
            str, typer.Argument(help="Such as deviations, lots, trucks: `crumbmeter quality questions`.")
        ],
        about: Annotated[str, typer.Argument(help="What it is about: a deviation, a ticket, a lot.")] = "",
        from_day: Day = None,
        to_day: LastDay = None,
        output: Annotated[
            Path | None, typer.Option("-o", "--output", help="File: .pdf, .json, .csv, .tsv or .parquet.")
        ] = None,
        as_json: Annotated[bool, typer.Option("--json", help="Print JSON, for scripts.")] = False,
        record: Record = None,
        quality_folder: Said = None,
    ) -> None:
        """Answer a question, over the newest production day with mix unless days are given.

        Exit codes: 0 answered, 1 there is no answer, 2 refused.
        """
        from crumbmeter.cli import quality_work as work  # noqa: PLC0415 - a command loads what it needs

        days = (None if from_day is None else from_day.date(), None if to_day is None else to_day.date())
        places = work.Places(site, record, quality_folder)
        raise typer.Exit(work.ask(places, question, about, days, output, as_json=as_json))

    @group.command("questions")
    def questions() -> None:
        """List the questions."""
        from crumbmeter.cli import quality_work as work  # noqa: PLC0415

        raise typer.Exit(work.questions())


def _add_saying(group: typer.Typer) -> None:
    @group.command("say")
    def say(
        site: SiteFile,
        form: Annotated[str, typer.Argument(help="Such as ticket, silo, judgement; without fields it lists them.")],
        fields: Annotated[list[str] | None, typer.Argument(help="NAME=VALUE, one for each field.")] = None,
        who: Who = "",
        record: Record = None,
        quality_folder: Said = None,
    ) -> None:
        """Say one thing for the quality record. It is corrected by saying it anew with corrects=ENTRY and reason=WHY.

        Exit codes: 0 on record, 2 refused, and nothing is on record.
        """
        from crumbmeter.cli import quality_work as work  # noqa: PLC0415

        raise typer.Exit(work.say(work.Places(site, record, quality_folder), form, fields or [], who))

    @group.command("tickets")
    def tickets(
        site: SiteFile,
        file: Annotated[Path, typer.Argument(help="CSV file of load tickets (docs/trucks.md).")],
        correct: Annotated[
            bool, typer.Option("--correct", help="Other content under a number on record is a correction.")
        ] = False,
        who: Who = "",
        record: Record = None,
        quality_folder: Said = None,
    ) -> None:
        """Put the load tickets of a file on record; lines that are fine are taken although others are refused.

        Exit codes: 0 all are on record, 1 some lines were refused, 2 nothing was taken.
        """
        from crumbmeter.cli import quality_work as work  # noqa: PLC0415

        raise typer.Exit(work.tickets(work.Places(site, record, quality_folder), file, who, correct=correct))
