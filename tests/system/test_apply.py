"""Another version of the site file is put in force while the real daemon runs, or refused; replay crosses it."""

import asyncio
import sys
from typing import Any

import pytest

from crumbmeter.cli.kept_site import kept_site
from crumbmeter.cli.recorded import choose_run
from crumbmeter.journal.reader import Reader
from crumbmeter.journal.verify import verify
from crumbmeter.ledger.in_force import InForce, read
from crumbmeter.ledger.stamped import APPLIED
from crumbmeter.runtime.replay import Replay, ReplayReport
from tests.system.conftest import Bench
from tests.system.plants import Running, SiteFile


async def apply(daemon: Running, **more: str) -> dict[str, Any]:
    return await daemon.ask({"ask": "put in force", "who": "ana", "reason": "a test", **more})


def replayed(site: SiteFile) -> ReplayReport:
    with Reader(site.journal / "journal.db") as reader:
        run = Replay(reader, choose_run(reader, None), lambda wanted: kept_site(reader, wanted).params)
        for _ in run.scans():
            pass
        return run.report


async def more_scans(daemon: Running, count: int = 5) -> dict[str, Any]:
    seen = (await daemon.ask({"ask": "view"}))["seq"]
    return await daemon.until(lambda view: view["seq"] >= seen + count)


async def test_what_control_does_not_depend_on_is_applied_while_it_feeds(bench: Bench) -> None:
    site = bench.site(rate=10.0)
    await bench.plant(site)
    daemon = bench.start(site)
    await daemon.up()
    await daemon.feed()
    first = (await daemon.ask({"ask": "settings"}))["settings_id"]
    site.set("tolerance", "warn_percent", 4.0)
    site.set("units", "system", "metric")
    answer = await apply(daemon)
    assert answer["applied"], answer
    assert (answer["control_kept"], answer["control_enabled"], answer["was"]) == (True, True, first)
    assert {change["key"] for change in answer["changes"]} == {"tolerance.warn_percent", "units.system"}
    told = await daemon.ask({"ask": "settings"})
    assert (told["units"], told["settings_id"]) == ("metric", answer["settings_id"])
    view = await more_scans(daemon)
    assert (view["run_state"], view["control_enabled"], view["settings_id"]) == ("feeding", True, told["settings_id"])
    assert (await daemon.stop())[0] == 0

    report = replayed(site)
    assert (report.differing, report.exchanges, report.gaps) == (0, 1, 0)
    assert report.scans > 20
    assert verify(site.journal / "journal.db").ok
    with Reader(site.journal / "journal.db") as reader:
        (stored,) = reader.entries("record", (APPLIED,))
        known = InForce().learn(reader)
        assert known.at(stored.boot_id, stored.seq - 1) == first
        assert known.at(stored.boot_id, stored.seq) == read(stored).settings_id == told["settings_id"]
    (happened,) = site.events("settings_applied")
    assert str(happened.get("who")).startswith("ana (uid ")
    assert happened.get("reason") == "a test"

    again = bench.start(site)
    assert (await again.up())["control_enabled"], "it had been enabled, and nothing it depends on is different"
    assert site.events("settings_changed") == []
    assert (await again.stop())[0] == 0


async def test_what_control_depends_on_waits_for_rest_and_for_enabling_anew(bench: Bench) -> None:
    site = bench.site(rate=10.0)
    await bench.plant(site)
    daemon = bench.start(site)
    await daemon.up()
    await daemon.feed()
    site.set("trim", "share_percent", 2.0)
    refused = await apply(daemon)
    assert not refused["applied"]
    assert refused["why"].startswith("the feed is in service or not at rest yet")
    await daemon.do("stop feed")
    await daemon.until(lambda view: view["run_state"] == "idle")
    answer = await apply(daemon)
    assert answer["applied"], answer
    assert (answer["control_kept"], answer["control_enabled"]) == (False, False)
    view = await daemon.until(lambda view: view["run_state"] == "monitor only")
    assert not view["control_enabled"]
    old = await daemon.ask(
        {"ask": "command", "kind": "enable control", "who": "t", "subject": answer["was"], "wait_s": 5}
    )
    assert old["outcome"]["name"] == "command_refused", "an old consent is none"
    assert (await daemon.feed())["run_state"] == "feeding"
    assert (await daemon.stop())[0] == 0
    report = replayed(site)
    assert (report.differing, report.exchanges, report.gaps) == (0, 1, 0)


