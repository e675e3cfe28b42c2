"""Server-sent events: each client has one place for the newest view and one for the newest beat, and no queue.

A client that reads slowly gets fewer views, never older ones; one that has not read for a while loses its connection.
Its slot is given back in every case, for it is taken and given back in one place.
"""

import asyncio
import json
from collections.abc import Callable, Iterable
from typing import Any, Final

from starlette.responses import Response
from starlette.types import Receive, Scope, Send

from crumbmeter.web.faults import DeskError
from crumbmeter.web.sessions import Session

MOST_CLIENTS: Final = 64
STALL_S: Final = 5.0
"""[s] A client that takes nothing for so long is dropped. Loop time."""
RECONNECT_MS: Final = 1000

Drop = Callable[[tuple[str, int] | None], None]


def encode(name: str, body: object, seq: object = None) -> bytes:
    """Make one event. A number that is not finite raises rather than gets out."""
    head = f"event: {name}\n" if seq is None else f"event: {name}\nid: {seq}\n"
    text = json.dumps(body, allow_nan=False, ensure_ascii=False, separators=(",", ":"))
    return f"{head}data: {text}\n\n".encode()


class _Client:
    """One open stream."""

    def __init__(self, session: Session) -> None:
        self.session = session
        self.waiting: dict[str, bytes] = {}
        """By the event's name; a newer one takes the place of the older."""
        self.ends = False
        self.news = asyncio.Event()

    def put(self, name: str, chunk: bytes) -> None:
        self.waiting[name] = chunk
        self.news.set()

    def end(self) -> None:
        self.ends = True
        self.news.set()


class Streams:
    """All open streams."""

    def __init__(self) -> None:
        """Start with none."""
        self.drop: Drop = lambda _client: None
        """Cuts the connection of a client that does not read; the server sets it."""
        self.opening: Callable[[], Iterable[tuple[str, object, object]]] = lambda: ()
        """What a stream begins with: name, body, number."""
        self.stalled = 0
        """Clients dropped so far."""
        self._clients: set[_Client] = set()
        self._closing = False

    def __len__(self) -> int:
        return len(self._clients)

    def publish(self, name: str, body: object, seq: object = None) -> None:
        """Give every client an event."""
        if self._clients:
            chunk = encode(name, body, seq)
            for client in self._clients:
                client.put(name, chunk)

    def session_ended(self, session: Session, why: str) -> None:
        """Tell the streams of a session that it is over; they end with that."""
        for client in self._clients:
            if client.session is session:
                client.put("session_over", encode("session_over", {"why": why}))
                client.end()

    def close(self) -> None:
        """End all streams, and let no new one in: the desk stops."""
        self._closing = True
        for client in self._clients:
            client.end()

    def response(self, session: Session) -> Response:
        """Make the answer to a request for the stream."""
        return EventStreamResponse(self, session)

    def refusal(self) -> DeskError | None:
        """Say why there is no room, or None."""
        if self._closing:
            return DeskError(503, "stream", "the desk stops", "a desk that runs", "Try again in a moment.")
        if len(self._clients) >= MOST_CLIENTS:
            return DeskError(
                503, "stream", f"{len(self._clients)} pages are open", f"at most {MOST_CLIENTS}",
                "Close pages that nobody looks at, then try again.", retry_after_s=10,
            )  # fmt: skip
        return None

    def enter(self, session: Session) -> _Client:
        """Take a slot."""
        client = _Client(session)
        for name, body, seq in self.opening():
            client.put(name, encode(name, body, seq))
        self._clients.add(client)
        session.streams += 1
        return client

    def leave(self, client: _Client) -> None:
        """Give a slot back, once."""
        if client in self._clients:
            self._clients.discard(client)
            client.session.streams -= 1


class EventStreamResponse(Response):
    """One client's stream, from its first byte to its last."""

    media_type = "text/event-stream"

    def __init__(self, streams: Streams, session: Session) -> None:
        """Prepare; the slot is taken when the answer begins."""
        self._streams = streams
        self._session = session
        self.status_code = 200
        self.background = None
        self.init_headers({"cache-control": "no-store", "x-accel-buffering": "no"})
        del self.headers["content-length"]

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        client = self._streams.enter(self._session)
        try:
            async with asyncio.TaskGroup() as group:
                listening = group.create_task(_listen(client, receive), name="stream listens")
                await self._send(client, scope, send)
                listening.cancel()
        finally:
            self._streams.leave(client)

    async def _send(self, client: _Client, scope: Scope, send: Send) -> None:
        await send({"type": "http.response.start", "status": self.status_code, "headers": self.raw_headers})
        chunk = f"retry: {RECONNECT_MS}\n\n".encode()
        try:
            while True:
                async with asyncio.timeout(STALL_S):
                    await send(_part(chunk, more=True))
                await client.news.wait()
                client.news.clear()
                ends = client.ends
                chunk = b"".join(client.waiting.values())
                client.waiting.clear()
                if ends:
                    break
            async with asyncio.timeout(STALL_S):
                await send(_part(chunk, more=False))
        except TimeoutError:
            self._streams.stalled += 1
            self._streams.drop(scope.get("client"))


def _part(chunk: bytes, *, more: bool) -> dict[str, Any]:
    return {"type": "http.response.body", "body": chunk, "more_body": more}


async def _listen(client: _Client, receive: Receive) -> None:
    """Wait until the client is gone, and end its stream then."""
    while (await receive())["type"] != "http.disconnect":
        pass
    client.end()
