"""`crumbmeter calibrate`: looks at the running daemon over its local socket. It only reads."""

import asyncio
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Final

from crumbmeter.adapters.control_line import ControlLine, NoDaemonError
from crumbmeter.commission.calibrating.tracks import Found, Source, Watch, Watching

LONGEST_S: Final = 4.0 * 3600.0
"""[s] Real time after which a look is given up."""


def look(
    socket: Path, site_id: str, watch: Watch, sources: Mapping[str, Source], tell: Callable[[Watching], None]
) -> dict[str, Found]:
    """Look at the daemon until the watch is over.

    Args:
        socket: The daemon's local socket.
        site_id: The site that it must run.
        watch: How long.
        sources: What is wanted, by field.
        tell: Hears how far it is, with every view.

    Raises:
        NoDaemonError: nobody answers, it runs another site, or it stopped answering meanwhile.
    """
    return asyncio.run(_look(socket, site_id, Watching(watch, sources), tell))


async def _look(socket: Path, site_id: str, watching: Watching, tell: Callable[[Watching], None]) -> dict[str, Found]:
    try:
        async with asyncio.timeout(LONGEST_S), ControlLine(socket) as line:
            settings = await line.ask({"ask": "settings"})
            if settings.get("site_id") != site_id:
                raise NoDaemonError(f"the daemon at {socket} runs {settings.get('site_id')}, not {site_id}")
            await line.send({"ask": "follow"})
            while True:
                view = await line.receive()
                if view.get("answer") == "view" and watching.take(view):
                    return watching.found()
                tell(watching)
    except TimeoutError as fault:
        raise NoDaemonError(f"the daemon at {socket} says nothing any more") from fault
