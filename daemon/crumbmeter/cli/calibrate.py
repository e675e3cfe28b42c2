"""Names, options and help of `crumbmeter calibrate`."""

import sys
from pathlib import Path
from typing import Annotated

import typer

KINDS_HELP = (
    "belt-zero, belt-span, belt-material, feeder-catch, feeder-run, cell-shift, cell-weights or binder-meter; left "
    "out: the list of what can be tested here."
)
SiteFile = Annotated[Path, typer.Argument(help="Site file, such as config/sites/demo_drum.toml.")]
Kind = Annotated[str, typer.Argument(help=KINDS_HELP)]
Instrument = Annotated[str, typer.Argument(help="What is tested, where there is more than one.")]
SET_HELP = "NAME=VALUE of a field; in the site's unit, or `VALUE UNIT`."
Values = Annotated[list[str] | None, typer.Option("--set", help=SET_HELP)]
Answers = Annotated[Path | None, typer.Option(help="File with a NAME=VALUE in each line; - is standard input.")]
Steps = Annotated[bool, typer.Option("--steps", help="Only print the steps with their fields.")]
Record = Annotated[bool, typer.Option("--record", help="Put it on record without asking.")]
Apply = Annotated[bool, typer.Option("--into-site-file", help="Also write values into the site file.")]
Legal = Annotated[bool, typer.Option("--legal-for-trade", help="Judge by NIST Handbook 44 (figures from memory).")]
Corrects = Annotated[str, typer.Option(help="Number of the entry that it takes the place of.")]
Reason = Annotated[str, typer.Option(help="Why it corrects.")]
Who = Annotated[str, typer.Option(help="Who made the test; by default the login name.")]
Draft = Annotated[Path | None, typer.Option(help="File of the draft; by default beside the quality record.")]
Anew = Annotated[bool, typer.Option("--anew", help="Put an old draft aside and begin anew.")]
Socket = Annotated[Path | None, typer.Option(help="Socket of the running daemon; else the site's.")]
Quality = Annotated[Path | None, typer.Option("--quality-folder", help="Folder of the quality record, likewise.")]
Json = Annotated[bool, typer.Option("--json", help="Print JSON, and ask nothing.")]


def add_to(app: typer.Typer) -> None:
    """Add the command to the top-level application."""
    app.command("calibrate")(calibrate)


def calibrate(
    site: SiteFile, kind: Kind = "", instrument: Instrument = "", values: Values = None, answers: Answers = None,
    steps: Steps = False, record: Record = False, apply: Apply = False, legal_for_trade: Legal = False,
    corrects: Corrects = "", reason: Reason = "", who: Who = "", draft: Draft = None, anew: Anew = False,
    socket: Socket = None, quality_folder: Quality = None, as_json: Json = False,
) -> None:  # fmt: skip
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
        Places(site, None, quality_folder), kind, instrument, given, who, draft, socket, corrects, reason, anew,
        legal_for_trade, steps, as_json, record, apply,
    )  # fmt: skip
    alone = as_json or record or answers is not None or not sys.stdin.isatty()
    raise typer.Exit(work.calibrate(asked, None if alone else Terminal()))
