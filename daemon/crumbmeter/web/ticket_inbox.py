"""Load tickets over MQTT, where the quality plan names a topic: taken by the desk, put on record, refused by name."""

import asyncio
import random

from crumbmeter.adapters.mqtt import MqttSettings
from crumbmeter.adapters.mqtt_inbox import Inbox
from crumbmeter.model.events import event
from crumbmeter.site import SiteRefusedError
from crumbmeter.site.quality import load_quality_plan
from crumbmeter.web.faults import DeskError
from crumbmeter.web.parts import Parts


def ticket_inbox(parts: Parts) -> Inbox | None:
    """Return what takes tickets; None where the plan names no topic, or cannot be read (its pages say why)."""
    wanted = parts.site.publish.mqtt
    try:
        topic = load_quality_plan(parts.site).tickets_topic
    except SiteRefusedError:
        return None
    if wanted is None or not topic:
        return None
    settings = MqttSettings(
        "127.0.0.1" if wanted.embedded else wanted.host, wanted.port, wanted.topic_root,
        f"crumbmeter-desk-{parts.site.params.site_id}", wanted.username, wanted.password_file,
        tls=wanted.tls_ca is not None, tls_ca_file=wanted.tls_ca,
    )  # fmt: skip
    taker = _Taker(parts, topic)
    return Inbox(settings, topic, taker.take, parts.clock, parts.report, random.Random())  # noqa: S311 - jitter of a back-off


class _Taker:
    """Puts the tickets of a message on record."""

    def __init__(self, parts: Parts, topic: str) -> None:
        self._parts = parts
        self._who = f"MQTT {topic}"

    async def take(self, raw: bytes) -> None:
        """Take one message. What is refused is told; the message is not asked for again."""
        parts = self._parts
        text = raw.decode("utf-8", "replace")
        try:
            found = await asyncio.to_thread(parts.quality.tickets, text, self._who, parts.wall_us(), as_csv=False)
        except DeskError as fault:
            parts.report(event("ticket_refused", why=str(fault)))
            return
        for problem in found.problems:
            parts.report(event("ticket_refused", why=problem))
        if found.new:
            parts.report(event("tickets_taken", count=len(found.new), who=self._who))
