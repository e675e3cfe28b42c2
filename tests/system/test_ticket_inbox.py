"""Load tickets over a real broker into the quality record: once each, whatever comes twice or makes no sense."""

import asyncio
import contextlib
import dataclasses
import json
from collections.abc import Callable
from pathlib import Path

import aiomqtt
import pytest

from crumbmeter.adapters.clock import RealClock
from crumbmeter.model.events import Event
from crumbmeter.report.sources import opened
from crumbmeter.runtime.supervisor import Supervisor
from crumbmeter.site import Site
from crumbmeter.site.settings import MqttSettings
from crumbmeter.web.ticket_inbox import ticket_inbox
from tests.quality_site import DAY, make
from tests.system.brokers import MOSQUITTO, Mosquitto, until
from tests.unit.web.making import Bench

pytestmark = [pytest.mark.broker, pytest.mark.skipif(MOSQUITTO is None, reason="mosquitto is not installed")]
TOPIC = "plant/tickets"


def told(number: str, net_kg: object) -> str:
    return json.dumps({"number": number, "loaded_at": f"{DAY}T15:00:00+00:00", "net_kg": net_kg, "silo_id": "north"})


def with_topic(site: Site, folder: Path, port: int) -> Site:
    plan = folder / "plan.toml"
    plan.write_text(f'[tickets]\nmqtt_topic = "{TOPIC}"\n[silos.north]\ncapacity_tonne = 100.0\nmixing_tonne = 5.0\n')
    mqtt = MqttSettings(
        embedded=False, host="127.0.0.1", port=port, topic_root="plant", username=None, password_file=None, tls_ca=None
    )
    return dataclasses.replace(
        site,
        desk=dataclasses.replace(site.desk, quality_plan=plan),
        publish=dataclasses.replace(site.publish, mqtt=mqtt),
    )


async def test_each_ticket_is_on_record_once(tmp_path: Path, free_port: Callable[[], int]) -> None:
    broker = Mosquitto(tmp_path, free_port())
    site = with_topic(make(tmp_path / "plant"), tmp_path, broker.port)
    clock = RealClock()
    parts = Bench(tmp_path, clock, site=site).parts
    heard: list[Event] = []
    inbox = ticket_inbox(dataclasses.replace(parts, report=heard.append))
    assert inbox is not None
    broker.start()
    tasks = Supervisor(clock, lambda: 0.5, heard.append)
    tasks.add("tickets", inbox.run)
    running = asyncio.ensure_future(tasks.run())
    try:
        await until(lambda: inbox.connects)
        async with aiomqtt.Client("127.0.0.1", broker.port) as client:
            for body in (
                told("1", 20_000),
                told("2", 21_000),
                told("1", 20_000),
                told("3", "heavy"),
                "{",
                told("4", 9),
            ):
                await client.publish(TOPIC, body, qos=1)

        def numbers() -> list[str]:
            with opened(site) as sources:
                return [one.number for one in sources.tickets().loads]

        await until(lambda: "4" in numbers())
        assert sorted(numbers()) == ["1", "2", "4"]
        refused = [str(one.get("why")) for one in heard if one.name == "ticket_refused"]
        assert len(refused) == 2
        assert "net_kg" in refused[0]
    finally:
        await tasks.stop()
        running.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await running
        broker.close()


async def test_without_a_topic_nothing_is_taken(tmp_path: Path) -> None:
    site = make(tmp_path / "plant")
    assert ticket_inbox(Bench(tmp_path, RealClock(), site=site).parts) is None
