"""The local socket: where the desk, the terminal and scripts meet the control process.

A unix socket of mode 0600; JSON lines (outward/lines.py). A slow or hung client delays nobody: each has a bounded
buffer in which the newest view wins, and is dropped when it has not read for a while.
"""

import asyncio
import contextlib
import os
import socket
import struct
import uuid
from collections.abc import Awaitable, Callable, Mapping
from functools import partial
from pathlib import Path
from typing import Any, NoReturn, Protocol, Self

from crumbmeter.adapters.socket_file import bind, take_lock
from crumbmeter.adapters.socket_links import LinkDesk
from crumbmeter.model.commands import Command
from crumbmeter.model.events import Event
from crumbmeter.model.scan import ScanResult
from crumbmeter.outward import lines
from crumbmeter.outward.lines import Ask, Request, RequestError
from crumbmeter.outward.origin import Names, Origin
from crumbmeter.ports import Clock

MAX_CLIENTS = 16
BUFFER_BYTES = 65536
"""[bytes] A client's buffer: beyond it nothing is written until it has read."""
STALL_S = 5.0
"""[s] A client that has not read for so long is dropped. Loop time."""
FOLLOW_GAP_S = 0.2
"""[s] Least time between two views to one client. Loop time."""


class ViewSource(Protocol):
    """Where the newest scan is found (`runtime.fanout.Latest`)."""

    @property
    def value(self) -> ScanResult | None:
        """Return the newest scan, None before the first."""
        ...

    @property
    def count(self) -> int:
        """Count the scans that have come."""
        ...

    async def wait_newer(self, seen: int) -> ScanResult:
        """Wait until more than `seen` have come, and return the newest."""
        ...


class Receipt(Protocol):
    """What the intake says at once."""

    @property
    def accepted(self) -> bool:
        """Tell whether the next scan will see it."""
        ...

    @property
    def why(self) -> str:
        """Say why, or why not."""
        ...


class CommandIntake(Protocol):
    """Where commands go (`runtime.intake.Intake`)."""

    def offer(self, command: Command, now_s: float) -> Receipt:
        """Queue the command for the next scan, or refuse it."""
        ...

    async def wait_outcome(self, command_id: str, within_s: float) -> Event | None:
        """Wait for what becomes of it."""
        ...


Apply = Callable[[str, str, str], Awaitable[Mapping[str, Any]]]
"""Puts the site file in force: who, why, settings id as checked."""


async def _cannot_apply(_who: str, _reason: str, _settings_id: str) -> Mapping[str, Any]:
    return {"applied": False, "why": "this daemon takes no other settings while it runs", "changes": []}


