"""Names, options and help of the commands that prove a plant: timing, accept, sign-commissioning."""

from pathlib import Path
from typing import Annotated

import typer

SiteFile = Annotated[Path, typer.Argument(help="Site file, such as config/sites/demo_drum.toml.")]
Json = Annotated[bool, typer.Option("--json", help="Print JSON, for scripts.")]
Record = Annotated[Path | None, typer.Option(help="Folder of the plant's record, where it is not the site file's.")]
Said = Annotated[Path | None, typer.Option("--quality-folder", help="Folder of the quality record, likewise.")]
Output = Annotated[Path | None, typer.Option("-o", "--output", help="File: .pdf or .json.")]


def add_to(app: typer.Typer) -> None:
    """Add the commands to the top-level application."""
    _add_timing(app)


def _add_timing(app: typer.Typer) -> None:
    @app.command("timing")
    def timing(
        site: SiteFile,
        by: Annotated[str, typer.Option("--by", help="Who makes the test; by default the login name.")] = "",
        from_s: Annotated[
            float | None, typer.Option("--from", help="Seconds into a run on record; without it the daemon is watched.")
        ] = None,
        to_s: Annotated[float | None, typer.Option("--to", help="Likewise; the run's end by default.")] = None,
        boot: Annotated[str | None, typer.Option(help="First characters of the run's boot id; the newest.")] = None,
        minutes: Annotated[float, typer.Option(help="Longest watch.", min=1.0, max=600.0)] = 90.0,
        coverage: Annotated[float, typer.Option(help="Share that the intervals cover.", min=0.5, max=0.999)] = 0.95,
        put: Annotated[bool, typer.Option("--put/--no-put", help="Put the result on record.")] = True,
        apply: Annotated[bool, typer.Option("--apply", help="Offer to write the lines into the site file.")] = False,
        output: Output = None,
        as_json: Json = False,
        record: Record = None,
        quality_folder: Said = None,
    ) -> None:
        """Find travel and delay by start-up and step tests: says what to do, watches, and judges what was seen.

        Writes nothing to the plant. Exit codes: 0 something was identified, 1 nothing was, 2 refused, 3 no daemon.
        """
        from crumbmeter.cli.quality_work import Places  # noqa: PLC0415 - a command loads what it needs
        from crumbmeter.cli.recorded import Stretch  # noqa: PLC0415
        from crumbmeter.cli.timing import Asked  # noqa: PLC0415
        from crumbmeter.cli.timing import timing as find  # noqa: PLC0415

        recorded = from_s is not None or to_s is not None or boot is not None
        stretch = Stretch(from_s or 0.0, to_s) if recorded else None
        asked = Asked(boot, stretch, minutes, coverage, by, put=put, apply=apply, output=output, as_json=as_json)
        raise typer.Exit(find(Places(site, record, quality_folder), asked))
