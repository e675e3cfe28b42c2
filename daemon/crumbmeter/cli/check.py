"""`crumbmeter check`: is this site file good, and what does it say? Starts nothing, connects to nothing."""

import json
import sys
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from crumbmeter.cli import reference

if TYPE_CHECKING:
    from crumbmeter.site import Problem, Site

GOOD: Final = 0
REFUSED: Final = 2


def check(site: Path, as_json: bool = False) -> int:
    """Check a site file and explain it back.

    Args:
        site: The site file.
        as_json: Print JSON instead of words, also for problems.

    Returns:
        Exit code: 0 the site is good, 2 it is refused.
    """
    from crumbmeter.cli.check_text import site_text  # noqa: PLC0415 - a command loads what it needs
    from crumbmeter.cli.proof_text import proof_text  # noqa: PLC0415
    from crumbmeter.site import SiteRefused, load  # noqa: PLC0415
    from crumbmeter.site.explain import explain  # noqa: PLC0415
    from crumbmeter.site.provable import provable  # noqa: PLC0415

    try:
        loaded = load(site)
    except SiteRefused as refused:
        if as_json:
            _print_json({"ok": False, "problems": [_problem(problem) for problem in refused.problems]})
        else:
            _say(f"{refused}\nEvery code in [brackets] is explained in docs/refusals.md.", error=True)
        return REFUSED
    if as_json:
        _print_json(site_json(loaded))
    else:
        _say(site_text(loaded, explain(loaded), proof_text(loaded, provable(loaded))).rstrip())
    return GOOD


def site_json(site: "Site") -> dict[str, Any]:
    """Return everything that the words say, as plain values."""
    from crumbmeter.site.explain import explain  # noqa: PLC0415
    from crumbmeter.site.provable import provable  # noqa: PLC0415

    params = site.params
    return {
        "ok": True,
        "site_id": params.site_id,
        "title": site.title,
        "settings_id": site.settings_id,
        "simulated": params.simulated,
        "control_allowed": params.control_allowed,
        "scan_period_s": params.scan_period_s,
        **asdict(explain(site)),
        "proofs": [asdict(row) for row in provable(site)],
        "loads": [asdict(one) for one in site.loads],
        "warnings": [_problem(problem) for problem in site.warnings],
    }


def _problem(problem: "Problem") -> dict[str, Any]:
    return asdict(problem)


def _print_json(value: dict[str, Any]) -> None:
    sys.stdout.write(json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False) + "\n")


def _say(text: str, *, error: bool = False) -> None:
    """Print plain text; on a terminal the headings are bold."""
    from rich.console import Console  # noqa: PLC0415
    from rich.text import Text  # noqa: PLC0415

    console = Console(stderr=error, highlight=False, soft_wrap=True)
    lines = text.split("\n")
    if not console.is_terminal:
        (sys.stderr if error else sys.stdout).write(text + "\n")
        return
    for line, below in zip(lines, [*lines[1:], ""], strict=True):
        heading = line and not line.startswith(" ") and (error or set(below) == {"-"} or ": this site is good." in line)
        console.print(Text(line, style="bold" if heading else ""))


def add_to(app: typer.Typer) -> None:
    """Add the commands about site files, `check` and `reference`, to the top-level application."""
    reference.add_to(app)

    @app.command("check")
    def command(
        site: Annotated[Path, typer.Argument(help="Site file, such as config/sites/demo_drum.toml.")],
        as_json: Annotated[bool, typer.Option("--json", help="Print JSON, for scripts.")] = False,
        against: Annotated[
            Path | None, typer.Option(help="Say instead what is different from this site file, and what that does.")
        ] = None,
        in_force: Annotated[
            bool, typer.Option("--in-force", help="The same against what the daemon runs on, or ran on last.")
        ] = False,
    ) -> None:
        """Check a site file and explain it back in plain words. Starts nothing; only --in-force asks the daemon.

        Every mistake is shown at once, with file, key, line and remedy. Exit code 0: good; 1: there is nothing to
        compare with; 2: refused.
        """
        if against is not None or in_force:
            from crumbmeter.cli.care_work import compare  # noqa: PLC0415 - a command loads what it needs

            raise typer.Exit(compare(site, against))
        raise typer.Exit(check(site, as_json))
