"""The publisher against a real Mosquitto, and the embedded broker against the same client."""

import asyncio
import contextlib
import itertools
import json
import random
import sys
from collections.abc import AsyncIterator, Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import aiomqtt
import pytest

from crumbmeter.adapters.broker import BrokerPortBusyError, EmbeddedBroker
from crumbmeter.adapters.clock import RealClock
from crumbmeter.adapters.mqtt import MqttSettings, Publisher
from crumbmeter.model.events import Event, event
from crumbmeter.outward import payloads
from crumbmeter.outward.outbox import MemoryOutbox
from crumbmeter.outward.payloads import Topic
from tests.system.brokers import MOSQUITTO, Mosquitto, takes_connections, until
from tests.unit.outward.samples import ORIGIN, STAMP, scan

needs_broker = [pytest.mark.broker, pytest.mark.skipif(MOSQUITTO is None, reason="mosquitto is not installed")]
broker = lambda test: needs_broker[0](needs_broker[1](test))  # noqa: E731

STATUS, STATE, EVENT = (f"crumbmeter/demo_drum/{kind}" for kind in ("status", "state", "event"))


class Listener:
    """An independent subscriber that keeps everything it hears."""

    def __init__(self, port: int) -> None:
        self.port = port
        self.heard: list[tuple[str, bool, dict[str, Any]]] = []
        self.up = False

    async def run(self) -> None:
        while True:
            with contextlib.suppress(aiomqtt.MqttError):
                async with aiomqtt.Client("127.0.0.1", self.port, clean_session=True, timeout=2, keepalive=2) as client:
                    await client.subscribe("crumbmeter/#", qos=1)
                    self.up = True
                    async for message in client.messages:
                        assert isinstance(message.payload, bytes)
                        body = json.loads(message.payload)
                        self.heard.append((str(message.topic), bool(message.retain), body))
            self.up = False
            await until(lambda: takes_connections(("127.0.0.1", self.port)), 300.0)

    def of(self, topic: str) -> list[dict[str, Any]]:
        return [body for name, _, body in self.heard if name == topic]


@contextlib.asynccontextmanager
async def listening(port: int) -> AsyncIterator[Listener]:
    listener = Listener(port)
    task = asyncio.ensure_future(listener.run())
    await until(lambda: listener.up)
    try:
        yield listener
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


def open_files() -> int:
    return len(list(Path("/proc/self/fd").iterdir()))


async def done(*words: str) -> None:
    """Run a program to its good end."""
    program = await asyncio.create_subprocess_exec(*words, stderr=asyncio.subprocess.DEVNULL)
    assert await program.wait() == 0, words


def settings(port: int) -> MqttSettings:
    return MqttSettings(
        "127.0.0.1", port, "crumbmeter", "meter-1", keepalive_s=2, timeout_s=1.0, backoff_min_s=0.05, backoff_max_s=0.2
    )


class Running:
    """A publisher under test."""

    def __init__(self, mqtt: MqttSettings, source: MemoryOutbox) -> None:
        self.events: list[Event] = []
        self.source = source
        self.publisher = Publisher(mqtt, ORIGIN, "0.1.0", source, RealClock(), self.events.append, random.Random(1))

    def names(self) -> list[str]:
        return [happening.name for happening in self.events]

    def offer(self, number: int) -> None:
        assert self.source.offer(
            Topic.EVENT, payloads.event(ORIGIN, replace(STAMP, seq=number), event("numbered", n=number))
        )
        self.publisher.poke()


@contextlib.asynccontextmanager
async def publishing(mqtt: MqttSettings, source: MemoryOutbox | None = None) -> AsyncIterator[Running]:
    running = Running(mqtt, source if source is not None else MemoryOutbox(10_000))
    task = asyncio.ensure_future(running.publisher.run())
    try:
        yield running
        running.publisher.stop()
        await asyncio.wait_for(task, 10)
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


@pytest.fixture
def mosquitto(tmp_path: Path, free_port: Callable[[], int]) -> Iterator[Mosquitto]:
    server = Mosquitto(tmp_path, free_port())
    server.start()
    yield server
    server.close()


@broker
async def test_birth_and_farewell_are_retained_on_one_topic(mosquitto: Mosquitto) -> None:
    async with publishing(settings(mosquitto.port)) as running:
        await until(lambda: running.publisher.connected)
        async with listening(mosquitto.port) as listener:
            await until(lambda: listener.of(STATUS))
            topic, retained, birth = listener.heard[0]
            assert (topic, retained, birth["online"], birth["reason"]) == (STATUS, True, True, "started")
    async with listening(mosquitto.port) as late:
        await until(lambda: late.of(STATUS))
        _, retained, farewell = late.heard[0]
        assert (retained, farewell["online"], farewell["reason"]) == (True, False, "stopped")
    assert running.names() == ["mqtt_up"]


