"""Names, options and help of the commands that find a register in an unknown device: survey and identify."""

from pathlib import Path
from typing import Annotated

import typer


def add_to(app: typer.Typer) -> None:
    """Add the commands to the top-level application."""
    _add_survey(app)
    _add_identify(app)


def _add_survey(app: typer.Typer) -> None:
    @app.command("survey")
    def survey(
        address: Annotated[
            str, typer.Argument(help="tcp://host:port, rtu:///dev/ttyUSB0?baud=9600&parity=none, rtu+tcp://host:port.")
        ],
        unit: Annotated[int, typer.Option(help="Modbus unit id.", min=0, max=255)] = 1,
        tables: Annotated[
            list[str] | None, typer.Option("--table", help="holding, input, coil, discrete; may be said twice.")
        ] = None,
        first: Annotated[int, typer.Option(help="First address: offset from 0, as on the wire.", min=0)] = 0,
        count: Annotated[int, typer.Option(help="How many addresses of each table.", min=1)] = 100,
        skip: Annotated[
            list[str] | None,
            typer.Option(help="Addresses never to be read (some act when they are): 400-410 or holding:400-410."),
        ] = None,
        max_count: Annotated[int, typer.Option(help="Most registers in one request.", min=1, max=125)] = 100,
        samples: Annotated[int, typer.Option(help="How often all is read.", min=1, max=100)] = 5,
        pause_s: Annotated[float, typer.Option("--pause", help="Seconds between samples.", min=0.0, max=60.0)] = 1.0,
        timeout_s: Annotated[float, typer.Option("--timeout", help="Seconds to wait.", min=0.05, max=10.0)] = 1.0,
        gap_s: Annotated[float, typer.Option("--gap", help="Seconds between two requests.", min=0.0, max=1.0)] = 0.02,
        display: Annotated[
            list[str] | None,
            typer.Option(help="What the display shows meanwhile, with all its digits: '212.4 short_ton/h'."),
        ] = None,
        manual_address: Annotated[
            str, typer.Option(help="Where the manual says that this value is: 40001, 0x0010 or an offset.")
        ] = "",
        output: Annotated[Path | None, typer.Option("--output", "-o", help="Keep the look in this file.")] = None,
        as_json: Annotated[bool, typer.Option("--json", help="Print JSON, for scripts.")] = False,
    ) -> None:
        """Read an unknown device in every plausible way, see what moves, and keep the look. Never writes.

        One master at a time: end the daemon, and whatever else asks the device, first. Reading is not always harmless:
        leave out with --skip what the manual says acts when it is read. Exit codes: 0 looked, 2 an option is not in
        order, 3 no answer.
        """
        from crumbmeter.cli.survey import Wish  # noqa: PLC0415 - a command loads what it needs
        from crumbmeter.cli.survey import survey as look  # noqa: PLC0415

        wish = Wish(
            address, unit, tuple(tables or ("holding", "input")), first, count, tuple(skip or ()), max_count, samples,
            pause_s, timeout_s, gap_s, tuple(display or ()), manual_address,
        )  # fmt: skip
        raise typer.Exit(look(wish, output, as_json=as_json))


def _add_identify(app: typer.Typer) -> None:
    @app.command("identify")
    def identify(
        looks: Annotated[list[Path], typer.Argument(help="Looks of `crumbmeter survey`, at two loads or more.")],
        profile: Annotated[str, typer.Option("--profile-name", help="Name of the device profile to write.")] = "",
        register: Annotated[str, typer.Option(help="Name of the register, and of the signal.")] = "",
        device: Annotated[str, typer.Option(help="Name of the device in the site; else that of the profile.")] = "",
        manual_address: Annotated[str, typer.Option(help="Where the manual says that this value is.")] = "",
        output: Annotated[
            Path | None, typer.Option("--output", "-o", help="Profile to write, or to add the register to.")
        ] = None,
        as_json: Annotated[bool, typer.Option("--json", help="Print JSON, for scripts.")] = False,
    ) -> None:
        """Find the register, type, order, scale and offset that the display stands for, and write the lines for it.

        What no reading taken can tell apart is said to be tied, with what would. Exit codes: 0 one stands out, 1 none
        does, 2 a file or a name is not in order.
        """
        from crumbmeter.cli.identify import identify as find  # noqa: PLC0415

        code = find(
            looks, profile=profile, register=register, device=device, output=output, manual=manual_address,
            as_json=as_json,
        )  # fmt: skip
        raise typer.Exit(code)
