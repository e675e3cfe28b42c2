"""A start that cannot be: it says what stands in the way and what to do, exits with 2, and leaves nothing behind."""

import asyncio
import contextlib
import shutil
import socket
import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.system.conftest import Bench
from tests.system.plants import SiteFile


async def refusal(bench: Bench, site: SiteFile) -> str:
    """Start a daemon that must refuse, and return what it said."""
    daemon = bench.start(site)
    code = await asyncio.to_thread(daemon.process.wait, 20)
    assert code == 2, daemon.told()
    told = daemon.told()
    assert "Traceback" not in told
    return told


def twin(site: SiteFile, folder: Path, free_port: Callable[[], int]) -> SiteFile:
    """Copy a site, with ports of its own for what it publishes."""
    folder.mkdir()
    made = SiteFile(folder, free_port, rate=site.rate)
    made.path.write_text(site.path.read_text())
    made.set("publish.metrics", "port", made.metrics_port)
    made.set("publish.mqtt", "broker", f"embedded:{free_port()}")
    return made


@pytest.mark.parametrize("shared", ["both", "socket", "journal"])
async def test_the_second_daemon_refuses_and_the_first_goes_on(bench: Bench, tmp_path: Path, shared: str) -> None:
    site = bench.site()
    await bench.plant(site)
    first = bench.start(site)
    await first.up()
    other = twin(site, tmp_path / "other", bench.free_port)
    if shared == "socket":
        other.set("journal", "folder", str(other.journal))
    if shared == "journal":
        other.set("socket", "path", str(other.socket))
    told = await refusal(bench, other)
    assert told.startswith("crumbmeter did not start: ")
    assert ("another process is writing this journal" if shared == "journal" else "another running crumbmeter") in told
    assert not other.journal.exists()
    assert not other.socket.exists()
    scans = (await first.up())["seq"]
    await first.until(lambda view: view["seq"] > scans + 5)
    assert (await first.stop())[0] == 0
    assert len(site.events("daemon_started")) == 1


@pytest.mark.parametrize("busy", ["metrics", "broker"])
async def test_a_busy_port_is_said_and_nothing_is_left(bench: Bench, busy: str) -> None:
    site = bench.site()
    site.connect({name: bench.free_port() for name in site.devices})
    with socket.create_server(("127.0.0.1", 0)) as held:
        port = held.getsockname()[1]
        if busy == "metrics":
            site.set("publish.metrics", "port", port)
        else:
            site.set("publish.mqtt", "broker", f"embedded:{port}")
        told = await refusal(bench, site)
    assert f"127.0.0.1:{port}" in told
    assert f"publish.{'metrics' if busy == 'metrics' else 'mqtt'}" in told
    assert not site.journal.exists(), "a start that was refused is not recorded as one"
    assert not site.socket.exists()


async def test_five_mistakes_are_all_told_and_nothing_is_started(bench: Bench) -> None:
    site = bench.site()
    shutil.rmtree(site.socket.parent)
    site.set("site", "scan_period_s", -1.0)
    site.set("devices.feeder", "profile", "demo_feeedr")
    site.set("signals.drum_speed", "source", "plant_io.drum_spede")
    site.set("feeder", "mode", "fast")
    text = site.path.read_text()
    site.path.write_text(text.replace("max_speed_rpm =", "max_sped_rpm ="))
    told = await refusal(bench, site)
    for found in ("scan_period_s", "demo_feeedr", "drum_spede", "fast", "max_sped_rpm"):
        assert told.count(found) >= 1, (found, told)
    assert str(site.path.name) in told
    assert not site.journal.exists()
    assert not site.socket.parent.exists()


@pytest.mark.parametrize("way", ["long socket", "socket under a file", "journal is a file"])
async def test_a_path_that_cannot_be_is_said_in_words(bench: Bench, way: str) -> None:
    site = bench.site()
    site.connect({name: bench.free_port() for name in site.devices})
    file = bench.folder / "a-file"
    file.write_text("in the way")
    if way == "long socket":
        site.set("socket", "path", "/tmp/" + "x" * 108)
        expected = "is 113 bytes long; at most 107"
    elif way == "socket under a file":
        site.set("socket", "path", str(file / "s"))
        expected = f"{file}: a folder is needed here"
    else:
        site.set("journal", "folder", str(file))
        expected = f"{file}: a folder is needed here"
    told = await refusal(bench, site)
    assert expected in told
    assert told.count("\n") <= 4, "a few lines, not a page"


async def test_a_database_of_another_program_is_left_alone(bench: Bench) -> None:
    site = bench.site()
    site.connect({name: bench.free_port() for name in site.devices})
    site.journal.mkdir()
    file = site.journal / "journal.db"
    with contextlib.closing(sqlite3.connect(file)) as other:
        other.executescript("CREATE TABLE theirs (a); INSERT INTO theirs VALUES (1);")
    before = file.read_bytes()
    assert "another program's database" in await refusal(bench, site)
    assert file.read_bytes() == before
    assert not site.socket.exists()
