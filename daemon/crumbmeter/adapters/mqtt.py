"""MQTT through aiomqtt: a view of the journal, and of the newest scan. The only module that imports the client library.

aiomqtt 2.x does not reconnect and loses what is in flight with its client object, so every connection here is a new
client, and a record counts as sent only when its PUBACK has come (REQ-37). A frozen broker is noticed by the link
watcher (`async for` over messages) and by publications that run into their time-out; a broker that is away costs one
attempt per back-off and no memory, because records wait in the journal.
"""

import asyncio
import contextlib
import logging
import random
import socket
import ssl
from collections.abc import AsyncIterator, Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import NoReturn

import aiomqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from crumbmeter.model.events import Event, event
from crumbmeter.model.scan import ScanResult
from crumbmeter.outward import payloads
from crumbmeter.outward.origin import Origin, Stamp
from crumbmeter.outward.outbox import OutboxRecord, OutboxSource
from crumbmeter.outward.payloads import Presence, Topic
from crumbmeter.ports import Clock

BATCH = 8
"""Records in flight at once. With the state and the watcher this stays below ten, where the client begins to warn."""

STATE_PERIOD_S = 1.0
"""[s] Process time between two states."""

_LOGGER = logging.getLogger("mqtt.crumbmeter")
_LOGGER.setLevel(logging.CRITICAL)  # what the library complains of ("failed to receive") is told as mqtt_down

LOOK_AGAIN_S = 1.0
"""[s] Loop time after which the outbox is looked at even if nobody poked."""

FAREWELL_S = 1.0
"""[s] Loop time that the clean farewell may take."""


@dataclass(frozen=True, slots=True)
class MqttSettings:
    """Where the broker is and how to reach it."""

    host: str
    port: int
    topic_root: str
    client_id: str
    username: str | None = None
    password_file: Path | None = None
    """Read at each connection, so that a changed password needs no restart."""
    tls: bool = False
    tls_ca_file: Path | None = None
    """None with `tls`: the system's authorities."""
    version_5: bool = False
    """MQTT 5 where the broker speaks it; 3.1.1 otherwise (the embedded broker)."""
    keepalive_s: int = 15
    timeout_s: float = 5.0
    """[s] For the connection, and for each acknowledgement. Loop time."""
    backoff_min_s: float = 1.0
    backoff_max_s: float = 30.0


class _Stopped(Exception):  # noqa: N818 - no error: it ends the task group
    """The farewell has been said."""