@broker
@pytest.mark.parametrize("version_5", [False, True])
async def test_records_arrive_in_order_and_leave_the_outbox(mosquitto: Mosquitto, version_5: bool) -> None:
    async with (
        listening(mosquitto.port) as listener,
        publishing(replace(settings(mosquitto.port), version_5=version_5)) as running,
    ):
        for number in range(1, 101):
            running.offer(number)
        await until(lambda: len(listener.of(EVENT)) == 100)
        assert [body["seq"] for body in listener.of(EVENT)] == list(range(1, 101))
        await until(lambda: len(running.source) == 0)
        assert await running.source.position() == 100
        assert running.publisher.acknowledged[Topic.EVENT] == 100


@broker
async def test_state_is_sent_once_a_second_of_process_time_and_the_newest_wins(mosquitto: Mosquitto) -> None:
    async with listening(mosquitto.port) as listener, publishing(settings(mosquitto.port)) as running:
        await until(lambda: running.publisher.connected)
        for number in range(1, 31):  # six seconds of scans at 0.2 s
            running.publisher.offer_nowait(scan(number, began_s=100.0 + 0.2 * number))
            await until(lambda: not running.publisher._news.is_set())
        await until(lambda: len(listener.of(STATE)) >= 6)
        times = [body["process_time_s"] for body in listener.of(STATE)]
        assert all(later - earlier >= 1.0 - 1e-9 for earlier, later in itertools.pairwise(times))
        assert not any(retained for name, retained, _ in listener.heard if name == STATE)


@broker
async def test_broker_killed_again_and_again_loses_nothing_and_keeps_the_order(
    tmp_path: Path, free_port: Callable[[], int]
) -> None:
    keep = f"persistence true\npersistence_location {tmp_path}/\nautosave_interval 1\nautosave_on_changes true"
    server = Mosquitto(tmp_path, free_port(), keep)
    server.start()
    try:
        async with publishing(settings(server.port)) as running:
            got: list[int] = []
            for round_number in range(5):
                for number in range(1, 201):
                    running.offer(round_number * 200 + number)
                reached = running.publisher.acknowledged[Topic.EVENT]
                await until(lambda low=reached: running.publisher.acknowledged[Topic.EVENT] > low + 20)  # type: ignore[misc]
                server.kill()
                got.append(await running.source.position())
                server.start()
            await until(lambda: len(running.source) == 0, 30)
            assert got == sorted(got)
            assert await running.source.position() == 1000
            ups, downs = running.names().count("mqtt_up"), running.names().count("mqtt_down")
            assert (ups, downs) == (6, 5)
            # The broker forgets with its death what it had acknowledged; what it is asked now it still knows in order.
            async with listening(server.port) as listener:
                running.offer(1001)
                await until(lambda: listener.of(EVENT))
                assert listener.of(EVENT)[-1]["seq"] == 1001
    finally:
        server.close()


@broker
async def test_subscriber_sees_every_record_once_or_marked_as_repeated(mosquitto: Mosquitto) -> None:
    """Kill the publisher's link, not the broker: what was in flight is sent again under its old number."""
    source = MemoryOutbox(10_000)
    async with listening(mosquitto.port) as listener:
        for part in range(5):
            async with contextlib.AsyncExitStack() as stack:
                running = await stack.enter_async_context(publishing(settings(mosquitto.port), source))
                for number in range(1, 101):
                    running.offer(part * 100 + number)
                await until(lambda run=running: run.publisher.acknowledged[Topic.EVENT] > 30)  # type: ignore[misc]
        async with publishing(settings(mosquitto.port), source):
            await until(lambda: len(source) == 0)
            await until(lambda: any(body["seq"] == 500 for body in listener.of(EVENT)))
        seqs = [body["seq"] for body in listener.of(EVENT)]
        firsts = list(dict.fromkeys(seqs))
        assert firsts == list(range(1, 501))


