"""Names, options and help of every command. What a command does stands in its own module."""

from pathlib import Path
from typing import Annotated

import typer

from crumbmeter import __version__
from crumbmeter.cli import begin, calibrate, care, commissioning, evidence, finding, loop_check, opcua, plan, quality
from crumbmeter.cli import check as check_command

HELP = """Meter crumb rubber into an asphalt plant in step with the mix, and keep the record that proves it.

crumbmeter starts in monitor only: it computes, checks and records, and writes nothing, until an integrator enables
control in the site file and at run time. It is no safety function; a software stop is not lock-out.
"""

app = typer.Typer(
    no_args_is_help=True, add_completion=False, pretty_exceptions_enable=False, help=HELP, rich_markup_mode=None
)
check_command.add_to(app)
plan.add_to(app)
begin.add_to(app)
care.add_to(app)
evidence.add_to(app)
quality.add_to(app)
calibrate.add_to(app)
commissioning.add_to(app)
loop_check.add_to(app)
opcua.add_to(app)
finding.add_to(app)

SiteFile = Annotated[Path, typer.Argument(help="Site file, such as config/sites/demo_drum.toml.")]
Json = Annotated[bool, typer.Option("--json", help="Print JSON, for scripts.")]
SocketOption = Annotated[
    Path, typer.Option("--socket", help="Local socket of the running daemon ([socket] path in its site file).")
]
JournalPath = Annotated[Path, typer.Argument(help="Journal file, or the folder it lies in.")]
Boot = Annotated[str | None, typer.Option(help="First characters of the run's boot id; the newest by default.")]
RunFrom = Annotated[float, typer.Option("--from", help="Seconds into the run.", min=0.0)]
RunTo = Annotated[float | None, typer.Option("--to", help="Seconds into the run; its end by default.")]
WhenFrom = Annotated[str, typer.Option("--from", help="Beginning, with its zone: 2026-07-01T06:00:00-05:00.")]
WhenTo = Annotated[str, typer.Option("--to", help="End, likewise.")]
DEEDS_HELP = (
    "start-feed, hold-feed, stop-feed, select-mix MIX, set-moisture STREAM PERCENT, acknowledge ALARM, "
    "reset-alarm ALARM, shelve-alarm ALARM MINUTES --reason WHY, unshelve-alarm ALARM, "
    "take-alarm-out-of-service ALARM --reason WHY, return-alarm-to-service ALARM, reset-subtotal, "
    "settle-total SIGNAL KG --reason WHY, accept-weight SIGNAL --reason WHY, confirm-weight SIGNAL KG --reason WHY, "
    "drum-dumped PERCENT, plan-job TONNES, load-bag LOT KG, mix-wasted TONNES --reason WHY, "
    "hand-over-note --reason WHY, measure-trip, relearn-line --reason WHY, enable-control, monitor-only."
)
DEMO_SOCKET = Path("var/demo/crumbmeter.sock")


def _version(asked: bool) -> None:
    if asked:
        typer.echo(f"crumbmeter {__version__}")
        raise typer.Exit


@app.callback()
def top(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Say the version.")
    ] = False,
) -> None:
    """Take the options that belong to no command."""


@app.command()
def run(site: SiteFile) -> None:
    """Run the daemon on a site until SIGTERM or Ctrl-C; the feeder is brought to rest and read back first.

    Exit codes: 0 stopped in order, 1 the scan failed, 2 nothing was started, 4 an output is not known to be at rest.
    """
    from crumbmeter.cli.run import run as run_site  # noqa: PLC0415 - a command loads what it needs

    raise typer.Exit(run_site(site))


@app.command()
def desk(
    site: SiteFile,
    training: Annotated[
        Path | None, typer.Option(help="Folder of a training's run: `crumbmeter train` says it.")
    ] = None,
) -> None:
    """Serve the operator's page and the API of a site, beside `crumbmeter run`, until SIGTERM or Ctrl-C.

    Control goes on whatever becomes of it. Exit codes: 0 stopped in order, 1 the server failed, 2 nothing was started.
    """
    from crumbmeter.cli.desk import desk as serve_desk  # noqa: PLC0415

    raise typer.Exit(serve_desk(site, training))


