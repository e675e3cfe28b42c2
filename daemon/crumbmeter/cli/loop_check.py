"""Names, options and help of `crumbmeter loop-check`: every signal and every output proved, with initials."""

from pathlib import Path
from typing import Annotated

import typer

By = Annotated[str, typer.Option(help="Initials of whoever checks.")]
Witness = Annotated[str, typer.Option(help="Initials of whoever watches at the instrument.")]
How = Annotated[str, typer.Option(help='What it was brought to its value with: "20 kg test weight".')]
Within = Annotated[float, typer.Option(help="Seconds to wait until it is steady and as expected.", min=1.0, max=600.0)]

HELP = """Prove every signal from its instrument to the page, and every write, for the quality record.

`list` shows how each loop stands, `signal` and `walk` look at signals and only read, `output` writes one register for
some seconds while no daemon runs. Read docs/loop-checks.md first: lock out and tag out what must not move.
"""


def add_to(app: typer.Typer) -> None:
    """Add the group of commands to the top-level application."""
    group = typer.Typer(no_args_is_help=True, help=HELP, rich_markup_mode=None)

    @group.callback()
    def place(
        context: typer.Context,
        site: Annotated[Path, typer.Argument(help="Site file, such as config/sites/demo_drum.toml.")],
        quality_folder: Annotated[
            Path | None, typer.Option("--quality-folder", help="Folder of the quality record, where it is another.")
        ] = None,
    ) -> None:
        """Take what all of them need."""
        context.obj = (site, quality_folder)

    _add_list(group)
    _add_looking(group)
    _add_output(group)
    app.add_typer(group, name="loop-check")


def _add_list(group: typer.Typer) -> None:
    @group.command("list")
    def list_loops(
        context: typer.Context,
        output: Annotated[
            Path | None, typer.Option("-o", "--output", help="File: .pdf, .json, .csv, .tsv or .parquet.")
        ] = None,
        as_json: Annotated[bool, typer.Option("--json", help="Print JSON, for scripts.")] = False,
    ) -> None:
        """Show the loop-check sheet: every signal and output, failed ones on top. Reads files alone.

        Exit codes: 0 all loops have passed, 1 some have not, 2 refused.
        """
        from crumbmeter.cli import loop_work as work  # noqa: PLC0415 - a command loads what it needs

        raise typer.Exit(work.list_loops(work.Place(*context.obj), output, as_json=as_json))


def _add_looking(group: typer.Typer) -> None:
    @group.command("signal")
    def signal(
        context: typer.Context,
        name: Annotated[str, typer.Argument(help="Its name in the site file.")],
        expect: Annotated[str, typer.Option(help="What it must read: 20kg, 44.1 lb, 0; of a contact closed or open.")],
        by: By,
        tolerance: Annotated[
            str, typer.Option(help="How far off it may be: 0.5kg. Else what the site states, or 1 % of its range.")
        ] = "",
        witness: Witness = "",
        how: How = "",
        within: Within = 15.0,
    ) -> None:
        """Look at one signal through the running daemon, or at its device where none runs. Only reads.

        A contact passes when it was seen closed and open, any other signal at two points. Exit codes: 0 as expected,
        1 not, 2 refused, and nothing is on record.
        """
        from crumbmeter.cli import loop_work as work  # noqa: PLC0415

        look = work.LookWords(expect, tolerance, by, witness, how, within)
        raise typer.Exit(work.signal(work.Place(*context.obj), name, look))

    @group.command("walk")
    def walk(context: typer.Context, by: By, witness: Witness = "", within: Within = 15.0) -> None:
        """Go through every signal that has not passed, in the order of the site file, asking at each. Only reads.

        Each look is on record at once: end it with q or Ctrl-C and go on another time. Exit codes: 0 all signals have
        passed, 1 some have not, 2 refused.
        """
        from crumbmeter.cli import loop_walk as work  # noqa: PLC0415
        from crumbmeter.cli.loop_work import Place  # noqa: PLC0415

        raise typer.Exit(work.walk(Place(*context.obj), by, witness, within))


def _add_output(group: typer.Typer) -> None:
    @group.command("output")
    def output(
        context: typer.Context,
        role: Annotated[str, typer.Argument(help="Its name under [outputs] in the site file.")],
        by: By,
        seconds: Annotated[float, typer.Option("--for", help="How long it is held; at most 120 s.")],
        value: Annotated[str, typer.Option(help="5rpm, closed; nothing for heartbeat and owner.")] = "",
        beside: Annotated[
            list[str] | None, typer.Option("--with", help="ROLE=VALUE that has to be on with it: airlock_run=closed.")
        ] = None,
        beyond: Annotated[bool, typer.Option("--beyond", help="Allow more than a tenth of the range.")] = False,
        into_drum: Annotated[bool, typer.Option("--into-drum", help="The diverter may stand to the drum.")] = False,
        confirm: Annotated[str, typer.Option(help="The site's id, for scripts; else it is asked for.")] = "",
        witness: Witness = "",
        how: How = "",
    ) -> None:
        """WRITE one output for some seconds and bring it to rest, while no daemon runs. It moves machinery.

        Ends at its time, at Ctrl-C, and at any doubt. Exit codes: 0 proved and at rest, 1 not proved, 2 nothing was
        written, 4 an output could not be confirmed at rest: go and look.
        """
        from crumbmeter.cli import loop_output as work  # noqa: PLC0415
        from crumbmeter.cli.loop_work import Place  # noqa: PLC0415

        asked = work.OutputWords(
            role, value, seconds, tuple(beside or ()), beyond, into_drum, confirm, by, witness, how
        )  # fmt: skip
        raise typer.Exit(work.output(Place(*context.obj), asked))
