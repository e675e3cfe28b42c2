"""What fails beside the daemon while it feeds: broker, devices, disk, log. Control does as written, and recovers."""

import asyncio
import contextlib
import fcntl
import os
import re
import resource
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from crumbmeter.journal.entry import KIND_GAP
from crumbmeter.journal.reader import Reader
from crumbmeter.journal.verify import verify
from crumbmeter.ledger import totals
from tests.system.brokers import MOSQUITTO, Mosquitto, until
from tests.system.conftest import Bench
from tests.system.plants import at
from tests.system.test_mqtt import listening
from tests.system.test_restart import booked, judge_heard

TOPICS = "crumbmeter/demo_drum"


def lateness(said: str) -> dict[float, float]:
    """Read the histogram of scan lateness: scans by upper bound [s], cumulative."""
    found = re.findall(r'^crumbmeter_scan_lateness_seconds_bucket\{le="([^"]+)"\} (\S+)$', said, re.MULTILINE)
    return {float(bound): float(count) for bound, count in found}


def quantile(before: dict[float, float], after: dict[float, float], share: float) -> float:
    """Return the upper bound [s] within which that share of the scans between two readings was begun."""
    counts = {bound: after[bound] - before[bound] for bound in after}
    return next(bound for bound, count in sorted(counts.items()) if count >= share * max(counts.values()))


def scanned(view: dict[str, Any]) -> int:
    return int(view["seq"])


@pytest.mark.slow
@pytest.mark.broker
@pytest.mark.skipif(MOSQUITTO is None, reason="mosquitto is not installed")
@pytest.mark.parametrize("how", ["frozen", "dead"])
async def test_a_broker_that_fails_delays_no_scan_and_gets_everything_later(
    bench: Bench, real_broker: Mosquitto, how: str
) -> None:
    site = bench.site()
    await bench.plant(site)
    site.set("publish.mqtt", "broker", f"127.0.0.1:{real_broker.port}")
    async with listening(real_broker.port) as heard:
        daemon = bench.start(site)
        await daemon.up()
        view = await daemon.feed()
        before = lateness(await asyncio.to_thread(site.metrics))
        real_broker.freeze() if how == "frozen" else real_broker.kill()
        due = scanned(view) + 120
        view = await daemon.until(lambda view: scanned(view) >= due and view["totals"]["parcels_count"] >= 4)
        assert view["run_state"] == "feeding"
        after = lateness(await asyncio.to_thread(site.metrics))
        p99_s = quantile(before, after, 0.99)
        assert p99_s / site.rate <= 0.1, "more than a busy machine with two cores explains"
        booked_meanwhile = [one.number for one in booked(site)]
        if how == "dead":
            await until(lambda: site.events("mqtt_down"))
            real_broker.start()
            await until(lambda: heard.up)
        else:
            real_broker.thaw()
        await until(lambda: {body["number"] for body in heard.of(f"{TOPICS}/parcel")} >= set(booked_meanwhile), 60.0)
        assert (await daemon.stop())[0] == 0
    assert len(booked_meanwhile) >= 4
    if how == "frozen":  # the listener was there all the time
        judge_heard(site, heard)


@pytest.mark.slow
async def test_a_device_that_hangs_costs_nobody_and_the_feed_recovers(bench: Bench) -> None:
    site = bench.site()
    site.set("signals.recycle_flow", "max_age_s", 1.5)
    await bench.plant(site, more=at(45.0, "link_hang", server="recycle_scale", for_s=15.0))
    daemon = bench.start(site)
    await daemon.up()
    await daemon.feed()
    quality: dict[str, str] = {}
    oldest: dict[str, float] = {}

    def note(view: dict[str, Any]) -> bool:
        for signal in view["signals"]:
            name = signal["signal_id"]
            quality[name] = signal["quality"]
            if quality.get("recycle_flow") == "Bad" and name not in ("recycle_flow", "recycle_belt_speed"):
                oldest[name] = max(oldest.get(name, 0.0), signal["age_s"])
        return bool(view["run_state"] != "feeding")

    view = await daemon.until(note)
    assert view["run_state"] == "ready", view["run_reason"]
    assert "recycle" in view["run_reason"]
    await daemon.until(lambda view: note(view) and quality["recycle_flow"] == "Good" and view["run_state"] == "ready")
    await daemon.until(lambda view: view["run_state"] == "feeding")
    slow = {"aggregate_total", "binder_temperature", "recipe", "supply_mass", "feed_rate", "supply_low"}
    assert max(age_s for name, age_s in oldest.items() if name not in slow) < 2.0
    assert (await daemon.stop())[0] == 0
    happened = [one.name for one in site.events()]
    lost = happened.index("device_lost")
    assert happened.index("feed_stopped") > lost
    assert happened.index("device_back") > happened.index("feed_stopped")
    (bad,) = [one for one in site.events("input_bad") if one.get("signal") == "recycle_flow"]
    assert bad.get("reason")


def ignores(pdu: bytes) -> bytes | None:
    """Accept a write of the speed setpoint and do nothing, save for a stop."""
    return None if pdu.startswith(bytes.fromhex("06 0000")) and pdu[3:] != b"\0\0" else pdu


