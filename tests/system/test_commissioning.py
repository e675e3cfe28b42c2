"""Commissioning over real sockets: a known weight before control, the feeder's own trip time measured."""

import asyncio
from typing import Any

import pytest

from crumbmeter.cli.do import do
from tests.system.conftest import Bench
from tests.system.plants import Running

SIGNAL = "hopper_mass"
WATCHDOG_S = 5.0
"""[s] Of the simulated feeder."""


def weight(view: dict[str, Any]) -> float:
    """[kg] Return what the hopper's weight reads; 0 where it is Bad."""
    return next(one["value"] or 0.0 for one in view["signals"] if one["signal_id"] == SIGNAL)


async def confirm(daemon: Running, known_kg: float) -> dict[str, Any]:
    """Say that a known weight is on."""
    body = {"ask": "command", "kind": "confirm weight", "who": "tester", "subject": SIGNAL, "value": known_kg}
    outcome = (await daemon.ask({**body, "reason": "test weights on the hopper", "wait_s": 10.0}))["outcome"]
    assert isinstance(outcome, dict)
    return outcome


async def enabled(daemon: Running) -> str:
    """Ask for control; return what became of it."""
    return str((await daemon.do("enable control"))["outcome"]["name"])


@pytest.mark.timeout(120)
async def test_control_waits_for_a_known_weight_and_for_another_when_it_is_read_otherwise(bench: Bench) -> None:
    site = bench.site(rate=1.0)
    await bench.plant(site)
    site.set("site", "simulated", value=False)
    daemon = bench.start(site)
    shown = await daemon.until(weight)
    assert "known weight" in next(one["why"] for one in shown["permissives"] if one["name"] == "control enabled")
    hopper_kg = weight(shown)
    assert await enabled(daemon) == "command_refused"
    assert (await confirm(daemon, 2.0 * hopper_kg))["name"] == "command_refused"
    assert await enabled(daemon) == "command_refused"
    assert (await confirm(daemon, hopper_kg))["name"] == "weight_confirmed"
    assert await enabled(daemon) == "control_enabled"

    await daemon.stop()  # it is known after a restart
    daemon = bench.start(site)
    assert (await daemon.up())["control_enabled"]

    await daemon.stop()  # another scale in the profile is another way of reading
    profile = site.folder / "devices" / "demo_feeder.toml"
    text = profile.read_text()
    register = text.index("[registers.hopper_mass]")
    place = text.index('order = "ABCD"', register)
    profile.write_text(text[:place] + "scale = 1.001\n" + text[place:])
    daemon = bench.start(site)
    view = await daemon.up()
    assert not view["control_enabled"]
    await daemon.until(weight)
    assert await enabled(daemon) == "command_refused"


@pytest.mark.timeout(120)
async def test_the_trip_time_is_measured_told_and_recorded(bench: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    site = bench.site(rate=5.0)
    await bench.plant(site)
    daemon = bench.start(site)
    await daemon.up()
    assert await enabled(daemon) == "control_enabled"
    await daemon.until(
        lambda view: any(one["role"] == "heartbeat" and one["stage"] == "confirmed" for one in view["writes"])
    )
    assert await asyncio.to_thread(do, site.socket, "measure-trip", yes=True) == 0
    told = capsys.readouterr().out
    assert "The feeder tripped" in told
    assert (await daemon.stop())[0] == 0
    (measured,) = site.events("heartbeat_trip_measured")
    trip_s = float(str(measured.get("trip_s")))
    assert f"{trip_s:.1f} s" in told
    assert WATCHDOG_S - 0.5 <= trip_s <= WATCHDOG_S + float(str(measured.get("resolution_s"))) + 1.0
