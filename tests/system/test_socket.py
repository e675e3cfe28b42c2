"""The local socket over a real unix socket: answers, commands, and clients that hang."""

import asyncio
import contextlib
import json
import os
import socket as sockets
import stat
import subprocess
import sys
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest

from crumbmeter.adapters import control_socket
from crumbmeter.adapters.socket_file import SocketHeldError, bind
from crumbmeter.model.commands import Command, CommandKind
from crumbmeter.model.events import event
from crumbmeter.model.quality import Reason
from crumbmeter.model.reading import bad
from tests.system.brokers import until
from tests.system.daemons import SETTINGS, Small, small


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "run" / "c.sock"


def mode(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


def there(path: Path) -> bool:
    return path.is_socket()


async def hung_up(reader: asyncio.StreamReader) -> bool:
    """Tell whether the other side has ended the connection."""
    try:
        return await asyncio.wait_for(reader.read(), 5) == b""
    except ConnectionError:
        return True


class Client:
    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.reader = reader
        self.writer = writer

    async def send(self, request: dict[str, Any] | bytes) -> None:
        self.writer.write(request if isinstance(request, bytes) else json.dumps(request).encode() + b"\n")
        await self.writer.drain()

    async def receive(self) -> dict[str, Any]:
        body: dict[str, Any] = json.loads(await asyncio.wait_for(self.reader.readline(), 5))
        return body

    async def ask(self, request: dict[str, Any] | bytes) -> dict[str, Any]:
        await self.send(request)
        return await self.receive()


@contextlib.asynccontextmanager
async def client(path: Path) -> AsyncIterator[Client]:
    reader, writer = await asyncio.open_unix_connection(str(path))
    try:
        yield Client(reader, writer)
    finally:
        writer.close()
        with contextlib.suppress(ConnectionError):
            await writer.wait_closed()


async def test_view_carries_every_value_with_quality_reason_and_age(path: Path) -> None:
    async with small(path) as daemon, client(path) as asker:
        assert (await asker.ask({"ask": "view"})) == {"answer": "error", "why": "no scan has finished yet"}
        daemon.scan(fed=bad(Reason.STALE, 12.0))
        view = await asker.ask({"ask": "view", "tag": 7})
        assert (view["answer"], view["tag"], view["site_id"], view["simulated"]) == ("view", 7, "demo_drum", True)
        assert view["fed_kg_s"] == {"value": None, "quality": "Bad", "reason": "stale", "age_s": 12.0}
        assert view["signals"][0]["signal_id"] == "belt_rate"
        assert view["signals"][0]["unit"] == "kg/s"
        assert [item["stage"] for item in view["writes"]] == ["confirmed", "none"]
        assert 0.0 <= view["scan_age_s"] < 5.0
        assert await asker.ask({"ask": "settings"}) == {"answer": "settings"} | SETTINGS


async def test_socket_is_for_its_owner_alone_and_goes_away(path: Path) -> None:
    async with small(path):
        assert mode(path) == 0o600
        assert mode(path.parent) == 0o700
    assert not there(path)


async def test_second_daemon_is_refused_and_the_first_goes_on(path: Path) -> None:
    async with small(path) as first:
        first.scan()
        with pytest.raises(SocketHeldError, match="held by another running crumbmeter"):
            await Small(path).socket.__aenter__()
        async with client(path) as asker:
            assert (await asker.ask({"ask": "view"}))["answer"] == "view"


async def test_foreign_program_at_the_path_is_not_pushed_aside(path: Path) -> None:
    path.parent.mkdir()
    with sockets.socket(sockets.AF_UNIX) as foreign:
        foreign.bind(str(path))
        foreign.listen()
        with pytest.raises(SocketHeldError):
            await Small(path).socket.__aenter__()
    assert there(path)


async def test_socket_of_a_killed_daemon_is_taken_over(path: Path) -> None:
    path.parent.mkdir()
    program = f"""
import fcntl, os, signal, socket
lock = os.open({str(path) + ".lock"!r}, os.O_RDWR | os.O_CREAT)
fcntl.flock(lock, fcntl.LOCK_EX)
line = socket.socket(socket.AF_UNIX)
line.bind({str(path)!r})
line.listen()
os.kill(os.getpid(), signal.SIGKILL)
"""
    await asyncio.to_thread(subprocess.run, [sys.executable, "-c", program], check=False)
    assert there(path)
    async with small(path) as daemon, client(path) as asker:
        daemon.scan()
        assert (await asker.ask({"ask": "view"}))["answer"] == "view"


def test_a_link_that_leads_nowhere_is_no_obstacle(tmp_path: Path) -> None:
    place = tmp_path / "c.sock"
    place.symlink_to(tmp_path / "gone.sock")
    bind(place).close()
    assert place.is_socket()
    assert not place.is_symlink()


async def test_command_reaches_the_next_scan_with_who_and_expiry(path: Path) -> None:
    async with small(path) as daemon, client(path) as asker:
        now_s = daemon.clock.now_s()
        reply = await asker.ask(
            {"ask": "command", "kind": "select mix", "subject": "base_19", "who": "pat", "id": "c1"}
        )
        assert reply == {
            "answer": "command", "id": "c1", "accepted": True, "why": "the next scan will see it", "outcome": None
        }  # fmt: skip
        daemon.scan()
        (command,) = daemon.taken
        assert (command.kind, command.subject, command.command_id) == (CommandKind.SELECT_MIX, "base_19", "c1")
        assert command.who == f"pat (uid {os.getuid()})"
        assert now_s + 10.0 <= command.expires_s <= daemon.clock.now_s() + 10.0
        again = await asker.ask(
            {"ask": "command", "kind": "select mix", "subject": "base_19", "who": "pat", "id": "c1"}
        )
        assert (again["accepted"], "not done twice" in again["why"]) == (False, True)


async def test_command_waits_for_what_becomes_of_it(path: Path) -> None:
    def refuse(command: Command) -> Any:
        return event("command_refused", command_id=command.command_id, why="control is not enabled")

    async with small(path) as daemon, client(path) as asker:
        daemon.outcome = refuse
        await asker.send({"ask": "command", "kind": "start feed", "who": "pat", "wait_s": 5})
        await until(lambda: daemon.intake.accepted == 1)
        daemon.scan()
        reply = await asker.receive()
        assert reply["outcome"]["name"] == "command_refused"
        assert reply["outcome"]["detail"]["why"] == "control is not enabled"


@pytest.mark.parametrize(
    ("line", "why"),
    [
        (b"hello\n", "no JSON"),
        (b"[]\n", "a JSON object"),
        (b'{"ask": "everything"}\n', "view, follow, settings, command"),
        (b'{"ask": "command", "kind": "explode", "who": "x"}\n', "enable control, monitor only"),
        (b'{"ask": "command", "kind": "stop feed"}\n', "who asks"),
        (b'{"ask": "command", "kind": "stop feed", "who": "x", "value": NaN}\n', "finite"),
        (b'{"ask": "command", "kind": "stop feed", "who": "x", "expires_in_s": 61}\n', "from 0 to 60"),
        (b'{"ask": "command", "kind": "stop feed", "who": "x", "value": "1"}\n', "must be a number"),
        (b"[" * 60_000 + b"\n", "no JSON"),
    ],
)
async def test_nonsense_is_answered_with_a_reason_and_the_line_stays_open(path: Path, line: bytes, why: str) -> None:
    async with small(path) as daemon, client(path) as asker:
        reply = await asker.ask(line)
        assert reply["answer"] == "error"
        assert why in reply["why"]
        daemon.scan()
        assert (await asker.ask({"ask": "view"}))["answer"] == "view"
        assert daemon.intake.accepted == 0


async def test_endless_line_is_refused_and_hung_up(path: Path) -> None:
    async with small(path), client(path) as asker:
        with contextlib.suppress(ConnectionError):
            await asker.send(b"x" * 300_000)
        assert "65536 bytes" in (await asker.receive())["why"]
        assert await hung_up(asker.reader)


async def test_followers_get_at_most_five_a_second_and_always_the_newest(path: Path) -> None:
    async with small(path) as daemon, client(path) as follower:
        await follower.send({"ask": "follow"})
        scanning = asyncio.ensure_future(daemon.scan_for_ever())
        began_s = daemon.clock.now_s()
        for _ in range(6):
            view = await follower.receive()
            assert daemon.number - view["seq"] <= 3
        assert daemon.clock.now_s() - began_s >= 5 * 0.2 * 0.95
        reply = await follower.ask({"ask": "command", "kind": "stop feed", "who": "x"})
        while reply["answer"] == "view":
            reply = await follower.receive()
        assert reply["accepted"]
        scanning.cancel()


async def test_hung_follower_is_dropped_and_delays_nobody(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A client that asks and never reads fills its own bounded buffer, then loses the line; others see each view."""
    monkeypatch.setattr(control_socket, "STALL_S", 0.3)
    monkeypatch.setattr(control_socket, "FOLLOW_GAP_S", 0.001)
    async with small(path) as daemon, client(path) as healthy:
        with sockets.socket(sockets.AF_UNIX) as hung:
            hung.setblocking(False)
            hung.connect(str(path))
            hung.send(b'{"ask": "follow"}\n')
            await healthy.send({"ask": "follow"})
            scanning = asyncio.ensure_future(daemon.scan_for_ever(0.002))
            got = 0
            while daemon.socket.stalled == 0:
                await healthy.receive()
                got += 1
            assert got > 20
            longest_s = max(await _scan_times(daemon, 20))
            assert longest_s < 0.05
            scanning.cancel()
        assert daemon.events == []


async def _scan_times(daemon: Small, count: int) -> list[float]:
    times = []
    for _ in range(count):
        began_s = daemon.clock.now_s()
        daemon.scan()
        times.append(daemon.clock.now_s() - began_s)
    return times


async def test_clients_beyond_the_limit_are_told_so(path: Path) -> None:
    async with small(path) as daemon, contextlib.AsyncExitStack() as stack:
        daemon.scan()
        for _ in range(control_socket.MAX_CLIENTS):
            asker = await stack.enter_async_context(client(path))
            assert (await asker.ask({"ask": "view"}))["answer"] == "view"
        late = await stack.enter_async_context(client(path))
        assert "clients are connected already" in (await late.receive())["why"]


async def test_stop_hangs_up_on_followers_and_leaves_no_task(path: Path) -> None:
    async with small(path) as daemon:
        reader, writer = await asyncio.open_unix_connection(str(path))
        writer.write(b'{"ask": "follow"}\n')
        daemon.scan()
        await asyncio.wait_for(reader.readline(), 5)
    assert await hung_up(reader)
    writer.close()
