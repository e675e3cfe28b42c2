"""The live stream: newest wins, nothing is queued, slots come back in every case, a session's end is its end."""

import asyncio
import json
from typing import Any

import pytest

from crumbmeter.web import stream
from crumbmeter.web.sessions import Session
from crumbmeter.web.stream import MOST_CLIENTS, Streams
from tests.fakes import FakeClock, settle
from tests.unit.web.making import Bench, Browser

SESSION = Session(b"key", "ana", 0.0, 0.0)


class Reader:
    """A client on the other side of the stream; its connection takes nothing while `full`."""

    def __init__(self, streams: Streams, session: Session = SESSION) -> None:
        self.got: list[tuple[str, Any]] = []
        self.ended = False
        self.gone = asyncio.Event()
        self.flowing = asyncio.Event()
        self.flowing.set()
        scope = {"type": "http", "client": ("192.0.2.7", 40000)}
        self.task = asyncio.ensure_future(streams.response(session)(scope, self._receive, self._send))

    async def _receive(self) -> Any:
        await self.gone.wait()
        return {"type": "http.disconnect"}

    async def _send(self, message: Any) -> None:
        await self.flowing.wait()
        if message["type"] != "http.response.body":
            return
        for block in message["body"].decode().split("\n\n"):
            rows = dict(line.partition(": ")[::2] for line in block.splitlines())
            if "event" in rows:
                self.got.append((rows["event"], json.loads(rows["data"])))
        self.ended = not message["more_body"]

    async def finish(self) -> None:
        self.gone.set()
        self.flowing.set()
        await self.task


async def test_a_client_gets_what_is_newest_and_nothing_old() -> None:
    streams = Streams()
    streams.opening = lambda: [("view", {"seq": 1}, 1), ("beat", {"n": 0}, None)]
    reader = Reader(streams)
    await settle()
    assert reader.got == [("view", {"seq": 1}), ("beat", {"n": 0})]
    reader.flowing.clear()
    streams.publish("view", {"seq": 2}, 2)
    await settle()
    for number in range(3, 500):
        streams.publish("view", {"seq": number}, number)
        streams.publish("beat", {"n": number})
    await settle()
    (client,) = streams._clients
    assert len(client.waiting) == 2, "one place for each name, however much comes"
    reader.flowing.set()
    await settle()
    assert reader.got[2:] == [("view", {"seq": 2}), ("view", {"seq": 499}), ("beat", {"n": 499})]
    await reader.finish()
    assert len(streams) == 0


@pytest.mark.parametrize("way", ["gone", "cancelled", "send fails"])
async def test_the_slot_comes_back_however_it_ends(way: str) -> None:
    streams, session = Streams(), Session(b"k", "ana", 0.0, 0.0)
    reader = Reader(streams, session)
    await settle()
    assert (len(streams), session.streams) == (1, 1)
    if way == "gone":
        reader.gone.set()
        await reader.task
    elif way == "cancelled":
        reader.task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await reader.task
    else:

        async def broken(_message: Any) -> None:
            raise ConnectionResetError

        reader.task.cancel()
        await asyncio.gather(reader.task, return_exceptions=True)
        failing = streams.response(session)({"type": "http"}, reader._receive, broken)
        with pytest.raises(ExceptionGroup):
            await failing
    assert (len(streams), session.streams) == (0, 0)


async def test_one_that_takes_nothing_is_dropped_and_the_others_are_not(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(stream, "STALL_S", 0.05)
    streams = Streams()
    dropped: list[object] = []
    streams.drop = dropped.append
    stalled, reading = Reader(streams), Reader(streams)
    await settle()
    stalled.flowing.clear()
    streams.publish("view", {"seq": 1}, 1)
    await stalled.task
    assert (streams.stalled, len(streams)) == (1, 1)
    assert dropped == [("192.0.2.7", 40000)]
    assert reading.got == [("view", {"seq": 1})]
    await reading.finish()


async def test_the_streams_of_a_session_end_with_it_and_say_so(bench: Bench) -> None:
    _, mine = bench.sessions.begin("operator", 0.0)
    _, other = bench.sessions.begin("operator", 0.0)
    ending, staying = Reader(bench.streams, mine), Reader(bench.streams, other)
    await settle()
    bench.sessions.end(mine, "logged out")
    await ending.task
    assert ending.got == [("session_over", {"why": "logged out"})]
    assert ending.ended
    assert not staying.task.done()
    await staying.finish()


async def test_all_end_when_the_desk_stops_and_no_new_one_begins() -> None:
    streams = Streams()
    readers = [Reader(streams) for _ in range(20)]
    await settle()
    streams.close()
    await asyncio.gather(*(reader.task for reader in readers))
    assert all(reader.ended for reader in readers)
    refusal = streams.refusal()
    assert refusal is not None
    assert refusal.status == 503


async def test_the_one_too_many_is_told_so_and_gets_in_when_another_has_left(bench: Bench) -> None:
    browser = Browser(bench.app)
    await browser.login("viewer")
    readers = [Reader(bench.streams) for _ in range(MOST_CLIENTS)]
    await settle()
    status, answer = await browser.ask("GET", "/api/v1/stream")
    assert (status, answer["error"]["found"]) == (503, f"{MOST_CLIENTS} pages are open")
    assert answer["error"]["remedy"].startswith("Close pages")
    await readers.pop().finish()
    assert bench.streams.refusal() is None
    for reader in readers:
        await reader.finish()


async def test_over_the_api_it_begins_with_the_newest_view(bench: Bench, clock: FakeClock) -> None:
    bench.hear()
    bench.streams.opening = lambda: [("view", bench.parts.view(), 7)]
    browser = Browser(bench.app)
    await browser.login("viewer")
    status, raw = await browser.ask("GET", "/api/v1/stream")  # the caller hangs up at once
    assert status == 200
    assert browser.headers["content-type"].startswith("text/event-stream")
    assert browser.headers["cache-control"] == "no-store"
    assert raw.startswith(b"retry: 1000\n\n")
    assert len(bench.streams) == 0


def test_a_number_that_is_not_finite_never_gets_out() -> None:
    with pytest.raises(ValueError, match="Out of range"):
        stream.encode("view", {"x": float("nan")})


def test_a_line_feed_in_a_text_does_not_break_an_event() -> None:
    assert stream.encode("view", {"a": "x\n\nevent: y"}, 3) == b'event: view\nid: 3\ndata: {"a":"x\\n\\nevent: y"}\n\n'
