"""`crumbmeter run SITE`: the daemon itself. Ends on SIGTERM or SIGINT with the feeder at rest."""

import asyncio
import signal
import sys
from pathlib import Path

from crumbmeter.app import Daemon, StartRefusedError
from crumbmeter.cli.check_text import addresses_text
from crumbmeter.cli.exits import REFUSED
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
    sys.stdout.write(start_text(site))
    sys.stdout.flush()
    try:
        return asyncio.run(_run(site))
    except StartRefusedError as refused:
        sys.stderr.write(f"crumbmeter did not start: {refused}\n")
        return REFUSED


def start_text(site: Site) -> str:
    """Say where each value is on the wire, so that a start can be held against the makers' manuals (REQ-14)."""
    rows = wire_addresses(site.devices, site.params.sources, site.params.outputs)
    return f"Where each value is on the wire; offsets are PDU offsets, counted from 0:\n{addresses_text(rows)}\n"


async def _run(site: Site) -> int:
    daemon = Daemon(site)
    loop = asyncio.get_running_loop()
    for sign in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(sign, daemon.stop)
    return await daemon.run()