class Publisher:
    """Keeps one connection to the broker and sends what is to be sent."""

    def __init__(
        self,
        settings: MqttSettings,
        origin: Origin,
        version: str,
        source: OutboxSource,
        clock: Clock,
        report: Callable[[Event], None],
        rng: random.Random,
    ) -> None:
        """Prepare; nothing is opened before `run`.

        Args:
            settings: where the broker is.
            origin: the envelope of all payloads.
            version: of the program, told in the status.
            source: the records, in order, with the cursor.
            clock: process time and wall time for stamps.
            report: gets `mqtt_up` and `mqtt_down`, once per transition.
            rng: for the jitter of the back-off.
        """
        self._settings = settings
        self._origin = origin
        self._version = version
        self._source = source
        self._clock = clock
        self._report = report
        self._rng = rng
        self._topics = {kind: payloads.topic_name(settings.topic_root, origin.site_id, kind) for kind in Topic}
        self._newest: ScanResult | None = None
        self._news = asyncio.Event()
        self._records = asyncio.Event()
        self._stop = asyncio.Event()
        self._seq = 0
        self._told_down = False
        self.connected = False
        self.connects = 0
        """Connections made since the start."""
        self.attempts_failed = 0
        self.acknowledged: dict[str, int] = dict.fromkeys(Topic, 0)
        """Publications that the broker acknowledged, by kind."""

    def offer_nowait(self, result: ScanResult) -> bool:
        """Fan-out's side: the newest scan wins."""
        self._newest = result
        self._news.set()
        return True

    def renew(self, origin: Origin) -> None:
        """Say from now on that states come from other settings."""
        self._origin = origin

    def poke(self) -> None:
        """Tell that the journal has new records. Call from the loop; it only saves up to a second."""
        self._records.set()

    def stop(self) -> None:
        """Ask `run` to say farewell and return."""
        self._stop.set()

    async def run(self) -> None:
        """Connect, send, and connect again for ever, until `stop`. Never raises because of the broker."""
        failures = 0
        while not self._stop.is_set():
            before = self.connects
            try:
                await self._session()
            except* (aiomqtt.MqttError, OSError, ValueError) as fault:
                self._note_down(fault)
            failures = 1 if self.connects > before else failures + 1
            if not self._stop.is_set():
                await self._back_off(failures)
        self.connected = False

    def _note_down(self, fault: BaseExceptionGroup[BaseException]) -> None:
        if not self.connected:
            self.attempts_failed += 1
        self.connected = False
        if not self._told_down:
            self._told_down = True
            self._report(event("mqtt_down", broker=self._broker, why=why_of(fault)))

    @property
    def _broker(self) -> str:
        return f"{self._settings.host}:{self._settings.port}"

    async def _back_off(self, failures: int) -> None:
        low, high = self._settings.backoff_min_s, self._settings.backoff_max_s
        wait_s = min(high, low * 2.0 ** min(failures - 1, 16) * (1.0 + 0.5 * self._rng.random()))
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(wait_s):
                await self._stop.wait()

    async def _session(self) -> None:
        """Live through one connection."""
        password, tls = await asyncio.to_thread(read_secrets, self._settings)
        client = self._client(password, tls)
        async with opened(client):
            await self._send(client, Topic.STATUS, self._status(Presence.STARTED))
            self.connected, self._told_down = True, False
            self.connects += 1
            self._report(event("mqtt_up", broker=self._broker))
            try:
                async with asyncio.TaskGroup() as group:
                    group.create_task(self._watch(client), name="mqtt watch")
                    group.create_task(self._send_records(client), name="mqtt records")
                    group.create_task(self._send_states(client), name="mqtt states")
                    group.create_task(self._say_farewell(client), name="mqtt farewell")
            except* _Stopped:
                self.connected = False

    def _client(self, password: str | None, tls: ssl.SSLContext | None) -> aiomqtt.Client:
        settings = self._settings
        return aiomqtt.Client(
            settings.host,
            settings.port,
            identifier=settings.client_id,
            username=settings.username,
            password=password,
            protocol=aiomqtt.ProtocolVersion.V5 if settings.version_5 else aiomqtt.ProtocolVersion.V311,
            clean_session=None if settings.version_5 else True,
            will=aiomqtt.Will(self._topics[Topic.STATUS], self._status(Presence.LINK_LOST), qos=1, retain=True),
            tls_context=tls,
            logger=_LOGGER,
            keepalive=settings.keepalive_s,
            timeout=settings.timeout_s,
        )

    def _stamp(self) -> Stamp:
        self._seq += 1
        return Stamp(self._seq, self._clock.wall_us(), self._clock.now_s())

    def _status(self, presence: Presence) -> bytes:
        return payloads.status(self._origin, self._stamp(), presence, self._version)

    async def _send(self, client: aiomqtt.Client, kind: Topic, body: bytes) -> None:
        """Publish at QoS 1; returns when the broker has acknowledged.

        The library waits with `asyncio.wait_for`, which in Python 3.11 forgets a cancellation that comes in the same
        turn as the acknowledgement: the task would go on for ever, and the program would not end.
        """
        task = asyncio.current_task()
        before = task.cancelling() if task else 0  # a task group leaves its count behind
        await client.publish(
            self._topics[kind], body, qos=1, retain=kind in payloads.RETAINED, properties=self._properties(kind)
        )
        self.acknowledged[kind] += 1
        if task and task.cancelling() > before:
            raise asyncio.CancelledError

    def _properties(self, kind: Topic) -> Properties | None:
        if not self._settings.version_5:
            return None
        properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        properties.ContentType = "application/json"
        if kind is Topic.STATE:
            properties.MessageExpiryInterval = int(payloads.STATE_VALID_S)
        return properties

    async def _watch(self, client: aiomqtt.Client) -> None:
        """Notice the end of the link: the iterator raises when the broker is gone or its keep-alive ran out."""
        async for _ in client.messages:
            pass

    async def _send_records(self, client: aiomqtt.Client) -> NoReturn:
        """Send records in order; move the cursor over those, and only those, that are acknowledged without a hole."""
        acknowledged = await self._source.position()
        while True:
            self._records.clear()
            batch = await self._source.fetch(acknowledged, BATCH)
            if not batch:
                with contextlib.suppress(TimeoutError):
                    async with asyncio.timeout(LOOK_AGAIN_S):  # not wait_for: see _send
                        await self._records.wait()
                continue
            acknowledged = await self._send_batch(client, batch, acknowledged)

    async def _send_batch(self, client: aiomqtt.Client, batch: Sequence[OutboxRecord], before: int) -> int:
        outcomes = await asyncio.gather(
            *(self._send(client, record.topic, record.payload) for record in batch), return_exceptions=True
        )
        reached, fault = before, None
        for record, outcome in zip(batch, outcomes, strict=True):
            if outcome is not None:
                fault = outcome
                break
            reached = record.seq
        if reached > before:
            await self._source.advance(reached)
        if fault is not None:
            raise fault
        return reached

    async def _send_states(self, client: aiomqtt.Client) -> NoReturn:
        """Send the newest scan about once a second of process time; what came meanwhile is passed over."""
        sent_s = float("-inf")
        while True:
            await self._news.wait()
            self._news.clear()
            result = self._newest
            if result is not None and result.view.now_s - sent_s >= STATE_PERIOD_S:
                sent_s = result.view.now_s
                self._seq += 1
                stamp = Stamp(self._seq, result.wall_us, result.view.now_s)
                await self._send(client, Topic.STATE, payloads.state(self._origin, stamp, result.view))

    async def _say_farewell(self, client: aiomqtt.Client) -> NoReturn:
        await self._stop.wait()
        with contextlib.suppress(TimeoutError, aiomqtt.MqttError):
            async with asyncio.timeout(FAREWELL_S):
                await self._send(client, Topic.STATUS, self._status(Presence.STOPPED))
        raise _Stopped


