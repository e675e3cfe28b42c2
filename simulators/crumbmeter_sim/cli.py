"""Commands: serve, yardsticks, playback, check, proxy."""

import asyncio
import errno
import json
import sys
import tomllib
from pathlib import Path
from typing import Annotated, Any, NoReturn

import typer
from rich.progress import Progress as Bar

from crumbmeter_sim.loader import FileRefusedError
from crumbmeter_sim.oracle import LARGEST_GAP_KG, play_open_loop
from crumbmeter_sim.playback import Playback
from crumbmeter_sim.rigs import open_rig
from crumbmeter_sim.serve import Progress, ServeOptions
from crumbmeter_sim.serve import serve as serve_rig
from crumbmeter_sim.stage import Stage

app = typer.Typer(
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    help="Play a drum or batch plant with a rubber feeder.",
)

ScenarioFile = Annotated[Path, typer.Argument(help="Scenario file (config/scenarios/*.toml).")]
Seed = Annotated[int | None, typer.Option(help="In place of the scenario's own seed.")]
PlantFile = Annotated[Path | None, typer.Option(help="Another plant than the scenario names.")]
Sets = Annotated[
    list[str] | None,
    typer.Option("--set", help="A plant parameter that differs: `drum.back_mixing=0.3`, `belt.0.moisture_percent=6`."),
]
Offset = Annotated[int, typer.Option(help="Added to every port of the plant file.")]
Ports = Annotated[str, typer.Option(help="'file': the plant file's ports; 'zero': any free ports, told in READY.")]


def overrides(sets: list[str] | None) -> dict[str, Any]:
    """Read `--set key=value` options; a value is written as in TOML."""
    table: dict[str, Any] = {}
    for entry in sets or []:
        key, _, value = entry.partition("=")
        try:
            table[key.strip()] = tomllib.loads(f"value = {value}")["value"]
        except tomllib.TOMLDecodeError as error:
            raise typer.BadParameter(f"{entry}: not `key=value` with a TOML value") from error
    return table


def refuse(error: FileRefusedError) -> NoReturn:
    """Say why a file was refused, and exit with code 2."""
    sys.stderr.write(f"{error}\n")
    raise typer.Exit(2)


@app.command()
def serve(
    scenario: ScenarioFile,
    rate: Annotated[float, typer.Option(help="Plant seconds in a real second.", min=0.01)] = 1.0,
    seed: Seed = None,
    plant: PlantFile = None,
    sets: Sets = None,
    host: Annotated[str, typer.Option(help="Address to listen at.")] = "127.0.0.1",
    port_offset: Offset = 0,
    ports: Ports = "file",
    exit_at_end: Annotated[bool, typer.Option(help="Exit when the scenario is over.")] = False,
    hold_at_end: Annotated[
        bool, typer.Option(help="Let plant time stand at the scenario's end, and go on serving.")
    ] = False,
    wait: Annotated[bool, typer.Option(help="Plant time begins with the first request.")] = False,
    orders: Annotated[bool, typer.Option(help="Take steps of a time line on standard input, as JSON.")] = False,
    serial_folder: Annotated[Path, typer.Option(help="Where serial lines are linked.")] = Path("var/serial"),
    score: Annotated[Path | None, typer.Option(help="Write the score here (JSON) at the end.")] = None,
    truth: Annotated[Path | None, typer.Option(help="Write the truth here (CSV, a row a second) at the end.")] = None,
    record: Annotated[Path | None, typer.Option(help="Write every register here (CSV), for playback.")] = None,
    record_period_s: Annotated[float, typer.Option(help="Plant seconds between two rows of the record.")] = 0.2,
) -> None:
    """Serve a scenario on Modbus TCP. Prints `READY {json}` with the ports; ends on SIGTERM."""
    try:
        rig = open_rig(scenario, seed=seed, plant=plant, overrides=overrides(sets))
    except FileRefusedError as error:
        refuse(error)
    options = ServeOptions(
        host=host,
        rate=rate,
        port_offset=port_offset,
        free_ports=ports == "zero",
        exit_at_end=exit_at_end,
        hold_at_end=hold_at_end,
        hold_until_request=wait,
        orders=orders,
        serial_folder=serial_folder,
        score=score,
        truth=truth,
        record=record,
        record_period_s=record_period_s,
    )
    if not sys.stderr.isatty():
        _play(rig, options)
        return
    with _bar() as bar:
        _play(rig, options, _shown(bar, rig.title))


@app.command()
def yardsticks(scenario: ScenarioFile, seed: Seed = None, plant: PlantFile = None, sets: Sets = None) -> None:
    """Score the three yardsticks on a scenario; prints JSON."""
    from crumbmeter_sim.yardsticks import run_all  # noqa: PLC0415 - only this command needs it

    try:
        if sys.stderr.isatty():
            with _bar() as bar:
                result = run_all(
                    scenario, seed=seed, plant=plant, overrides=overrides(sets), progress=_shown(bar, "yardsticks")
                )
        else:
            result = run_all(scenario, seed=seed, plant=plant, overrides=overrides(sets))
    except FileRefusedError as error:
        refuse(error)
    sys.stdout.write(json.dumps(result, indent=2) + "\n")


