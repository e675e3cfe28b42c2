"""Killed at random moments under load and started again: nothing acknowledged is lost, nothing starts by itself."""

import asyncio
import itertools
import random
from typing import Any

import pytest

from crumbmeter.journal.reader import Reader
from crumbmeter.journal.verify import verify
from crumbmeter.ledger import parcels
from crumbmeter.model.parcel import Parcel
from tests.system.brokers import MOSQUITTO, Mosquitto, until
from tests.system.conftest import Bench
from tests.system.plants import Peek, Running, SiteFile
from tests.system.test_mqtt import Listener, listening

KILLS = 8
TOPICS = "crumbmeter/demo_drum"


def booked(site: SiteFile) -> list[Parcel]:
    with Reader(site.journal / "journal.db") as reader:
        return [one.parcel for one in parcels.iterate(reader)]


def sums(booked_parcels: list[Parcel]) -> dict[str, int]:
    return {
        "rubber_g": sum(one.rubber_g for one in booked_parcels),
        "target_rubber_g": sum(one.target_rubber_g for one in booked_parcels),
        "mix_g": sum(one.mix_g for one in booked_parcels),
        "parcels_count": len(booked_parcels),
    }


async def auger_stands(port: int) -> None:
    """Wait until the feeder's own watchdog has stopped the auger."""
    async with asyncio.timeout(10):
        while await Peek.auger_rpm(port) > 0.0:
            pass


async def life(daemon: Running, chance: random.Random, lost: list[Parcel]) -> None:
    """Feed, book parcels, and die at a random moment."""
    view = await daemon.feed()
    due = len(lost) + chance.randrange(1, 4)
    view = await daemon.until(lambda view: view["totals"]["parcels_count"] >= due)
    more = view["seq"] + chance.randrange(60)
    await daemon.until(lambda view: view["seq"] >= more)
    daemon.kill()


def judge_start(view: dict[str, Any], before: list[Parcel]) -> None:
    """Judge the first view after a kill."""
    assert view["control_enabled"]
    assert not view["in_service"]
    assert view["run_state"] in ("idle", "monitor only")
    first = sums(before)
    assert {key: view["totals"][key] for key in first} == first


@pytest.mark.slow
@pytest.mark.broker
@pytest.mark.skipif(MOSQUITTO is None, reason="mosquitto is not installed")
@pytest.mark.timeout(240)
async def test_kills_under_load_lose_nothing_and_start_nothing(bench: Bench, real_broker: Mosquitto) -> None:
    chance = random.Random(54)
    site = bench.site(rate=10.0)
    plant = await bench.plant(site)
    site.set("publish.mqtt", "broker", f"127.0.0.1:{real_broker.port}")
    async with listening(real_broker.port) as heard:
        daemon = bench.start(site)
        await daemon.up()
        await life(daemon, chance, [])
        for _ in range(KILLS - 1):
            await auger_stands(plant.ports["feeder"])
            assert verify(site.journal / "journal.db").ok
            before = booked(site)
            daemon = bench.start(site)
            judge_start(await daemon.up(), before)
            await life(daemon, chance, before)
        await auger_stands(plant.ports["feeder"])
        daemon = bench.start(site)
        judge_start(await daemon.up(), booked(site))
        numbers = [one.number for one in booked(site)]
        assert numbers == list(range(1, len(numbers) + 1))
        await until(lambda: {body["number"] for body in heard.of(f"{TOPICS}/parcel")} >= set(numbers))
        assert (await daemon.stop())[0] == 0
    assert verify(site.journal / "journal.db").ok
    judge_heard(site, heard)


def judge_heard(site: SiteFile, heard: Listener) -> None:
    """Everything that went out stands in the journal, as it was told; nothing was passed over; order was kept."""
    with Reader(site.journal / "journal.db") as reader:
        stored = {one.seq: one for one in reader.entries("record")}
    records = [body for _, _, body in heard.heard if body["type"] in ("event", "parcel", "head")]
    for body in records:
        there = stored[body["seq"]]
        assert there.boot_id == body["boot_id"], body
        assert there.kind == body["type"] or body["type"] == "head", body
        if body["type"] == "head":
            assert (there.seq, there.hash.hex()) == (body["last_seq"], body["head_sha256"])
    told = {body["seq"] for body in records}
    out = {seq for seq, one in stored.items() if one.kind in ("event", "parcel", "totals", "boot")}
    assert {seq for seq in out if seq <= max(told)} == told
    once = list(dict.fromkeys(body["seq"] for body in records))
    assert all(earlier < later for earlier, later in itertools.pairwise(once))


async def test_a_changed_site_file_needs_enabling_again(bench: Bench) -> None:
    site = bench.site()
    await bench.plant(site)
    daemon = bench.start(site)
    await daemon.up()
    first = (await daemon.ask({"ask": "settings"}))["settings_id"]
    assert (await daemon.do("enable control"))["outcome"]["name"] == "control_enabled"
    assert (await daemon.stop())[0] == 0
    daemon = bench.start(site)
    assert (await daemon.up())["control_enabled"], "the same file stays enabled"
    assert (await daemon.stop())[0] == 0
    assert site.events("settings_changed") == []
    site.set("trim", "share_percent", 2.0)
    daemon = bench.start(site)
    view = await daemon.up()
    second = (await daemon.ask({"ask": "settings"}))["settings_id"]
    assert second != first
    assert (view["control_enabled"], view["run_state"]) == (False, "monitor only")
    assert view["outputs"]["write_enabled"] is False
    refused = await daemon.ask({"ask": "command", "kind": "enable control", "who": "t", "subject": first, "wait_s": 5})
    assert refused["outcome"]["name"] == "command_refused"
    assert not (await daemon.up())["control_enabled"], "an old consent is none"
    assert (await daemon.do("enable control"))["outcome"]["name"] == "control_enabled"
    assert (await daemon.stop())[0] == 0
    (changed,) = site.events("settings_changed")
    assert changed.get("settings_id") == second
