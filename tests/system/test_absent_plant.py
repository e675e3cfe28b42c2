"""The daemon where there is no plant: it starts, says so, keeps trying at a bounded pace, and finds the plant later."""

import asyncio
import itertools

import pytest

from tests.system.brokers import until
from tests.system.conftest import Bench
from tests.system.plants import DEVICES, Peek, Running, Simulator, SiteFile, Tap

SPACING_S = 1.0
"""[s] Process time between two attempts at one endpoint, at least (REQ-12)."""


async def nobody_there(bench: Bench, site: SiteFile) -> tuple[Running, dict[str, int]]:
    """Start a daemon whose six devices are nowhere; return when it has said so of each."""
    ports = {name: bench.free_port() for name in DEVICES}
    site.connect(ports)
    daemon = bench.start(site)
    await daemon.up()
    await until(lambda: {happened.get("device") for happened in site.events("device_lost")} == set(DEVICES))
    return daemon, ports


async def test_it_runs_says_what_is_lost_and_stops(bench: Bench) -> None:
    site = bench.site()
    daemon, _ = await nobody_there(bench, site)
    view = await daemon.up()
    assert {signal["quality"] for signal in view["signals"]} == {"Bad"}
    assert {signal["value"] for signal in view["signals"]} == {None}
    assert (await daemon.do("enable control"))["outcome"]["name"] == "control_enabled"
    assert (await daemon.do("monitor only"))["outcome"]["name"] == "monitor_only"
    said = await asyncio.to_thread(site.metrics)
    values = [line for line in said.splitlines() if line.startswith("crumbmeter_signal_value{")]
    assert values == []
    assert "crumbmeter_auger_speed_revolutions_per_second " not in said
    assert 'crumbmeter_signal_quality{signal="aggregate_flow"} 0.0' in said
    assert 'crumbmeter_link_connected{device="feeder"} 0.0' in said
    await daemon.until(lambda view: not view["outputs"]["write_enabled"])
    code, took_s = await daemon.stop()
    assert code == 0, "nothing was being written, so nothing is in doubt"
    assert took_s < 2.0
    assert daemon.told().count('"device_lost"') == len(DEVICES), "said once, not repeated"


async def test_with_control_enabled_nothing_is_written_before_a_plant_has_been_heard(bench: Bench) -> None:
    site = bench.site()
    daemon, _ = await nobody_there(bench, site)
    assert (await daemon.do("enable control"))["accepted"]
    view = await daemon.until(lambda view: view["control_enabled"])
    assert view["outputs"]["write_enabled"] is False
    code, took_s = await daemon.stop()
    assert (code, took_s < 10.0) == (0, True)
    (stopping,) = site.events("daemon_stopping")
    assert stopping.get("written") is False


@pytest.mark.slow
async def test_it_knocks_at_a_bounded_pace_and_finds_the_plant_when_it_comes(bench: Bench) -> None:
    site = bench.site()
    daemon, ports = await nobody_there(bench, site)
    for name, port in ports.items():  # a port that takes a connection and cuts it at once
        bench.taps[name] = Tap(target=0, port=port, connect=False)
        await bench.taps[name].start()
    await until(lambda: all(len(tap.accepted) >= 4 for tap in bench.taps.values()), 60.0)
    for tap in bench.taps.values():
        passed_s = (tap.accepted[-1] - tap.started_s) * site.rate
        assert len(tap.accepted) - 1 <= 1.1 * passed_s / SPACING_S
        gaps = [after - before for before, after in itertools.pairwise(tap.accepted)]
        assert max(gaps) * site.rate < 45.0
    bench.simulator = Simulator(bench.folder, rate=site.rate)
    await bench.simulator.start()
    for name, tap in bench.taps.items():
        tap.target, tap.connect = bench.simulator.ports[name], True
    view = await daemon.until(lambda view: all(signal["quality"] == "Good" for signal in view["signals"]))
    assert view["run_state"] == "monitor only"
    await daemon.feed()
    assert await Peek.bit(bench.simulator.ports["feeder"], 1, 0)
    assert (await daemon.stop())[0] == 0
    assert {happened.get("device") for happened in site.events("device_back")} == set(DEVICES)