def rounds(pdu: bytes) -> bytes | None:
    """Take the speed setpoint in whole revolutions a minute only."""
    if not pdu.startswith(bytes.fromhex("06 0000")):
        return pdu
    return pdu[:3] + (int.from_bytes(pdu[3:], "big") // 100 * 100).to_bytes(2, "big")


@pytest.mark.parametrize("alters", [ignores, rounds])
async def test_a_setpoint_that_is_not_held_stops_the_feed_and_says_so(
    bench: Bench, alters: Callable[[bytes], bytes | None]
) -> None:
    site = bench.site()
    await bench.plant(site, tapped=True)
    bench.taps["feeder"].alter = alters
    daemon = bench.start(site)
    await daemon.up()
    for kind in ("enable control", "start feed"):
        assert (await daemon.do(kind))["accepted"]
    view = await daemon.until(lambda view: view["run_state"] == "stopped")
    assert "auger_speed" in view["run_reason"] or "not confirmed" in view["run_reason"]
    view = await daemon.until(lambda view: any(one["alarm_id"] == "write_not_confirmed" for one in view["alarms"]))
    (alarm,) = [one for one in view["alarms"] if one["alarm_id"] == "write_not_confirmed"]
    assert alarm["remedy"]
    (stopped,) = site.events("feed_stopped")
    assert "not confirmed" in str(stopped.get("cause"))
    assert site.events("output_failed")[0].get("role") == "auger_speed"
    assert (await daemon.stop())[0] == 0


@contextlib.contextmanager
def small_disk(folder: Path) -> Iterator[Path]:
    """Mount a file system of 24 MiB."""
    folder.mkdir()
    told = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=24m", "tmpfs", str(folder)], check=False, capture_output=True
    )
    if told.returncode != 0:
        pytest.skip(f"cannot mount a small disk here: {told.stderr.decode().strip()}")
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=True)


@pytest.mark.slow
async def test_a_full_disk_stops_the_record_and_not_the_feed(bench: Bench) -> None:
    with small_disk(bench.folder / "disk") as disk:
        site = bench.site()
        await bench.plant(site)
        site.journal = disk / "journal"
        site.set("journal", "folder", str(site.journal))
        daemon = bench.start(site)
        await daemon.up()
        await daemon.feed()
        await daemon.until(lambda view: view["totals"]["parcels_count"] >= 2)
        assert site.metric("crumbmeter_journal_space_level") == 0.0
        ballast = disk / "ballast"
        with contextlib.suppress(OSError), ballast.open("wb", buffering=0) as file:
            while file.write(bytes(65536)):
                pass
        await until(lambda: site.metric("crumbmeter_journal_space_level") == 3.0)
        due = scanned(await daemon.up()) + 100
        full = await daemon.until(lambda view: scanned(view) >= due and view["totals"]["parcels_count"] >= 6)
        assert full["run_state"] == "feeding"
        assert '"to": "too low for anything"' in daemon.told()
        assert (site.metric("crumbmeter_journal_dropped_total") or 0.0) > 0.0
        ballast.unlink()
        await until(lambda: site.metric("crumbmeter_journal_space_level") == 0.0)
        await until(lambda: site.events("journal_space_changed"))
        code, _ = await daemon.stop()
        assert code == 0
        assert verify(site.journal / "journal.db").ok
        with Reader(site.journal / "journal.db") as reader:
            gaps = list(reader.entries("record", (KIND_GAP,)))
        assert gaps, "what was lost is said in the chain"
        assert site.events("journal_space_changed")[-1].get("to") == "ample"
        with Reader(site.journal / "journal.db") as reader:
            kept = totals.restore(reader).totals
        again = bench.start(site)
        view = await again.up()
        assert view["totals"]["parcels_count"] == kept.parcels >= full["totals"]["parcels_count"]
        assert view["totals"]["rubber_g"] == kept.rubber_g
        assert (await again.stop())[0] == 0


async def test_a_file_that_may_not_grow_stops_the_record_and_not_the_feed(bench: Bench) -> None:
    site = bench.site()
    await bench.plant(site)
    daemon = bench.start(site)
    await daemon.up()
    await daemon.feed()
    free = resource.prlimit(daemon.process.pid, resource.RLIMIT_FSIZE)
    resource.prlimit(daemon.process.pid, resource.RLIMIT_FSIZE, (4096, free[1]))
    await until(lambda: site.metric("crumbmeter_journal_failing") == 1.0)
    due = scanned(await daemon.up()) + 50
    view = await daemon.until(lambda view: scanned(view) >= due)
    assert view["run_state"] == "feeding"
    resource.prlimit(daemon.process.pid, resource.RLIMIT_FSIZE, free)
    await until(lambda: site.metric("crumbmeter_journal_failing") == 0.0, 40.0)
    await until(lambda: site.events("journal_available_again"))
    assert (await daemon.stop())[0] == 0
    assert verify(site.journal / "journal.db").ok
    numbers = [one.number for one in booked(site)]
    assert numbers == list(range(1, len(numbers) + 1)), "what was queued meanwhile is all there"
    told = [one.name for one in site.events() if one.name.startswith("journal_")]
    assert told == ["journal_unavailable", "journal_available_again"]
    assert site.events("journal_available_again")[0].get("dropped_count") == 0


async def test_a_log_that_nobody_reads_holds_up_nothing(bench: Bench) -> None:
    site = bench.site()
    await bench.plant(site)
    unread, said_to = os.pipe()
    try:
        fcntl.fcntl(said_to, fcntl.F_SETPIPE_SZ, 4096)
        daemon = bench.start(site, said_to)
        await daemon.up()
        for _ in range(30):  # each leaves a line
            assert (await daemon.do("reset subtotal"))["outcome"]["name"] == "subtotal_reset"
        due = scanned(await daemon.up()) + 20
        await daemon.until(lambda view: scanned(view) >= due)
        code, took_s = await daemon.stop()
        assert (code, took_s < 4.0) == (0, True)
    finally:
        os.close(said_to)
        os.close(unread)
    assert len(site.events("subtotal_reset")) == 30