@app.command()
def demo(
    scenario: Annotated[Path, typer.Option(help="What happens in the shift.")] = Path(
        "config/scenarios/demo_shift.toml"
    ),
    site: Annotated[Path, typer.Option(help="Site file; must be marked simulated.")] = Path(
        "config/sites/demo_drum.toml"
    ),
    rate: Annotated[float, typer.Option(help="Plant seconds in a real second.", min=0.1, max=50.0)] = 10.0,
    seed: Annotated[int | None, typer.Option(help="In place of the scenario's own.")] = None,
    plant: Annotated[Path | None, typer.Option(help="Another plant file than the scenario names.")] = None,
    folder: Annotated[Path, typer.Option(help="Where the journal and the score go.")] = Path("var/demo"),
    yardsticks: Annotated[bool, typer.Option(help="Also run the yardsticks.")] = True,
    as_json: Json = False,
) -> None:
    """Run the real daemon against the simulated plant over real sockets, and score it against the truth.

    Exit codes: 0 all that the scenario expects came true, 1 not all, 2 nothing was started.
    """
    from crumbmeter.cli.demo import demo as run_demo  # noqa: PLC0415

    raise typer.Exit(
        run_demo(
            scenario, site, rate=rate, seed=seed, plant=plant, folder=folder, yardsticks=yardsticks, as_json=as_json
        )
    )


@app.command()
def train(
    lessons: Annotated[Path, typer.Argument(help="File of lessons.")] = Path("config/training/lessons.toml"),
    site: Annotated[Path, typer.Option(help="Site file; must be marked simulated.")] = Path(
        "config/sites/demo_drum.toml"
    ),
    rate: Annotated[float, typer.Option(help="Plant seconds in a real second.", min=0.1, max=10.0)] = 1.0,
    folder: Annotated[Path, typer.Option(help="Where the training's record goes.")] = Path("var/training"),
) -> None:
    """Train operators at the real page on a simulated plant, in which an instructor makes things happen.

    Exit codes: 0 ended by the instructor, 2 nothing was started.
    """
    from crumbmeter.cli.train import train as run_training  # noqa: PLC0415

    raise typer.Exit(run_training(lessons, site, folder, rate=rate))


@app.command()
def replay(
    journal: JournalPath,
    boot: Boot = None,
    events: Annotated[bool, typer.Option("--events", help="Also print every event of the run.")] = False,
    as_json: Json = False,
) -> None:
    """Run recorded scans through the same core again and compare every output bit for bit.

    Exit codes: 0 the same, 1 it differs, 2 it cannot be replayed.
    """
    from crumbmeter.cli.replay import replay as run_replay  # noqa: PLC0415

    raise typer.Exit(run_replay(journal, boot, as_json=as_json, events=events))


@app.command()
def travel(
    journal: JournalPath,
    boot: Boot = None,
    from_s: RunFrom = 0.0,
    to_s: RunTo = None,
    coverage: Annotated[float, typer.Option(help="Share that the intervals cover.", min=0.5, max=0.999)] = 0.95,
    as_json: Json = False,
) -> None:
    """Find in a recorded run how long material takes through drum, line and auger, and propose site-file lines.

    Says what was measured and what was assumed; changes no file. Exit codes: 0 something was found, 1 nothing could
    be, 2 it cannot be read.
    """
    from crumbmeter.cli.recorded import Stretch  # noqa: PLC0415
    from crumbmeter.cli.travel import travel as find_travel  # noqa: PLC0415

    raise typer.Exit(find_travel(journal, boot, Stretch(from_s, to_s), coverage=coverage, in_json=as_json))


@app.command()
def air(
    journal: JournalPath,
    boot: Boot = None,
    from_s: RunFrom = 0.0,
    to_s: RunTo = None,
    as_json: Json = False,
) -> None:
    """Find in the fills of a recorded run how fast fresh rubber gives off its air, and propose the site-file line.

    Takes about a minute for an hour; changes no file. Exit codes: 0 a line is proposed, 1 the fills cannot tell, 2 the
    run cannot be read.
    """
    from crumbmeter.cli.air import air as find_air  # noqa: PLC0415
    from crumbmeter.cli.recorded import Stretch  # noqa: PLC0415

    raise typer.Exit(find_air(journal, boot, Stretch(from_s, to_s), in_json=as_json))


@app.command()
def show(
    socket: SocketOption = DEMO_SOCKET,
    once: Annotated[bool, typer.Option("--once", help="Show it once and end.")] = False,
    as_json: Json = False,
) -> None:
    """Show a running daemon in the terminal: does the rubber follow, what is missing, what is to be done."""
    from crumbmeter.cli.show import show as show_board  # noqa: PLC0415

    raise typer.Exit(show_board(socket, as_json=as_json, once=once))


