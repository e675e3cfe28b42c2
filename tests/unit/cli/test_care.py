"""Versions of a site file: on record with who and why, compared in words, and put back as they were, byte for byte."""

import re
import shutil
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from crumbmeter.cli.commands import app
from crumbmeter.cli.saving import save_text
from crumbmeter.journal.verify import verify
from crumbmeter.site import load

ROOT = Path(__file__).parents[3]


def run(*words: object) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words])


@pytest.fixture
def site(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    shutil.copytree(ROOT / "config/devices", tmp_path / "devices")
    path = tmp_path / "sites" / "site.toml"
    path.parent.mkdir()
    text = (ROOT / "config/sites/demo_drum.toml").read_text("utf-8")
    path.write_text(text.replace('quality_plan = "../quality/demo_drum.toml"', "# no plan"))
    return path


def change(path: Path, old: str, new: str) -> None:
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new, 1))


def kept(site: Path, why: str) -> None:
    ended = run("keep-version", site, "--by", "ana", "--reason", why)
    assert ended.exit_code == 0, ended.output


def test_versions_are_listed_with_who_why_and_what_was_different(site: Path) -> None:
    kept(site, "as commissioned")
    change(site, "warn_percent = 5.0", "warn_percent = 4.0")
    kept(site, "the specification asks for it")
    change(site, "# A complete site", "# The complete site")
    kept(site, "a better word")
    said = run("versions", site).output.splitlines()
    stamp = r"[0-9a-f]{12}  \d{4}-\d\d-\d\d \d\d:\d\d:\d\d UTC"
    assert re.fullmatch(rf"   1  {stamp}  kept, ana \(command line\): as commissioned", said[0])
    assert said[2].strip() == "tolerance.warn_percent 5.0 -> 4.0"
    assert said[4].strip() == "comments and layout alone"
    shown = run("versions", site, "--show", "1").output
    assert "warn_percent = 5.0" in shown
    assert "# ---- devices/demo_feeder.toml of version 1\n" in shown
    assert run("versions", site, "--show", "9").exit_code == 1
    assert verify(site.parents[1] / "var/desk/quality.db").ok


def test_a_version_comes_back_byte_for_byte_and_what_was_there_is_kept(site: Path) -> None:
    first, feeder = site.read_bytes(), site.parents[1] / "devices/demo_feeder.toml"
    maps = feeder.read_bytes()
    kept(site, "as commissioned")
    change(site, "share_percent = 3.0", "share_percent = 2.0")
    change(feeder, 'unit = "rpm"', 'unit = "rpm"  # ')
    second = load(site).settings_id
    ended = run("roll-back", site, "1", "--by", "ben", "--reason", "the feed hunts")
    assert ended.exit_code == 0, ended.output
    assert (site.read_bytes(), feeder.read_bytes()) == (first, maps)
    assert "trim.share_percent: 2.0 -> 3.0" in ended.output
    assert "other sites that use it change with it" in ended.output
    said = run("versions", site).output
    assert said.count("UTC") == 3
    assert f"   2  {second[:12]}" in said, "what was on the disk is nowhere lost"
    assert "rolled back, ben (command line): the feed hunts" in said
    again = run("roll-back", site, second[:12], "--by", "ben", "--reason", "it was the scale")
    assert again.exit_code == 0, again.output
    assert load(site).settings_id == second


def test_a_file_that_is_broken_can_be_rolled_back_and_is_kept_too(site: Path) -> None:
    kept(site, "as commissioned")
    good = load(site).settings_id
    change(site, "share_percent = 3.0", "share_percent = 300.0")
    assert run("keep-version", site, "--reason", "x").exit_code == 2
    ended = run("roll-back", site, "1", "--reason", "a slip")
    assert ended.exit_code == 0, ended.output
    assert load(site).settings_id == good
    assert "share_percent = 300.0" in site.with_name("site.toml.refused").read_text()
    site.write_text("[site")
    refused = run("roll-back", site, "1", "--reason", "a slip")
    assert (refused.exit_code, "Say --record and --quality-folder" in refused.output) == (2, True)
    ended = run("roll-back", site, "1", "--reason", "a slip", "--record", "var/demo", "--quality-folder", "var/desk")
    assert ended.exit_code == 0, ended.output
    assert load(site).settings_id == good


def test_a_version_needs_a_reason_and_an_unknown_one_is_none(site: Path) -> None:
    assert "it must say who and why" in run("keep-version", site, "--reason", " ").output
    before = site.read_bytes()
    assert run("roll-back", site, "1", "--reason", "x").exit_code == 1
    assert run("versions", site).output == "no version is on record, and no run either\n"
    assert site.read_bytes() == before


def test_a_site_is_compared_with_another_in_words(site: Path) -> None:
    other = site.with_name("other.toml")
    other.write_bytes(site.read_bytes())
    assert "Nothing is different" in run("check", site, "--against", other).output
    change(site, "belt_length_m = 24.0", "belt_length_m = 26.268")
    ended = run("check", site, "--against", other)
    assert ended.exit_code == 0
    assert "the travel over the belt of aggregate grows by 1.4 s: rubber comes later at a rate change" in ended.output
    assert run("check", site, "--in-force").exit_code == 1, "no daemon, no record"
    assert run("check", site, "--against", site.with_name("none.toml")).exit_code == 2


def test_without_a_daemon_nothing_is_applied(site: Path) -> None:
    ended = run("put-in-force", site, "--by", "ana", "--reason", "x")
    assert ended.exit_code == 3
    assert "no daemon answers" in ended.output


def test_a_file_is_replaced_whole_and_a_link_stays_a_link(tmp_path: Path) -> None:
    real, link = tmp_path / "real.toml", tmp_path / "link.toml"
    real.write_text("old")
    real.chmod(0o640)
    link.symlink_to(real)
    save_text(link, "new")
    assert (real.read_text(), link.is_symlink(), real.stat().st_mode & 0o777) == ("new", True, 0o640)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["link.toml", "real.toml"]
