"""`crumbmeter run SITE`: the daemon itself. Ends on SIGTERM or SIGINT with the feeder at rest."""

import asyncio
import os
import signal
import sys
from pathlib import Path

from crumbmeter.adapters.logs import detach_logs
from crumbmeter.app import Daemon, StartRefusedError
from crumbmeter.cli.check_text import addresses_text
from crumbmeter.cli.exits import FAILED, NOT_AT_REST, REFUSED
from crumbmeter.field.plan import wire_addresses
from crumbmeter.site import Site, SiteRefusedError, load, report


def load_or_say(path: Path) -> Site | None:
    """Load a site, or say on stderr everything that is wrong with it."""
    try:
        return load(path)
    except SiteRefusedError as refused:
        sys.stderr.write(report(refused.problems) + "\n")
        return None


def run(path: Path) -> int:
    """Run the daemon until it is told to stop.

    Args:
        path: Site file.

    Returns:
        Exit code: 0 stopped in order, 1 the scan failed, 2 nothing was started, 4 an output is not known to be at rest.
    """
    site = load_or_say(path)
    if site is None:
        return REFUSED
    try:
        code, last_words = asyncio.run(_run(site))
    except StartRefusedError as refused:
        sys.stderr.write(f"crumbmeter did not start: {refused}\n")
        return REFUSED
    sys.stderr.write(last_words)
    return code


def start_text(site: Site) -> str:
    """Say where each value is on the wire, so that a start can be held against the makers' manuals (REQ-14)."""
    rows = wire_addresses(site.devices, site.params.sources, site.params.outputs)
    return f"Where each value is on the wire; offsets are PDU offsets, counted from 0:\n{addresses_text(rows)}\n"


def _say(text: str) -> None:
    sys.stdout.write(text)
    sys.stdout.flush()


async def _run(site: Site) -> tuple[int, str]:
    """Run the daemon; return its exit code and what a person has to be told beside the log."""
    daemon = Daemon(site)
    daemon.on_ready = lambda: _say(start_text(site))
    logs = detach_logs()
    loop = asyncio.get_running_loop()
    for sign in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(sign, daemon.stop)
    try:
        code = await daemon.run()
    finally:
        drained = await asyncio.to_thread(logs.finish)
    if not drained:
        os._exit(code)  # all is closed; a stream that takes nothing would hold up the end for ever
    return code, _last_words(code, daemon)


def _last_words(code: int, daemon: Daemon) -> str:
    report = daemon.stop_report
    if code == NOT_AT_REST and report is not None:
        doubtful = ", ".join(f"{one.role} on {one.device_id}" for one in report.results if not one.confirmed)
        return (
            f"crumbmeter stopped, but could not bring to rest and read back: {doubtful}. Go and look at the feeder.\n"
        )
    if code == FAILED:
        return "crumbmeter stopped because its scan failed; the log line daemon_stopping says why.\n"
    return ""
