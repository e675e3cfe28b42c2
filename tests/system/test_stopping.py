"""The end, whatever state the rest is in: bounded in time, the feeder at rest, or said where it is in doubt."""

import asyncio
import signal

import pytest

from tests.system.brokers import MOSQUITTO, Mosquitto, until
from tests.system.conftest import Bench
from tests.system.plants import Peek
from tests.system.test_main_job import feeder_at_rest

WHOLE_STOP_S = 10.0
"""[s] Real time that the whole stop may take (REQ-20)."""


async def test_with_every_device_hung_it_stops_in_time_and_says_what_is_in_doubt(bench: Bench) -> None:
    site = bench.site()
    plant = await bench.plant(site)
    daemon = bench.start(site)
    await daemon.up()
    await daemon.feed()
    plant.freeze()
    code, took_s = await daemon.stop()
    assert (code, took_s < WHOLE_STOP_S) == (4, True)
    (stopping,) = site.events("daemon_stopping")
    assert stopping.get("outputs_at_rest") is False
    (last,) = [line for line in daemon.told().splitlines() if line.startswith("crumbmeter stopped")]
    assert "auger_speed on feeder" in last
    assert "plant_healthy on plant_io" in last


async def test_with_one_device_gone_the_others_are_brought_to_rest(bench: Bench) -> None:
    site = bench.site()
    plant = await bench.plant(site, tapped=True)
    daemon = bench.start(site)
    await daemon.up()
    await daemon.feed()
    await bench.taps["plant_io"].stop()
    code, took_s = await daemon.stop()
    assert (code, took_s < WHOLE_STOP_S) == (4, True)
    assert await feeder_at_rest(plant.ports["feeder"])
    last = daemon.told().splitlines()[-1]
    assert "plant_healthy on plant_io" in last
    assert "feeder" not in last.split(":", 1)[1].split(". Go", 1)[0]


@pytest.mark.broker
@pytest.mark.skipif(MOSQUITTO is None, reason="mosquitto is not installed")
async def test_a_frozen_broker_does_not_hold_up_the_end(bench: Bench, real_broker: Mosquitto) -> None:
    site = bench.site()
    plant = await bench.plant(site)
    site.set("publish.mqtt", "broker", f"127.0.0.1:{real_broker.port}")
    daemon = bench.start(site)
    await daemon.up()
    await daemon.feed()
    real_broker.freeze()
    code, took_s = await daemon.stop()
    assert (code, took_s < WHOLE_STOP_S) == (0, True)
    assert await feeder_at_rest(plant.ports["feeder"])
    assert site.events()[-1].name == "daemon_stopping"
    assert '"foreign_log"' not in daemon.told()


@pytest.mark.slow
async def test_told_to_stop_while_it_starts_it_stops(bench: Bench) -> None:
    site = bench.site()
    await bench.plant(site)
    codes: list[int] = []
    for run, tell in enumerate(("socket", "daemon_started", "link_up", "twice")):
        daemon = bench.start(site)
        if tell == "socket":
            await until(site.socket.exists)
        elif tell == "daemon_started":
            await until(lambda: daemon.told().count('"daemon_started"') > run)  # noqa: B023 - awaited here
        else:
            await daemon.up()
        if tell == "twice":
            daemon.process.send_signal(signal.SIGINT)
        code, took_s = await daemon.stop()
        assert took_s < WHOLE_STOP_S
        codes.append(code)
        assert not site.socket.exists()
    assert codes == [0, 0, 0, 0], daemon.told()
    assert "Traceback" not in daemon.told()


@pytest.mark.slow
async def test_a_daemon_that_stood_still_feeds_again_only_on_what_it_sees_now(bench: Bench) -> None:
    site = bench.site()
    plant = await bench.plant(site)
    feeder = plant.ports["feeder"]
    daemon = bench.start(site)
    await daemon.up()
    await daemon.feed()
    await daemon.until(lambda view: view["auger_speed_rev_s"]["value"] > 0.1)
    daemon.process.send_signal(signal.SIGSTOP)
    async with asyncio.timeout(20):
        while await Peek.auger_rpm(feeder) > 0.0:  # its own watchdog stops the auger
            pass
    daemon.process.send_signal(signal.SIGCONT)
    view = await daemon.until(lambda view: view["run_state"] != "feeding")
    assert view["run_state"] in ("ready", "stopped")
    assert (site.metric("crumbmeter_scan_slots_skipped_total") or 0.0) >= 5.0, "missed slots are counted, not made up"
    await daemon.until(lambda _view: site.events("feed_stopped"))  # the record comes a moment after the view
    (stopped,) = site.events("feed_stopped")
    assert stopped.get("cause") == "scan late"
    await daemon.until(lambda view: all(signal["quality"] == "Good" for signal in view["signals"]))
    assert (await daemon.do("start feed"))["accepted"]
    await daemon.until(lambda view: view["run_state"] == "feeding" and view["fed_kg_s"]["value"] > 0.2)
    assert (await daemon.stop())[0] == 0
    assert await feeder_at_rest(feeder)