class Cutter:
    """A wire to the broker that can be cut at any moment, with whatever is on it."""

    def __init__(self, port: int) -> None:
        self._to = port
        self._open: set[asyncio.StreamWriter] = set()
        self._tasks: set[asyncio.Task[None]] = set()

    async def __aenter__(self) -> int:
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", 0)
        port: int = self._server.sockets[0].getsockname()[1]
        return port

    async def __aexit__(self, *_: object) -> None:
        self._server.close()
        self.cut()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    def cut(self) -> None:
        for end in self._open:
            end.transport.abort()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._tasks.add(task)
        there_reader, there = await asyncio.open_connection("127.0.0.1", self._to)
        self._open |= {writer, there}
        await asyncio.gather(_carry(reader, there), _carry(there_reader, writer))
        for end in (writer, there):
            end.transport.abort()
            self._open.discard(end)
        self._tasks.discard(task)


async def _carry(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    with contextlib.suppress(ConnectionError):
        while part := await reader.read(64):  # small parts: a cut falls inside packets, too
            writer.write(part)
            await writer.drain()
    writer.transport.abort()


@broker
async def test_sixty_cuts_at_random_leave_no_gap_and_no_disorder(mosquitto: Mosquitto) -> None:
    """REQ-37: gaps 0, order kept, and what came twice is known by its number."""
    rng = random.Random(37)
    cutter = Cutter(mosquitto.port)
    async with listening(mosquitto.port) as listener, cutter as port, publishing(settings(port)) as running:
        cuts, number = 0, 0
        while cuts < 60:
            for _ in range(rng.randint(1, 20)):
                number += 1
                running.offer(number)
            reached = running.publisher.acknowledged[Topic.EVENT] + rng.randint(0, 6)
            await until(lambda: running.publisher.connected)
            await until(
                lambda low=reached: running.publisher.acknowledged[Topic.EVENT] >= low or not len(running.source)  # type: ignore[misc]
            )
            cutter.cut()
            cuts += 1
        await until(lambda: len(running.source) == 0, 40)
        await until(lambda: listener.of(EVENT) and listener.of(EVENT)[-1]["seq"] == number)
        seqs = [body["seq"] for body in listener.of(EVENT)]
        assert list(dict.fromkeys(seqs)) == list(range(1, number + 1))
        repeated = len(seqs) - number
        assert repeated <= 60 * 8


@broker
async def test_frozen_broker_is_noticed_and_nothing_is_counted_as_sent(mosquitto: Mosquitto) -> None:
    async with publishing(settings(mosquitto.port)) as running:
        await until(lambda: running.publisher.connected)
        mosquitto.freeze()
        for number in range(1, 51):
            running.offer(number)
        await until(lambda: "mqtt_down" in running.names())
        assert running.publisher.acknowledged[Topic.EVENT] == 0
        assert len(running.source) == 50
        files = open_files()
        failed = running.publisher.attempts_failed
        await until(lambda: running.publisher.attempts_failed >= failed + 3)
        assert open_files() <= files + 2  # no socket stays behind an attempt that got no answer
        assert running.names().count("mqtt_down") == 1
        mosquitto.thaw()
        await until(lambda: len(running.source) == 0)
        assert running.publisher.acknowledged[Topic.EVENT] == 50


@broker
async def test_outage_costs_no_memory_and_publishing_never_waits(tmp_path: Path, free_port: Callable[[], int]) -> None:
    async with publishing(settings(free_port()), MemoryOutbox(100)) as running:
        for number in range(1, 101):
            running.offer(number)
        assert not running.source.offer(Topic.EVENT, b"{}")
        assert running.source.dropped == 1
        tasks = len(asyncio.all_tasks())
        for number in range(20_000):
            running.publisher.offer_nowait(scan(number, began_s=0.2 * number))
        await until(lambda: running.publisher.attempts_failed >= 4)
        assert len(asyncio.all_tasks()) <= tasks + 1
        assert len(running.source) == 100
        assert running.names() == ["mqtt_down"]


CRASHING = """
import asyncio, os, random, signal, sys
from crumbmeter.adapters.clock import RealClock
from crumbmeter.adapters.mqtt import MqttSettings, Publisher
from crumbmeter.outward.origin import Origin
from crumbmeter.outward.outbox import MemoryOutbox
async def main():
    up = asyncio.Event()
    publisher = Publisher(MqttSettings("127.0.0.1", int(sys.argv[1]), "crumbmeter", "meter-1"),
        Origin("demo_drum", "b00t", "5e771d", True), "0.1.0", MemoryOutbox(), RealClock(), lambda _: up.set(),
        random.Random(1))
    async with asyncio.TaskGroup() as group:
        group.create_task(publisher.run())
        await up.wait()
        os.kill(os.getpid(), signal.SIGKILL)
asyncio.run(main())
"""


@broker
async def test_killed_daemon_is_reported_by_its_last_will(mosquitto: Mosquitto) -> None:
    async with listening(mosquitto.port) as listener:
        program = await asyncio.create_subprocess_exec(sys.executable, "-c", CRASHING, str(mosquitto.port))
        await program.wait()
        await until(lambda: len(listener.of(STATUS)) == 2)
        assert [(body["online"], body["reason"]) for body in listener.of(STATUS)] == [
            (True, "started"),
            (False, "link lost"),
        ]
    async with listening(mosquitto.port) as late:
        await until(lambda: late.of(STATUS))
        assert (late.heard[0][1], late.of(STATUS)[0]["online"]) == (True, False)


@broker
async def test_cancelled_publisher_ends_at_once_and_leaves_its_will(mosquitto: Mosquitto) -> None:
    async with listening(mosquitto.port) as listener:
        running = Running(settings(mosquitto.port), MemoryOutbox())
        task = asyncio.ensure_future(running.publisher.run())
        await until(lambda: running.publisher.connected)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await asyncio.wait_for(task, 3)
        await until(lambda: [body["reason"] for body in listener.of(STATUS)] == ["started", "link lost"])


@pytest.mark.filterwarnings(
    "ignore:.*unclosed <ssl.SSLSocket|.*ssl.SSLSocket fd"
)  # the library leaves the refused one to the collector
@broker
async def test_password_file_and_tls(tmp_path: Path, free_port: Callable[[], int]) -> None:
    port = free_port()
    await done(
        *("openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", "/CN=127.0.0.1"),
        *("-addext", "subjectAltName=IP:127.0.0.1"),
        *("-keyout", str(tmp_path / "key.pem"), "-out", str(tmp_path / "cert.pem")),
    )
    await done("mosquitto_passwd", "-b", "-c", str(tmp_path / "users"), "meter", "s3cret")
    (tmp_path / "password").write_text("s3cret\n")
    server = Mosquitto(
        tmp_path,
        port,
        f"listener {port} 127.0.0.1\ncertfile {tmp_path}/cert.pem\nkeyfile {tmp_path}/key.pem\n"
        f"password_file {tmp_path}/users\nallow_anonymous false",
    )
    server.start()
    good = replace(
        settings(port),
        username="meter",
        password_file=tmp_path / "password",
        tls=True,
        tls_ca_file=tmp_path / "cert.pem",
    )
    try:
        async with publishing(good) as running:
            await until(lambda: running.publisher.connected)
        async with publishing(replace(good, tls_ca_file=None)) as stranger:
            await until(lambda: stranger.publisher.attempts_failed > 0)
            assert "CERTIFICATE_VERIFY_FAILED" in str(stranger.events[0].get("why"))
        (tmp_path / "password").write_text("wrong")
        async with publishing(good) as refused:
            await until(lambda: refused.publisher.attempts_failed > 0)
            assert "uthoriz" in str(refused.events[0].get("why"))
    finally:
        server.close()


async def test_missing_password_file_is_a_reason_and_no_crash(tmp_path: Path, free_port: Callable[[], int]) -> None:
    async with publishing(replace(settings(free_port()), username="m", password_file=tmp_path / "none")) as running:
        await until(lambda: running.publisher.attempts_failed >= 2)
        assert "No such file" in str(running.events[0].get("why"))
        assert len(running.events) == 1


# The embedded broker's library leaves accepted connections to the collector when it shuts down; the process ends then.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
async def test_embedded_broker_serves_the_same_publisher() -> None:
    server = EmbeddedBroker(0)
    server.start()
    try:
        async with listening(server.port) as listener, publishing(settings(server.port)) as running:
            for number in range(1, 51):
                running.offer(number)
            await until(lambda: len(listener.of(EVENT)) == 50)
            assert [body["seq"] for body in listener.of(EVENT)] == list(range(1, 51))
            await until(lambda: len(running.source) == 0)
        async with listening(server.port) as late:
            await until(lambda: late.of(STATUS))
            assert (late.heard[0][1], late.of(STATUS)[0]["reason"]) == (True, "stopped")
    finally:
        server.stop()


async def test_embedded_broker_names_a_busy_port_and_the_remedy() -> None:
    first = EmbeddedBroker(0)
    first.start()
    try:
        with pytest.raises(BrokerPortBusyError, match=rf"127.0.0.1:{first.port}.*give publish.mqtt another port"):
            EmbeddedBroker(first.port).start()
    finally:
        first.stop()
