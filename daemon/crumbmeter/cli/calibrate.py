"""Names, options and help of `crumbmeter calibrate`."""

import sys
from pathlib import Path
from typing import Annotated

import typer

KINDS_HELP = (
    "belt-zero, belt-span, belt-material, feeder-catch, feeder-run, cell-shift, cell-weights or binder-meter; left "
    "out: the list of what can be tested here."
)


def add_to(app: typer.Typer) -> None:
    """Add the command to the top-level application."""

    @app.command("calibrate")
    def calibrate(
        site: Annotated[Path, typer.Argument(help="Site file, such as config/sites/demo_drum.toml.")],
        kind: Annotated[str, typer.Argument(help=KINDS_HELP)] = "",
        instrument: Annotated[str, typer.Argument(help="What is tested, where there is more than one.")] = "",
        values: Annotated[
            list[str] | None, typer.Option("--set", help="NAME=VALUE of a field; in the site's unit, or `VALUE UNIT`.")
        ] = None,
        answers: Annotated[
            Path | None, typer.Option(help="File with a NAME=VALUE in each line; - is standard input.")
        ] = None,
        steps: Annotated[bool, typer.Option("--steps", help="Only print the steps with their fields.")] = False,
        record: Annotated[bool, typer.Option("--record", help="Put it on record without asking.")] = False,
        apply: Annotated[bool, typer.Option("--apply", help="Also write values into the site file.")] = False,
        legal_for_trade: Annotated[
            bool, typer.Option("--legal-for-trade", help="Judge by NIST Handbook 44 (figures from memory).")
        ] = False,
        corrects: Annotated[str, typer.Option(help="Number of the entry that it takes the place of.")] = "",
        reason: Annotated[str, typer.Option(help="Why it corrects.")] = "",
        who: Annotated[str, typer.Option(help="Who made the test; by default the login name.")] = "",
        draft: Annotated[
            Path | None, typer.Option(help="File of the draft; by default beside the quality record.")
        ] = None,
        anew: Annotated[bool, typer.Option("--anew", help="Put an old draft aside and begin anew.")] = False,
        socket: Annotated[Path | None, typer.Option(help="Socket of the running daemon; else the site's.")] = None,
        quality_folder: Annotated[
            Path | None, typer.Option("--quality-folder", help="Folder of the quality record, likewise.")
        ] = None,
        as_json: Annotated[bool, typer.Option("--json", help="Print JSON, and ask nothing.")] = False,
    ) -> None:
        """Calibrate an instrument at the plant, step by step, with what the running daemon reads; it is only read.

        Every entry is kept at once; an interrupted test goes on where it was left. Without a terminal, or with --json,
        --answers or --record, nothing is asked. Exit codes: 0 within the limits, 1 not within them, 2 refused, or
        something is missing (the draft is kept).
        """
        from crumbmeter.cli import calibrate_work as work  # noqa: PLC0415 - a command loads what it needs
        from crumbmeter.cli.calibrate_talk import Terminal, read_answers  # noqa: PLC0415
        from crumbmeter.cli.exits import REFUSED  # noqa: PLC0415
        from crumbmeter.cli.quality_work import Places  # noqa: PLC0415

        try:
            given = read_answers(values or [], answers)
        except (OSError, UnicodeDecodeError, ValueError) as problem:
            sys.stderr.write(f"{problem}\n")
            raise typer.Exit(REFUSED) from problem
        asked = work.Asked(
            Places(site, None, quality_folder), kind, instrument, given, who, draft, socket, corrects, reason,
            anew, legal_for_trade, steps, as_json, record, apply,
        )  # fmt: skip
        alone = as_json or record or answers is not None or not sys.stdin.isatty()
        raise typer.Exit(work.calibrate(asked, None if alone else Terminal()))
