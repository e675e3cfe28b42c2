"""`crumbmeter plan JOB`: what a job takes, and what would go wrong, before the truck leaves. Connects nowhere."""

import json
import sys
from pathlib import Path
from typing import Annotated, Final

import typer

from crumbmeter.cli.exits import FAILED, OK, REFUSED
from crumbmeter.cli.screen import columns

FORMS: Final = ("pdf", "json")


def plan(job: Path, site: Path | None = None, output: Path | None = None, *, as_json: bool = False) -> int:
    """Plan a job, and print or write the plan.

    Args:
        job: The job file.
        site: Site file that fills in what the job file leaves out.
        output: File to write (.pdf or .json); None: print it.
        as_json: Print JSON instead of words.

    Returns:
        Exit code: 0 no check fails, 1 one does, 2 a file is refused or cannot be written.
    """
    from crumbmeter.adapters.clock import machine_wall_us  # noqa: PLC0415 - a command loads what it needs
    from crumbmeter.planning.job import plan as make_plan  # noqa: PLC0415
    from crumbmeter.planning.verdicts import Verdict  # noqa: PLC0415
    from crumbmeter.report.document import content  # noqa: PLC0415
    from crumbmeter.report.plan import headline, plan_document  # noqa: PLC0415
    from crumbmeter.report.taking import file_bytes  # noqa: PLC0415
    from crumbmeter.report.terminal import text  # noqa: PLC0415
    from crumbmeter.site import SiteRefusedError, load, report  # noqa: PLC0415
    from crumbmeter.site.job import load_job  # noqa: PLC0415

    kind = "" if output is None else output.suffix.removeprefix(".")
    if output is not None and kind not in FORMS:
        sys.stderr.write(f"{output}: a plan is written as {' or '.join(FORMS)}, by the ending of the file's name.\n")
        return REFUSED
    try:
        loaded = None if site is None else load(site)
        if loaded is not None and loaded.params.batch is not None:
            sys.stderr.write(f"{site}: a batch plant; a plan is of a drum plant's rates. Leave --site out.\n")
            return REFUSED
        inputs = load_job(job, loaded)
    except SiteRefusedError as refused:
        sys.stderr.write(report(refused.problems) + "\n")
        return REFUSED
    made = make_plan(inputs.job)
    document = plan_document(inputs, made, loaded)
    if output is not None:
        try:
            output.write_bytes(file_bytes(document, kind, None, machine_wall_us() if kind == "pdf" else None))
        except OSError as problem:
            sys.stderr.write(f"{output}: not written: {problem}\n")
            return REFUSED
        sys.stdout.write(f"{output}: {headline(made)}\n")
    elif as_json:
        sys.stdout.write(json.dumps(content(document), indent=1, ensure_ascii=False, allow_nan=False) + "\n")
    else:
        sys.stdout.write(text(document, columns()))
    return FAILED if any(check.verdict is Verdict.FAILS for check in made.checks) else OK


def add_to(app: typer.Typer) -> None:
    """Add the command to the top-level application."""

    @app.command("plan")
    def command(
        job: Annotated[Path, typer.Argument(help="Job file, such as config/jobs/imaginary_flats.toml.")],
        site: Annotated[Path | None, typer.Option(help="Site file that fills in what the job file leaves out.")] = None,
        output: Annotated[Path | None, typer.Option("-o", "--output", help="File: .pdf (two pages) or .json.")] = None,
        as_json: Annotated[bool, typer.Option("--json", help="Print JSON, for scripts.")] = False,
    ) -> None:
        """Plan a job before the truck leaves: rubber, bags, feeder, line, electric loads and cost, and what fails.

        Starts nothing and connects to nothing. Exit codes: 0 no check fails, 1 one does, 2 a file is refused or cannot
        be written.
        """
        raise typer.Exit(plan(job, site, output, as_json=as_json))
