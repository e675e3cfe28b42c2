"""`crumbmeter desk SITE`: the operator's page and the API, in a process of their own beside control."""

import asyncio
import os
import signal
import sys
from pathlib import Path

from crumbmeter.adapters.clock import machine_wall_us
from crumbmeter.adapters.logs import detach_logs, set_up_logs
from crumbmeter.cli.exits import FAILED, REFUSED
from crumbmeter.cli.run import load_or_say
from crumbmeter.site import Site
from crumbmeter.web.desk import Desk
from crumbmeter.web.faults import DeskRefusedError
from crumbmeter.web.people import FIRST_NAME

STOPPED = 0


def desk(path: Path) -> int:
    """Serve the desk until it is told to stop.

    Args:
        path: Site file.

    Returns:
        Exit code: 0 stopped in order, 1 the server failed, 2 nothing was started.
    """
    site = load_or_say(path)
    if site is None:
        return REFUSED
    try:
        return asyncio.run(_run(site))
    except DeskRefusedError as refused:
        sys.stderr.write(f"crumbmeter desk did not start: {refused}\n")
        return REFUSED


def _say_password(password: str) -> None:
    """Tell the one who started the desk for the first time how to get in."""
    sys.stderr.write(
        f"\nFirst start: log in as {FIRST_NAME!r} with the one-time password\n\n    {password}\n\n"
        "It is not shown again, and must be changed at the first login.\n\n"
    )
    sys.stderr.flush()


async def _run(site: Site) -> int:
    set_up_logs(machine_wall_us)
    made = Desk(site, _say_password)
    logs = detach_logs()
    loop = asyncio.get_running_loop()
    for sign in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(sign, made.stop)
    code = STOPPED
    try:
        await made.run()
    except Exception:  # noqa: BLE001 - the log's line task_failed says what
        code = FAILED
    finally:
        drained = await asyncio.to_thread(logs.finish)
    if not drained:
        os._exit(code)  # all is closed; a stream that takes nothing would hold up the end for ever
    return code
