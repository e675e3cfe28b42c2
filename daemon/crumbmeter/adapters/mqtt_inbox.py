"""Messages that come in over MQTT, for the desk: one topic, at least once each, taken in order.

Control subscribes to nothing. The desk takes load tickets here, and nothing else comes in this way: no command, no
setpoint. The session is kept by the broker under a name of its own, so what comes while the desk is down is delivered
when it is back; what comes twice is told apart by whoever takes it.
"""

import asyncio
import random
from collections.abc import Awaitable, Callable

import aiomqtt

from crumbmeter.adapters.mqtt import MqttSettings, opened, read_secrets, why_of
from crumbmeter.model.events import Event, event
from crumbmeter.ports import Clock


class Inbox:
    """Keeps one subscription alive."""

    def __init__(
        self,
        settings: MqttSettings,
        topic: str,
        take: Callable[[bytes], Awaitable[None]],
        clock: Clock,
        report: Callable[[Event], None],
        rng: random.Random,
    ) -> None:
        """Prepare; nothing is opened before `run`.

        Args:
            settings: Where the broker is; the client id is this subscription's own.
            topic: What to take.
            take: Gets each message; the next one waits for it.
            clock: For the back-off.
            report: Gets `inbox_up` and `inbox_down`, once for each change.
            rng: For the jitter of the back-off.
        """
        self._settings = settings
        self._topic = topic
        self._take = take
        self._clock = clock
        self._report = report
        self._rng = rng
        self._told_down = False
        self.connects = 0
        """Connections made since the start."""

    async def run(self) -> None:
        """Connect, listen, and connect again for ever. Never raises because of the broker."""
        failures = 0
        while True:
            before = self.connects
            try:
                await self._session()
            except (aiomqtt.MqttError, OSError, ValueError) as fault:
                if not self._told_down:
                    self._told_down = True
                    self._report(event("inbox_down", topic=self._topic, why=why_of(fault)))
            failures = 1 if self.connects > before else failures + 1
            low, high = self._settings.backoff_min_s, self._settings.backoff_max_s
            wait_s = min(high, low * 2.0 ** min(failures - 1, 16) * (1.0 + 0.5 * self._rng.random()))
            await self._clock.sleep_until(self._clock.now_s() + wait_s)

    async def _session(self) -> None:
        settings = self._settings
        password, tls = await asyncio.to_thread(read_secrets, settings)
        client = aiomqtt.Client(
            settings.host,
            settings.port,
            identifier=settings.client_id,
            username=settings.username,
            password=password,
            protocol=aiomqtt.ProtocolVersion.V311,
            clean_session=False,
            tls_context=tls,
            keepalive=settings.keepalive_s,
            timeout=settings.timeout_s,
        )
        async with opened(client):
            await client.subscribe(self._topic, qos=1)
            self.connects += 1
            self._told_down = False
            self._report(event("inbox_up", topic=self._topic))
            async for message in client.messages:
                await self._take(bytes(message.payload) if isinstance(message.payload, bytes | bytearray) else b"")
