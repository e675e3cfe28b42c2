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
    _add_accept(app)
    _add_sign(app)


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
        apply: Annotated[
            bool, typer.Option("--into-site-file", help="Offer to write the lines into the site file.")
        ] = False,
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


def _add_accept(app: typer.Typer) -> None:
    @app.command("accept")
    def accept(
        site: SiteFile,
        specification: Annotated[
            str, typer.Option("--specification", help="Name of the profile, such as weighed_additive.")
        ],
        by: Annotated[str, typer.Option("--by", help="The integrator, who signs it.")],
        witness: Annotated[str, typer.Option("--witness", help="Who watches it and signs it too.")] = "",
        minutes: Annotated[float, typer.Option(help="Of the plant; half of it in control.", min=1.0)] = 30.0,
        from_when: Annotated[
            str, typer.Option("--from", help="Judge the record from here: 2026-07-01T06:00:00-05:00.")
        ] = "",
        to_when: Annotated[str, typer.Option("--to", help="End, likewise.")] = "",
        plan: Annotated[Path | None, typer.Option(help="JSON of the plan made before, by `crumbmeter plan`.")] = None,
        output: Annotated[
            Path | None, typer.Option("-o", "--output", help="Write the commissioning report: .pdf or .json.")
        ] = None,
        as_json: Json = False,
        record: Record = None,
        quality_folder: Said = None,
    ) -> None:
        """Guide an acceptance run against a specification: half in monitor only, the rest in control, then judged.

        Control is enabled only on a typed yes, or by you in another terminal. Exit codes: 0 every line passes,
        1 one fails or cannot be judged, or the run was not finished, 2 refused, 3 no daemon.
        """
        from crumbmeter.cli import accept as work  # noqa: PLC0415
        from crumbmeter.cli.quality_work import Places  # noqa: PLC0415

        span = work.span_of(from_when, to_when)
        if isinstance(span, str):
            typer.echo(span, err=True)
            raise typer.Exit(2)
        asked = work.Asked(specification, by, witness, minutes, span, plan, output, as_json=as_json)
        raise typer.Exit(work.accept(Places(site, record, quality_folder), asked))


def _add_sign(app: typer.Typer) -> None:
    @app.command("sign-commissioning")
    def sign_commissioning(
        site: SiteFile,
        by: Annotated[str, typer.Option("--by", help="Who signs.")],
        role: Annotated[str, typer.Option("--as", help="integrator or witness.")] = "witness",
        run: Annotated[str, typer.Option("--run", help="Id of the acceptance run; the newest by default.")] = "",
        record: Record = None,
        quality_folder: Said = None,
    ) -> None:
        """Sign a commissioning as the quality record now holds it. Exit codes: 0 signed, 1 not signed, 2 refused."""
        from crumbmeter.cli import accept as work  # noqa: PLC0415
        from crumbmeter.cli.quality_work import Places  # noqa: PLC0415

        if role not in ("integrator", "witness"):
            typer.echo(f"--as {role!r}: expected integrator or witness", err=True)
            raise typer.Exit(2)
        raise typer.Exit(work.sign_now(Places(site, record, quality_folder), role, by, run))