@app.command()
def do(
    command: Annotated[str, typer.Argument(help=DEEDS_HELP)],
    subject: Annotated[str, typer.Argument(help="Mix, stream, signal, alarm or lot, as the command needs.")] = "",
    value: Annotated[
        str, typer.Argument(help="Percent (set-moisture, drum-dumped), minutes (shelve-alarm), t (plan-job), else kg.")
    ] = "",
    reason: Annotated[str, typer.Option("--reason", help="Why, where the record keeps it.")] = "",
    minutes_ago: Annotated[float, typer.Option(help="set-moisture: sampled so long ago.", min=0.0, max=1440.0)] = 0.0,
    socket: SocketOption = DEMO_SOCKET,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask whether it is meant.")] = False,
) -> None:
    """Ask a running daemon for something, after it has been said what that will do.

    Exit codes: 0 done, 1 refused, 2 no such command, 3 no daemon, 4 taken but nothing heard of it, 5 answered no.
    """
    from crumbmeter.cli.do import do as do_it  # noqa: PLC0415

    raise typer.Exit(do_it(socket, command, subject, value, reason=reason, minutes_ago=minutes_ago, yes=yes))


@app.command()
def trace(
    device: Annotated[str, typer.Argument(help="Its name in the site file.")],
    socket: SocketOption = DEMO_SOCKET,
    seconds: Annotated[float, typer.Option(help="How long to look.", min=0.1, max=3600.0)] = 10.0,
    to: Annotated[Path | None, typer.Option(help="Also write the lines to this file.")] = None,
) -> None:
    """Print the raw frames to and from one device of a running daemon, with their times and what they mean.

    It ends by itself and disturbs nothing. Exit codes: 0 looked, 1 no such device, 3 no daemon.
    """
    from crumbmeter.cli.trace import trace as look  # noqa: PLC0415

    raise typer.Exit(look(socket, device, seconds, to))


@app.command()
def reconcile(
    journal: JournalPath,
    entries: Annotated[
        Path | None, typer.Option(help="CSV of load tickets, bags, waste and level changes (docs/uncertainty.md).")
    ] = None,
    from_when: WhenFrom = "",
    to_when: WhenTo = "",
    as_json: Json = False,
) -> None:
    """Hold scales, feeder, bags and load tickets of a closed period against each other, and name what has drifted.

    No reconciled value is shown while a test fails. Exit codes: 0 what can be tested agrees, 1 it does not, or nothing
    can be tested, 2 the journal, the entries or a time are refused.
    """
    from crumbmeter.cli.reconcile import reconcile as weigh_up  # noqa: PLC0415

    raise typer.Exit(weigh_up(journal, entries, from_when, to_when, as_json=as_json))


@app.command()
def card(
    site: SiteFile,
    factor: Annotated[
        float | None, typer.Option(help="Feed factor in kg a revolution, as learned; else the site file's.")
    ] = None,
    as_json: Json = False,
) -> None:
    """Print a card for feeding by hand: rubber and auger speed at each rate of the plant, for every mix.

    Exit codes: 0 printed, 2 the site is refused, or there is nothing to print.
    """
    from crumbmeter.cli.card import card as print_card  # noqa: PLC0415

    raise typer.Exit(print_card(site, factor, as_json=as_json))


@app.command()
def alarms(
    journal: JournalPath,
    from_when: WhenFrom = "",
    to_when: WhenTo = "",
    as_json: Json = False,
) -> None:
    """Tell how many alarms a period held: by hour and ten minutes, floods, the most frequent, chattering, stale.

    Exit codes: 0 told, 2 the journal or a time is refused.
    """
    from crumbmeter.cli.alarms import alarms as tell  # noqa: PLC0415

    raise typer.Exit(tell(journal, from_when, to_when, as_json=as_json))


@app.command()
def decode(
    words: Annotated[list[str], typer.Argument(help="Register words as they came, such as 0x4049 0x0FDB.")],
    as_json: Json = False,
) -> None:
    """Show register words under every type and order of bytes, to find the one that a device means.

    Exit codes: 0 shown, 2 these are no words.
    """
    from crumbmeter.cli.decode import decode as show_views  # noqa: PLC0415

    raise typer.Exit(show_views(words, as_json=as_json))


@app.command()
def probe(
    site: SiteFile,
    signal: Annotated[str, typer.Argument(help="Its name in the site file.")],
    as_json: Json = False,
) -> None:
    """Read one signal from its device now, and show it under every type and order, and one address beside it.

    Only reads, over a connection of its own; many devices take one at a time, so end the daemon first. Exit codes:
    0 read, 1 read and a neighbour is as plausible, 2 no such site or signal, 3 no answer.
    """
    from crumbmeter.cli.probe import probe as look  # noqa: PLC0415

    raise typer.Exit(look(site, signal, as_json=as_json))
