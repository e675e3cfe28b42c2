"""`crumbmeter demo`: the real daemon against the simulated plant over real sockets, through a whole shift.

The simulator is another program, started as such. Its score is the truth that no site can know; it is printed beside
what the daemon's own record says, and beside the yardsticks (docs/decisions/0002-yardsticks.md).
"""

import asyncio
import contextlib
import dataclasses
import json
import signal
import sys
from pathlib import Path

from rich.console import Console

from crumbmeter.app import Daemon, StartRefusedError
from crumbmeter.cli.demo_parts import Expectations, Orders, Shift, read_shift, serial_folder_of
from crumbmeter.cli.demo_plant import new_folder, point_at, simulated_or_say, wait_ready
from crumbmeter.cli.demo_report import judge, report_words
from crumbmeter.cli.exits import FAILED, OK, REFUSED
from crumbmeter.site import Site


def demo(
    scenario: Path,
    site_path: Path,
    *,
    rate: float = 10.0,
    seed: int | None = None,
    plant: Path | None = None,
    folder: Path = Path("var/demo"),
    yardsticks: bool = True,
    as_json: bool = False,
) -> int:
    """Run a shift and report on it.

    Args:
        scenario: What happens in the shift.
        site_path: Site file; must be marked simulated.
        rate: [1] Process seconds per real second.
        seed: In place of the scenario's own.
        plant: Another plant than the scenario names.
        folder: Where the journal and the score go, in a folder of their own.
        yardsticks: Also run the yardsticks on the same plant, scenario and seed.
        as_json: Print JSON at the end.

    Returns:
        Exit code: 0 all that the scenario expects was seen, 1 not all, 2 nothing was started.
    """
    site = simulated_or_say(site_path, "the demonstration")
    if site is None:
        return REFUSED
    run_folder = new_folder(folder)
    site = dataclasses.replace(
        site,
        journal=dataclasses.replace(site.journal, folder=run_folder),
        socket=run_folder / "crumbmeter.sock",
    )
    try:
        shift = read_shift(
            scenario, seed=seed, plant=plant, rate=rate, folder=run_folder, serial_folder=serial_folder_of(site)
        )
        return asyncio.run(_Demo(site, shift, as_json=as_json).run(yardsticks=yardsticks))
    except (StartRefusedError, OSError, ValueError) as refused:
        sys.stderr.write(f"the demonstration did not start: {refused}\n")
        return REFUSED


class _Demo:
    """One demonstration."""

    def __init__(self, site: Site, shift: Shift, *, as_json: bool) -> None:
        self._site = site
        self._shift = shift
        self._as_json = as_json
        self._console = Console(stderr=True)
        self._expected = Expectations(shift.expected)
        self._log = (site.journal.folder / "log.jsonl").open("w", encoding="utf-8")

    async def run(self, *, yardsticks: bool) -> int:
        """Start the plant, run the daemon beside it, and report."""
        shift = self._shift
        newest = self._site.socket.parent.parent / self._site.socket.name
        plant = await asyncio.create_subprocess_exec(
            *shift.serve_command(), stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE,
            start_new_session=True,  # Ctrl-C is for the daemon, which then still has a feeder to bring to rest
        )  # fmt: skip
        try:
            await wait_ready(plant)
            point_at(newest, self._site.socket)
            self._console.print(
                f"[bold]{shift.title}[/bold]: {shift.duration_s / 60.0:.0f} min of plant time at {shift.rate:g}x, "
                f"about {shift.duration_s / shift.rate / 60.0:.1f} min. Journal: {self._site.journal.folder}\n"
                f"Watch it from another terminal: crumbmeter show --socket {self._site.socket}"
            )
            code, end_state = await self._run_daemon(plant)
        finally:
            if newest.is_symlink() and newest.resolve() == self._site.socket.resolve():
                newest.unlink()
            with contextlib.suppress(ProcessLookupError):
                plant.terminate()
            await plant.wait()
        score = json.loads(shift.score_path.read_text()) if shift.score_path.exists() else None
        if score is None or code != OK:
            sys.stderr.write(f"the shift did not run to its end (daemon's exit code {code})\n")
            return FAILED
        if yardsticks:
            self._console.print("Yardsticks on the same plant, scenario and seed ...")
        measured = await shift.yardsticks() if yardsticks else {}
        verdict = judge(shift, score, self._expected, end_state)
        if self._as_json:
            told = {"score": score, "yardsticks": measured, "verdict": dataclasses.asdict(verdict)}
            sys.stdout.write(json.dumps(told, indent=2) + "\n")
        else:
            sys.stdout.write(report_words(score, measured, verdict, self._site))
        return OK if verdict.met else FAILED

    async def _run_daemon(self, plant: asyncio.subprocess.Process) -> tuple[int, str]:
        """Run the daemon until the plant ends or somebody interrupts; return its exit code and its last run state."""
        daemon = Daemon(self._site, rate=self._shift.rate, log_stream=self._log)
        loop = asyncio.get_running_loop()
        for sign in (signal.SIGTERM, signal.SIGINT):
            loop.add_signal_handler(sign, daemon.stop)
        orders = Orders(self._shift, daemon, self._console, self._expected)
        daemon.fanout.add("demo", orders)
        daemon.supervisor.add("orders", orders.run)
        daemon.supervisor.add("plant", lambda: _stop_with(plant, daemon))
        with self._log:
            code = await daemon.run()
        return code, orders.last_state


async def _stop_with(plant: asyncio.subprocess.Process, daemon: Daemon) -> None:
    await plant.wait()
    daemon.stop()
    await asyncio.Event().wait()