async def test_what_needs_a_restart_is_refused_with_the_reason(bench: Bench) -> None:
    site = bench.site()
    await bench.plant(site)
    daemon = bench.start(site)
    await daemon.up()
    before = (await daemon.ask({"ask": "settings"}))["settings_id"]
    good = site.path.read_text()
    same = await apply(daemon)
    assert same["why"] == "it is in force already, byte for byte"
    site.set("devices.feeder", "poll_period_s", 0.2)
    site.set("tolerance", "warn_percent", 4.0)
    refused = await apply(daemon)
    assert refused["why"] == "devices.feeder.poll_period_s needs a restart of the daemon: links are opened at a start"
    assert len(refused["changes"]) == 2
    site.path.write_text(good.replace("share_percent = 3.0", "share_percent = 300.0"))
    assert "must be at most 20" in (await apply(daemon))["why"]
    site.path.write_text(good.replace("share_percent = 3.0", "share_percent = 2.0"))
    assert "check it again" in (await apply(daemon, settings_id="0" * 64))["why"]
    assert "it must say why" in (await apply(daemon, reason=" "))["why"]
    assert (await daemon.ask({"ask": "settings"}))["settings_id"] == before
    assert (await daemon.ask({"ask": "put in force", "reason": "x"}))["answer"] == "error"
    assert (await daemon.stop())[0] == 0
    assert not site.events("settings_applied")


async def typed(site: SiteFile, *words: str) -> tuple[int, str]:
    """Type a command in the daemon's working folder; return its exit code and what it said on both streams."""
    ended = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "crumbmeter", *words, cwd=site.folder, stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.STDOUT,
    )  # fmt: skip
    said, _ = await ended.communicate()
    return ended.returncode or 0, said.decode()


@pytest.mark.slow
async def test_a_change_is_looked_at_applied_and_taken_back_by_typed_commands(bench: Bench) -> None:
    site = bench.site()
    await bench.plant(site)
    daemon = bench.start(site)
    await daemon.up()
    file = str(site.path)
    first = (await daemon.ask({"ask": "settings"}))["settings_id"]
    assert (await typed(site, "set", file, "tolerance.warn_percent=4"))[0] == 0
    code, said = await typed(site, "check", file, "--in-force")
    assert code == 0
    assert "against the running daemon:" in said
    assert "a limit of the dose's error shrinks by 1 point: alarms come sooner" in said
    assert f"crumbmeter put-in-force {file}" in said
    code, said = await typed(site, "put-in-force", file, "--by", "ana", "--reason", "the specification asks for it")
    assert code == 0, said
    assert "Control stays as it was." in said
    assert (await daemon.ask({"ask": "settings"}))["settings_id"] != first
    code, said = await typed(site, "versions", file)
    second = (await daemon.ask({"ask": "settings"}))["settings_id"]
    assert [row[:18] for row in said.splitlines() if "UTC" in row] == [f"   1  {first[:12]}", f"   2  {second[:12]}"]
    assert "applied, ana (command line): the specification asks for it" in said
    code, said = await typed(site, "roll-back", file, first[:12], "--by", "ben", "--reason", "too narrow")
    assert code == 0, said
    code, said = await typed(site, "put-in-force", file, "--by", "ben", "--reason", "too narrow")
    assert code == 0, said
    assert (await daemon.ask({"ask": "settings"}))["settings_id"] == first
    assert (await typed(site, "put-in-force", file, "--reason", "again"))[0] == 1
    assert (await daemon.stop())[0] == 0
    code, said = await typed(site, "check", file, "--in-force")
    assert "against the record: no daemon runs, and this was in force last:" in said
    assert "Nothing is different" in said
