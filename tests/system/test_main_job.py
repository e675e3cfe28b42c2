"""The main job, the whole daemon: it follows the plant, feeds, tells, records, and comes to rest when told to."""

import asyncio
import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from crumbmeter.journal.reader import Reader
from crumbmeter.ledger import parcels
from tests.system.brokers import MOSQUITTO, Mosquitto, until
from tests.system.conftest import Bench
from tests.system.plants import Peek, Running, SiteFile
from tests.system.test_mqtt import listening
from tests.unit.outward.test_payloads import checked

needs_broker = pytest.mark.skipif(MOSQUITTO is None, reason="mosquitto is not installed")


async def crumbmeter(*words: str) -> tuple[int, str]:
    """Run a command of the program and return its exit code and all that it said."""
    program = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "crumbmeter", *words, stdout=subprocess.PIPE, stderr=subprocess.STDOUT
    )
    out, _ = await asyncio.wait_for(program.communicate(), 60)
    return program.returncode or 0, out.decode()


async def feeder_at_rest(port: int) -> bool:
    """Tell whether speed setpoint and run coil of the feeder are 0."""
    return (await Peek.words(port, 3, 0, 1))[0] == 0 and not await Peek.bit(port, 1, 0)


@pytest.mark.slow
@pytest.mark.broker
@needs_broker
async def test_it_feeds_tells_records_and_comes_to_rest(bench: Bench, real_broker: Mosquitto) -> None:
    site = bench.site()
    plant = await bench.plant(site)
    site.set("publish.mqtt", "broker", f"127.0.0.1:{real_broker.port}")
    root = "crumbmeter/demo_drum"
    async with listening(real_broker.port) as heard:
        daemon = bench.start(site)
        first = await daemon.up()
        assert (first["run_state"], first["control_enabled"]) == ("monitor only", False)
        await daemon.feed()
        feeder = plant.ports["feeder"]
        view = await daemon.until(lambda view: view["totals"]["parcels_count"] >= 6 and view["fed_kg_s"]["value"] > 0.2)
        assert await Peek.auger_rpm(feeder) > 5.0
        assert [alarm["alarm_id"] for alarm in view["alarms"]] == []
        await until(lambda: len(heard.of(f"{root}/parcel")) >= 5)
        said = await asyncio.to_thread(site.metrics)
        assert 'crumbmeter_run_state{state="feeding"} 1.0' in said
        code, took_s = await _stop(daemon, feeder)
        assert (code, took_s < 2.0) == (0, True), daemon.told()
        await stands(feeder)
        await until(lambda: heard.of(f"{root}/status")[-1]["reason"] == "stopped")
    for _, _, body in heard.heard:
        checked(json.dumps(body).encode())
    assert [body["reason"] for body in heard.of(f"{root}/status")] == ["started", "stopped"]
    assert {body["type"] for _, _, body in heard.heard} == {"status", "state", "parcel", "event", "head"}
    assert "feeding" in {body["run_state"] for body in heard.of(f"{root}/state")}
    assert all(body["simulated"] for _, _, body in heard.heard)
    (stopping,) = site.events("daemon_stopping")
    assert dict(stopping.detail) == {"why": "asked to", "outputs_at_rest": True, "written": True, "failed": ""}
    assert site.events()[-1] == stopping, "the stop itself is not taken for a fault of plant or feeder"
    assert not site.socket.exists()
    await _judge_record(site, [body["number"] for body in heard.of(f"{root}/parcel")])


async def _stop(daemon: Running, feeder_port: int) -> tuple[int, float]:
    """Stop the daemon; return its exit code, and how long the feeder took to be at rest [s]."""
    loop = asyncio.get_running_loop()
    began_s = loop.time()
    stopping = asyncio.ensure_future(daemon.stop())
    while not await feeder_at_rest(feeder_port):
        assert loop.time() - began_s < 5.0, daemon.told()
    took_s = loop.time() - began_s
    code, whole_s = await stopping
    assert whole_s < 10.0
    return code, took_s


async def stands(feeder_port: int) -> None:
    """Wait until the auger has run down."""
    async with asyncio.timeout(5):
        while await Peek.auger_rpm(feeder_port) > 0.0:
            pass


async def _judge_record(site: SiteFile, told: list[int]) -> None:
    code, said = await crumbmeter("verify", str(site.journal))
    assert (code, "The journal is whole" in said) == (0, True), said
    code, said = await crumbmeter("replay", str(site.journal), "--json")
    assert code == 0, said
    outcome = json.loads(said)
    assert (outcome["differing"], outcome["gaps"], outcome["skipped"]) == (0, 0, 0)
    assert outcome["scans"] > 100
    with Reader(Path(site.journal) / "journal.db") as reader:
        kept = [one.parcel.number for one in parcels.iterate(reader)]
    assert kept == list(range(1, len(kept) + 1))
    assert told == kept[: len(told)]


@pytest.mark.promtool
@pytest.mark.skipif(shutil.which("promtool") is None, reason="promtool is not installed (Debian package prometheus)")
async def test_metrics_are_good_and_say_the_run_state(bench: Bench) -> None:
    site = bench.site()
    await bench.plant(site)
    daemon = bench.start(site)
    await daemon.until(lambda view: all(signal["quality"] == "Good" for signal in view["signals"]))
    said = await asyncio.to_thread(site.metrics)
    judge = await asyncio.create_subprocess_exec(
        "promtool", "check", "metrics", stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.STDOUT
    )
    judged, _ = await asyncio.wait_for(judge.communicate(said.encode()), 20)
    assert (judge.returncode, judged) == (0, b"")
    assert 'crumbmeter_run_state{state="monitor only"} 1.0' in said
    assert site.metric("crumbmeter_control_enabled") == 0.0
    assert site.metric('crumbmeter_signal_quality{signal="aggregate_flow"}') == 2.0
    code, _ = await daemon.stop()
    assert code == 0
