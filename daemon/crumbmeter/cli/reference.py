"""`crumbmeter reference`: print the pages and schemas that are made from the models; docs/ and config/ keep them."""

import sys
from collections.abc import Callable
from enum import StrEnum
from typing import Annotated, Final

import typer


class Page(StrEnum):
    """What can be printed."""

    SITE_FILE = "site-file"
    QUALITY_PLAN = "quality-plan"
    JOB_FILE = "job-file"
    REFUSALS = "refusals"
    SCHEMA = "schema"
    PROFILE_SCHEMA = "profile-schema"
    RUN_SEQUENCE = "run-sequence"
    ALARMS = "alarms"
    ALARM_CATALOGUE = "alarm-catalogue"
    LINE_DIAGNOSIS = "line-diagnosis"
    OFFERED_REGISTERS = "offered-registers"


STORED: Final = {
    Page.SITE_FILE: "docs/site-file.md",
    Page.QUALITY_PLAN: "docs/quality-plan.md",
    Page.JOB_FILE: "docs/job-file.md",
    Page.REFUSALS: "docs/refusals.md",
    Page.SCHEMA: "config/schema.json",
    Page.PROFILE_SCHEMA: "config/device-schema.json",
    Page.RUN_SEQUENCE: "docs/run-sequence.md",
    Page.ALARMS: "docs/alarms.md",
    Page.ALARM_CATALOGUE: "config/alarm-catalogue.json",
    Page.LINE_DIAGNOSIS: "docs/line-diagnosis.md",
    Page.OFFERED_REGISTERS: "docs/offered-registers.md",
}
"""Where each page is stored in the repository."""


def page_text(page: Page) -> str:
    """Make one page from the models."""
    from crumbmeter.cli.offered_table import offered_page  # noqa: PLC0415
    from crumbmeter.cli.tables import (  # noqa: PLC0415
        alarm_catalogue,
        alarms_page,
        line_diagnosis_page,
        run_sequence_page,
    )
    from crumbmeter.site.editor_schema import profile_schema, schema_text, site_schema  # noqa: PLC0415
    from crumbmeter.site.reference import (  # noqa: PLC0415 - a command loads what it needs
        job_file_page,
        quality_plan_page,
        refusals_page,
        site_file_page,
    )

    makers: dict[Page, Callable[[], str]] = {
        Page.SITE_FILE: site_file_page,
        Page.QUALITY_PLAN: quality_plan_page,
        Page.JOB_FILE: job_file_page,
        Page.REFUSALS: refusals_page,
        Page.SCHEMA: lambda: schema_text(site_schema()),
        Page.PROFILE_SCHEMA: lambda: schema_text(profile_schema()),
        Page.RUN_SEQUENCE: run_sequence_page,
        Page.ALARMS: alarms_page,
        Page.ALARM_CATALOGUE: alarm_catalogue,
        Page.LINE_DIAGNOSIS: line_diagnosis_page,
        Page.OFFERED_REGISTERS: offered_page,
    }
    return makers[page]()


def reference(page: Page) -> int:
    """Print one page.

    Returns:
        Exit code: 0.
    """
    sys.stdout.write(page_text(page))
    return 0


def add_to(app: typer.Typer) -> None:
    """Add the command `reference` to the top-level application."""

    @app.command("reference")
    def command(page: Annotated[Page, typer.Argument(help="What to print.")]) -> None:
        """Print a reference page or a JSON schema for editors, made from this version's own models."""
        raise typer.Exit(reference(page))
