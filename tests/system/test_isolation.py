"""The scan's loop touches no file, no database and no name service: the interpreter's own audit events are the witness.

The daemon runs in this process, over real sockets against the simulated plant. While it feeds, everything that the
interpreter reports from the loop's thread is looked at (PEP 578; the events are those of its audit table).
"""

import asyncio
import re
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from crumbmeter.app import Daemon
from crumbmeter.model.commands import Command, CommandKind
from crumbmeter.site import load
from tests.system.conftest import Bench

FORBIDDEN = (
    "open", "os.listdir", "os.mkdir", "os.remove", "os.rename", "os.scandir", "shutil.", "socket.getaddrinfo",
    "socket.gethostbyname", "sqlite3.", "subprocess.Popen", "tempfile.",
)  # fmt: skip
SCANS = 300

_watched: int | None = None
_seen: list[str] = []


def _hook(name: str, arguments: tuple[Any, ...]) -> None:
    if _watched is not None and threading.get_ident() == _watched and name.startswith(FORBIDDEN):
        _seen.append(f"{name} {arguments[:2]}")


@contextmanager
def watching_this_thread() -> Iterator[list[str]]:
    """Collect forbidden happenings of this thread. A hook cannot be taken away again, so it is switched."""
    global _watched  # noqa: PLW0603
    if not getattr(watching_this_thread, "hooked", False):
        sys.addaudithook(_hook)
        watching_this_thread.hooked = True  # type: ignore[attr-defined]
    _seen.clear()
    _watched = threading.get_ident()
    try:
        yield _seen
    finally:
        _watched = None


def test_the_witness_sees_what_it_should(tmp_path: Any) -> None:
    with watching_this_thread() as seen:
        (tmp_path / "x").write_text("x")
    assert len(seen) == 1
    assert seen[0].startswith("open")


async def test_nothing_on_the_loop_touches_file_database_or_names(bench: Bench) -> None:
    site_file = bench.site(rate=5.0)
    await bench.plant(site_file)
    # Without the embedded broker: its library leaves connections to the collector, which would be this test's error.
    text = site_file.path.read_text()
    site_file.path.write_text(re.sub(r"\[publish\.mqtt\][^\[]*", "", text))
    daemon = Daemon(load(site_file.path))
    running = asyncio.ensure_future(daemon.run())
    try:
        await asyncio.wait_for(daemon.views.wait_newer(0), 10)
        for number, (kind, subject) in enumerate(
            ((CommandKind.ENABLE_CONTROL, daemon.site.settings_id), (CommandKind.START_FEED, ""))
        ):
            now_s = daemon.clock.now_s()
            daemon.intake.offer(Command(kind, "test", f"order-{number}", now_s + 100.0, subject), now_s)
        while (await asyncio.wait_for(daemon.views.wait_newer(daemon.views.count), 30)).view.run_state != "feeding":
            pass
        with watching_this_thread() as seen:
            begun = daemon.views.count
            while daemon.views.count < begun + SCANS:
                await asyncio.wait_for(daemon.views.wait_newer(daemon.views.count), 10)
            found = list(seen)
        assert found == []
        assert daemon.lag.mean_s < daemon.params.scan_period_s
    finally:
        daemon.stop()
        assert await running == 0
