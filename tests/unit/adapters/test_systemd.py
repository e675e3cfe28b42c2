"""sd_notify over a real datagram socket; the watchdog in virtual time."""

import asyncio
import os
import select
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from crumbmeter.adapters.systemd import Notifier
from crumbmeter.runtime.health import Health


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[socket.socket]:
    """The other end: what systemd would hear."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as line:
        line.bind(str(tmp_path / "notify"))
        line.setblocking(False)
        yield line


def heard(manager: socket.socket) -> list[str]:
    words = []
    while True:
        try:
            words.append(manager.recv(4096).decode())
        except BlockingIOError:
            return words


def notifier(manager: socket.socket, **environ: str) -> Notifier:
    return Notifier({"NOTIFY_SOCKET": manager.getsockname(), **environ})


def test_words_of_the_protocol(manager: socket.socket) -> None:
    told = notifier(manager)
    told.ready("feeding")
    told.status("one thing late")
    told.stopping()
    assert heard(manager) == ["READY=1\nSTATUS=feeding", "STATUS=one thing late", "STOPPING=1\nSTATUS=stopping"]


def test_abstract_socket() -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as line:
        name = f"crumbmeter-test-{os.getpid()}"
        line.bind("\0" + name)
        Notifier({"NOTIFY_SOCKET": "@" + name}).ready("up")
        assert line.recv(4096) == b"READY=1\nSTATUS=up"


@pytest.mark.parametrize("environ", [{}, {"NOTIFY_SOCKET": "/nowhere/at/all"}])
def test_no_systemd_is_no_fault(environ: dict[str, str]) -> None:
    Notifier(environ).ready("up")


@pytest.mark.parametrize(
    ("environ", "interval_s"),
    [
        ({"WATCHDOG_USEC": "15000000"}, 5.0),
        ({"WATCHDOG_USEC": "15000000", "WATCHDOG_PID": str(os.getpid())}, 5.0),
        ({"WATCHDOG_USEC": "15000000", "WATCHDOG_PID": "1"}, None),
        ({"WATCHDOG_USEC": "0"}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
        ({}, None),
    ],
)
def test_interval_is_a_third_and_only_for_this_process(environ: dict[str, str], interval_s: float | None) -> None:
    assert Notifier(environ).interval_s == interval_s


class Watching:
    """A watchdog that runs, with tasks that the test moves, in virtual time."""

    def __init__(self, manager: socket.socket) -> None:
        self.health = Health(["poller"])
        self.manager = manager
        self.task = asyncio.ensure_future(notifier(manager, WATCHDOG_USEC="3000000").run(self.health))

    async def live(self, seconds: int, *, scan: bool = True, poller: bool = True) -> list[str]:
        """Move what moves ten times a second, and return what systemd heard."""
        loop, over = asyncio.get_running_loop(), asyncio.Event()
        for tenth in range(seconds * 10):
            if scan:
                loop.call_later(tenth / 10, self.health.scan_done)
            if poller:
                loop.call_later(tenth / 10, self.health.beat, "poller")
        loop.call_later(seconds, over.set)
        await over.wait()
        return heard(self.manager)

    async def close(self) -> None:
        self.task.cancel()
        await asyncio.gather(self.task, return_exceptions=True)


@pytest.mark.looptime
async def test_watchdog_is_fed_each_third_while_all_moves(manager: socket.socket) -> None:
    watching = Watching(manager)
    words = await watching.live(10)
    assert 9 <= len(words) <= 10
    assert all(line.startswith("WATCHDOG=1\nSTATUS=") and line.endswith("scans") for line in words)
    await watching.close()


@pytest.mark.looptime
@pytest.mark.parametrize(("scan", "poller", "late"), [(False, True, "scan"), (True, False, "poller")])
async def test_stuck_task_is_named_and_the_watchdog_starves(
    manager: socket.socket, scan: bool, poller: bool, late: str
) -> None:
    watching = Watching(manager)
    assert any("WATCHDOG" in line for line in await watching.live(3))
    await watching.live(1, scan=scan, poller=poller)  # what moved before may feed it once more
    words = await watching.live(5, scan=scan, poller=poller)
    assert not any("WATCHDOG" in line for line in words)
    assert words
    assert all(line.endswith(f"late: {late}") for line in words)
    assert any("WATCHDOG" in line for line in await watching.live(2))
    await watching.close()


async def test_hung_loop_sends_nothing(manager: socket.socket) -> None:
    """A blocking call in any task stops the loop, and with it the feed: nothing else sends."""
    told = notifier(manager, WATCHDOG_USEC="30000")
    health = Health()
    task = asyncio.ensure_future(told.run(health))
    health.scan_done()
    await asyncio.to_thread(select.select, [manager], [], [], 5.0)
    assert any("WATCHDOG" in line for line in heard(manager))
    health.scan_done()
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as quiet:
        quiet.settimeout(0.1)
        quiet.bind(manager.getsockname() + ".quiet")
        with pytest.raises(TimeoutError):
            quiet.recv(1)  # blocks the loop for 0.1 s
        assert heard(manager) == []
    while not task.done():  # as the supervisor does: Python 3.11's `wait_for` loses a cancellation at its end
        task.cancel()
        await asyncio.wait([task], timeout=0.05)
