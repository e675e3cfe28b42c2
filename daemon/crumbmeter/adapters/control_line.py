"""The local socket from the outside: JSON lines to a running daemon (docs/socket.md)."""

import asyncio
import json
from pathlib import Path
from typing import Any, Self

ANSWER_S = 5.0
"""[s] An answer must have come by then."""
LIMIT = 4 * 1024 * 1024
"""[bytes] Longest answer taken."""


class NoDaemonError(Exception):
    """Nobody answers at the socket; the text says why and what to do."""


class ControlLine:
    """One connection. Use as `async with`."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._reader: asyncio.StreamReader
        self._writer: asyncio.StreamWriter

    async def __aenter__(self) -> Self:
        """Connect.

        Raises:
            NoDaemonError: nobody listens, or this user may not.
        """
        try:
            self._reader, self._writer = await asyncio.open_unix_connection(str(self._path), limit=LIMIT)
        except PermissionError as fault:
            raise NoDaemonError(f"{self._path} belongs to another user: run this as the daemon's user") from fault
        except OSError as fault:
            raise NoDaemonError(
                f"no daemon answers at {self._path} ({fault.strerror or fault}): is `crumbmeter run` running?"
            ) from fault
        return self

    async def __aexit__(self, *_: object) -> None:
        """Hang up."""
        self._writer.transport.abort()

    async def send(self, request: dict[str, Any]) -> None:
        """Send one request.

        Raises:
            NoDaemonError: the daemon hung up.
        """
        try:
            self._writer.write(json.dumps(request, allow_nan=False).encode() + b"\n")
            await self._writer.drain()
        except ConnectionError as fault:
            raise NoDaemonError(f"the daemon at {self._path} hung up") from fault

    async def receive(self, within_s: float = ANSWER_S) -> dict[str, Any]:
        """Wait for the next line.

        Raises:
            TimeoutError: none came within `within_s` [s].
            NoDaemonError: the daemon hung up, or sent something else than JSON.
        """
        try:
            async with asyncio.timeout(within_s):
                line = await self._reader.readline()
            body = json.loads(line) if line else None
        except (ConnectionError, ValueError) as fault:
            raise NoDaemonError(f"the daemon at {self._path} sent what is no answer: {fault}") from fault
        if not isinstance(body, dict):
            raise NoDaemonError(f"the daemon at {self._path} hung up")
        return body

    async def ask(self, request: dict[str, Any], within_s: float = ANSWER_S) -> dict[str, Any]:
        """Send a request and wait for its answer.

        Raises:
            NoDaemonError: no answer came.
        """
        await self.send(request)
        try:
            return await self.receive(within_s)
        except TimeoutError as fault:
            raise NoDaemonError(f"the daemon at {self._path} took the request and did not answer") from fault