def read_secrets(settings: MqttSettings) -> tuple[str | None, ssl.SSLContext | None]:
    """Read password and certificates. Runs in a thread: no file is read on the loop."""
    password = None
    if settings.password_file is not None:
        password = settings.password_file.read_text(encoding="utf-8").rstrip("\r\n")
    if not settings.tls:
        return password, None
    context = ssl.create_default_context(cafile=None if settings.tls_ca_file is None else str(settings.tls_ca_file))
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    return password, context


@contextlib.asynccontextmanager
async def opened(client: aiomqtt.Client) -> AsyncIterator[None]:
    """Hold a connection open, and take it down whatever happens: no socket and no task of the client stays behind.

    The library's own context manager leaves the socket open where the broker never answers the connection, and its
    exit may put an MqttError in the place of a cancellation.
    """
    try:
        await client.__aenter__()
        yield
    except BaseException:
        _hang_up(client)
        raise
    finally:
        # Not asyncio.timeout: in a task that is being cancelled, Python before 3.11.4 lets its cancellation escape.
        with contextlib.suppress(aiomqtt.MqttError, TimeoutError, OSError):
            await asyncio.wait_for(client.__aexit__(None, None, None), FAREWELL_S)


def _hang_up(client: aiomqtt.Client) -> None:
    """Cut the socket, so that leaving the client sends no DISCONNECT: the broker must keep our last will for us."""
    client._client.on_socket_register_write = None  # noqa: SLF001 - else a writer is added to a socket that is closed
    with contextlib.suppress(OSError, ValueError):
        line = client._client.socket()  # noqa: SLF001 - the library has no way to leave without a farewell
        if isinstance(line, socket.socket):
            line.shutdown(socket.SHUT_RDWR)


def why_of(fault: BaseException) -> str:
    """Name the first cause in a group of exceptions."""
    while isinstance(fault, BaseExceptionGroup):
        fault = fault.exceptions[0]
    return str(fault) or type(fault).__name__