class ControlSocket:
    """The server. Use as `async with`: the socket is there inside the block."""

    def __init__(
        self,
        path: Path,
        origin: Origin,
        names: Names,
        views: ViewSource,
        intake: CommandIntake,
        settings: Callable[[], Mapping[str, Any]],
        clock: Clock,
        desk: LinkDesk | None = None,
    ) -> None:
        """Prepare.

        Args:
            path: of the socket; its folder is made if it is missing.
            origin: the envelope of views.
            names: behind the indices of a view.
            views: where the newest scan is.
            intake: where commands go.
            settings: the answer to "settings": plain JSON values, display units among them.
            clock: process time.
            desk: answers what is asked about links.
        """
        self.desk = desk or LinkDesk()
        self.apply: Apply = _cannot_apply
        """Called for `put-in-force`."""
        self._path = path
        self._origin = origin
        self._names = names
        self._views = views
        self._intake = intake
        self._settings = settings
        self._clock = clock
        self._server: asyncio.Server | None = None
        self._lock: int | None = None
        self._clients: set[asyncio.Task[None]] = set()
        self.stalled = 0
        """Clients dropped because they did not read."""

    async def __aenter__(self) -> Self:
        """Take the socket and listen.

        Raises:
            SocketHeldError: another live daemon has it.
        """
        self._path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        self._lock = take_lock(self._path)
        try:
            line = bind(self._path)
        except BaseException:
            os.close(self._lock)
            raise
        self._server = await asyncio.start_unix_server(self._serve, sock=line, limit=lines.LINE_LIMIT)
        return self

    async def __aexit__(self, *_: object) -> None:
        """Stop listening, drop all clients, remove the socket."""
        if self._server is not None:
            self._server.close()
        for task in tuple(self._clients):
            task.cancel()
        await asyncio.gather(*self._clients, return_exceptions=True)
        self._path.unlink(missing_ok=True)
        if self._lock is not None:
            os.close(self._lock)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Look after one client from its connection to its end."""
        task = asyncio.current_task()
        assert task is not None  # noqa: S101 - a coroutine that runs is in a task
        self._clients.add(task)
        writer.transport.set_write_buffer_limits(high=BUFFER_BYTES)
        try:
            if len(self._clients) > MAX_CLIENTS:
                await _write(
                    writer, lines.answer("error", None, {"why": f"{MAX_CLIENTS} clients are connected already"})
                )
                return
            await _Client(self, reader, writer).live()
        except TimeoutError:
            self.stalled += 1
        except (ConnectionError, asyncio.CancelledError):
            pass  # gone, or the daemon stops: in both cases there is nobody to tell
        finally:
            writer.transport.abort()
            self._clients.discard(task)

    def view_bytes(self, tag: str | int | None, *, words: bool = False) -> bytes:
        """Make the line for the newest view; where asked, with the raw words behind it."""
        result = self._views.value
        if result is None:
            return lines.answer("error", tag, {"why": "no scan has finished yet"})
        body = lines.view_line(self._origin, self._names, result, self._clock.now_s())
        return lines.answer("view", tag, body | lines.words_body(self._names, result) if words else body)

    def settings_bytes(self, tag: str | int | None) -> bytes:
        """Make the line for the settings."""
        return lines.answer("settings", tag, self._settings())

    async def command_bytes(self, request: Request, uid: int | None) -> bytes:
        """Hand a command to the intake and make the line that says what it said."""
        ask = request.command
        assert ask is not None  # noqa: S101 - the parser makes no command request without one
        command_id = ask.command_id or uuid.uuid4().hex
        who = ask.who if uid is None else f"{ask.who} (uid {uid})"
        receipt = self._intake.offer(ask.command(command_id, who, self._clock.now_s()), self._clock.now_s())
        outcome = None
        if receipt.accepted and ask.wait_s > 0.0:
            outcome = await self._intake.wait_outcome(command_id, ask.wait_s)
        body = {
            "id": command_id,
            "accepted": receipt.accepted,
            "why": receipt.why,
            "outcome": lines.outcome_body(outcome),
        }
        return lines.answer("command", request.tag, body)

    async def apply_bytes(self, request: Request, uid: int | None) -> bytes:
        """Have the site file put in force, and make the line that says what came of it."""
        ask = request.apply
        assert ask is not None  # noqa: S101 - the parser makes no such request without one
        who = ask.who if uid is None else f"{ask.who} (uid {uid})"
        return lines.answer("put in force", request.tag, await self.apply(who, ask.reason, ask.settings_id))

    def renew(self, origin: Origin) -> None:
        """Say from now on that views come from other settings."""
        self._origin = origin

    async def wait_view(self, seen: int) -> int:
        """Wait for a newer view than the `seen`th and return its count."""
        await self._views.wait_newer(seen)
        return self._views.count


class _Client:
    """One connection: answers in order, and beside them the views that it follows."""

    def __init__(self, server: ControlSocket, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._server = server
        self._reader = reader
        self._writer = writer
        self._uid = _peer_uid(writer)
        self._following = False

    async def live(self) -> None:
        """Answer requests until the client hangs up.

        Raises:
            TimeoutError: it stopped reading.
        """
        stalled = False
        try:
            async with asyncio.TaskGroup() as group:
                while line := await self._read():
                    await self._answer(line, group)
                raise ConnectionResetError
        except* TimeoutError:
            stalled = True  # raised below: Python before 3.11.4 wraps what is raised in here
        except* ConnectionError:
            pass
        if stalled:
            raise TimeoutError

    async def _read(self) -> bytes:
        try:
            return await self._reader.readline()
        except ValueError as fault:
            await _write(
                self._writer, lines.answer("error", None, {"why": f"a line may have {lines.LINE_LIMIT} bytes"})
            )
            raise ConnectionResetError from fault

    async def _answer(self, line: bytes, group: asyncio.TaskGroup) -> None:
        try:
            request = lines.parse_request(line)
        except RequestError as fault:
            await _write(self._writer, lines.answer("error", None, {"why": str(fault)}))
            return
        server, tag = self._server, request.tag
        match request.ask:
            case Ask.VIEW | Ask.WORDS:
                await _write(self._writer, server.view_bytes(tag, words=request.ask is Ask.WORDS))
            case Ask.SETTINGS:
                await _write(self._writer, server.settings_bytes(tag))
            case Ask.COMMAND:
                await _write(self._writer, await server.command_bytes(request, self._uid))
            case Ask.APPLY:
                await _write(self._writer, await server.apply_bytes(request, self._uid))
            case Ask.LINKS:
                await _write(self._writer, server.desk.links_bytes(tag))
            case Ask.TRACE:
                group.create_task(server.desk.trace(request, partial(_write, self._writer)), name="socket trace")
            case Ask.FOLLOW if not self._following:
                self._following = True
                group.create_task(self._follow(tag), name="socket follow")
            case Ask.FOLLOW:
                await _write(self._writer, lines.answer("error", tag, {"why": "this connection follows already"}))

    async def _follow(self, tag: str | int | None) -> NoReturn:
        """Send the newest view whenever there is one, the client has read, and the last is long enough ago."""
        seen, never = 0, asyncio.Event()
        while True:
            seen = await self._server.wait_view(seen)
            await _write(self._writer, self._server.view_bytes(tag))
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(FOLLOW_GAP_S):
                    await never.wait()


async def _write(writer: asyncio.StreamWriter, line: bytes) -> None:
    """Write once the client's buffer has room.

    Raises:
        TimeoutError: it had none for `STALL_S`.
    """
    writer.write(line)
    async with asyncio.timeout(STALL_S):
        await writer.drain()


def _peer_uid(writer: asyncio.StreamWriter) -> int | None:
    """Ask the kernel who is on the other side; None where it does not say."""
    line = writer.get_extra_info("socket")
    with contextlib.suppress(OSError, AttributeError):
        packed = line.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, struct.calcsize("3i"))
        uid: int = struct.unpack("3i", packed)[1]
        return uid
    return None