@app.command()
def playback(
    record: Annotated[Path, typer.Argument(help="A record (CSV), or a TOML file with `record` and `plant`.")],
    plant: Annotated[Path | None, typer.Option(help="The plant whose servers it is played on.")] = None,
    rate: Annotated[float, typer.Option(help="Recorded seconds in a real second.", min=0.01)] = 1.0,
    host: Annotated[str, typer.Option(help="Address to listen at.")] = "127.0.0.1",
    port_offset: Offset = 0,
    ports: Ports = "file",
    exit_at_end: Annotated[bool, typer.Option(help="Exit when the record is over.")] = False,
    wait: Annotated[bool, typer.Option(help="The record begins with the first request.")] = False,
) -> None:
    """Play a recorded run back on Modbus TCP. Prints `READY {json}` with the ports; ends on SIGTERM."""
    try:
        source = Playback.open(record, plant)
    except FileRefusedError as error:
        refuse(error)
    options = ServeOptions(
        host=host,
        rate=rate,
        port_offset=port_offset,
        free_ports=ports == "zero",
        exit_at_end=exit_at_end,
        hold_until_request=wait,
    )
    _play(source, options)


@app.command()
def check(
    scenarios: Annotated[list[Path], typer.Argument(help="Scenario files.")],
    seed: Seed = None,
    plant: PlantFile = None,
    sets: Sets = None,
    rpm: Annotated[float, typer.Option(help="Speed at which the auger is left running.")] = 20.0,
) -> None:
    """Read scenario files, play each with the auger at one speed, and see that no mass is lost (else exit code 1)."""
    lost = False
    for path in scenarios:
        try:
            rig = open_rig(path, seed=seed, plant=plant, overrides=overrides(sets))
        except FileRefusedError as error:
            refuse(error)
        gaps = play_open_loop(rig, rpm)
        lost = lost or max(map(abs, gaps.values())) > LARGEST_GAP_KG
        told = ", ".join(f"{name} {gap:+.1e} kg" for name, gap in gaps.items())
        sys.stdout.write(f"{path}: {rig.title}; {rig.now_s:.0f} s played; {told}\n")
    raise typer.Exit(int(lost))


def _play(rig: Stage[Any, Any] | Playback, options: ServeOptions, progress: Progress | None = None) -> None:
    """Serve to the end; a port that cannot be had is said in a line, with exit code 2."""
    try:
        asyncio.run(serve_rig(rig, options, progress))
    except OSError as error:
        if error.errno not in (errno.EADDRINUSE, errno.EACCES, errno.EADDRNOTAVAIL):
            raise
        remedy = "Is another simulator running? --port-offset moves all ports, --ports zero takes free ones."
        sys.stderr.write(f"{error.strerror or error}. {remedy}\n")
        raise typer.Exit(2) from None


@app.command()
def proxy(
    listen: Annotated[str, typer.Option(help="Where masters come in: tcp:HOST:PORT, rtutcp:HOST:PORT or rtu:PATH.")],
    to: Annotated[str, typer.Option(help="Where the device is, written likewise.")],
    script: Annotated[Path | None, typer.Option(help="A file of faults (docs/simulator.md).")] = None,
    mix: Annotated[str, typer.Option(help="Shares of the frames: `delay=0.05,drop=0.02`, or `all=0.01`.")] = "",
    seed: Annotated[int | None, typer.Option(help="Seed of the mix, in place of the script's own.")] = None,
    timeout_s: Annotated[float, typer.Option(help="The master's time-out: delays of the mix are around it.")] = 0.5,
    spread_s: Annotated[float, typer.Option(help="How far around it, either way.")] = 0.02,
) -> None:
    """Stand between a master and any Modbus device, and spoil what passes. Prints the counts at the end."""
    from crumbmeter_sim.faults.command import build_proxy, run_proxy  # noqa: PLC0415 - only this command needs it

    try:
        line = build_proxy(
            listen, to, script=script, mix=mix, seed=seed, timeout_s=timeout_s, spread_s=min(spread_s, timeout_s)
        )
    except FileRefusedError as error:
        refuse(error)
    except ValueError as error:
        raise typer.BadParameter(str(error)) from error
    asyncio.run(run_proxy(line))


def _bar() -> Bar:
    from rich.console import Console  # noqa: PLC0415 - not needed off a terminal

    return Bar(console=Console(stderr=True), transient=True)


def _shown(bar: Bar, title: str) -> Progress:
    task = bar.add_task(title, total=1.0)

    def show(now_s: float, duration_s: float) -> None:
        bar.update(task, completed=now_s / duration_s)

    return show
