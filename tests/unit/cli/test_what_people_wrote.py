"""What a person wrote is lost by no command: broken register maps, line ends, and what is refused stay as they are."""

import shutil
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from crumbmeter.cli.commands import app
from crumbmeter.cli.timing_lines import offer
from crumbmeter.commission.site_values import Change, put_in_place
from crumbmeter.estimation.travel.findings import SiteLine
from crumbmeter.ledger import versions

ROOT = Path(__file__).parents[3]


def run(*words: object) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words])


@pytest.fixture
def site(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    shutil.copytree(ROOT / "config/devices", tmp_path / "devices")
    shutil.copytree(ROOT / "config/quality", tmp_path / "quality")
    path = tmp_path / "sites" / "site.toml"
    path.parent.mkdir()
    shutil.copy(ROOT / "config/sites/demo_drum.toml", path)
    assert run("keep-version", path, "--by", "ana", "--reason", "as commissioned").exit_code == 0
    return path


def change(path: Path, old: str, new: str) -> bytes:
    before = path.read_bytes()
    after = before.replace(old.encode(), new.encode(), 1)
    assert before != after
    path.write_bytes(after)
    return after


def maps(site: Path) -> list[bytes]:
    return [path.read_bytes() for path in (site.parents[1] / "devices").iterdir()]


def test_a_broken_register_map_is_kept_when_a_version_takes_its_place(site: Path) -> None:
    feeder = site.parents[1] / "devices/demo_feeder.toml"
    good = feeder.read_bytes()
    for slip in ("rpms", "rps_"):
        mine = change(feeder, 'unit = "rpm"', f'unit = "{slip}"')
        ended = run("roll-back", site, "1", "--by", "ana", "--reason", "a slip")
        assert ended.exit_code == 0, ended.output
        assert feeder.read_bytes() == good
        assert mine in maps(site), ended.output
    assert [b'"rpms"' in one for one in maps(site)].count(True) == 1, "the first one is there still"


def test_a_register_map_that_only_other_sites_use_now_is_kept(site: Path) -> None:
    feeder = site.parents[1] / "devices/demo_feeder.toml"
    other = feeder.with_name("other_feeder.toml")
    other.write_bytes(feeder.read_bytes().replace(b'profile = "demo_feeder"', b'profile = "other_feeder"'))
    change(site, 'profile = "demo_feeder"', 'profile = "other_feeder"')
    mine = change(feeder, 'unit = "rpm"', 'unit = "rpm"  # of another plant')
    ended = run("roll-back", site, "1", "--by", "ana", "--reason", "the old feeder is back")
    assert ended.exit_code == 0, ended.output
    assert mine in maps(site)


def test_what_is_said_not_to_be_rolled_back_is_not(site: Path) -> None:
    before = change(site, "share_percent = 3.0", "share_percent = 2.0")
    assert run("keep-version", site, "--by", "ana", "--reason", "calmer").exit_code == 0
    ended = run("roll-back", site, "1", "--by", "ana", "--reason", " ")
    assert (ended.exit_code, "Not rolled back" in ended.output) == (2, True)
    assert site.read_bytes() == before


def test_every_line_keeps_its_end(site: Path) -> None:
    site.write_bytes(site.read_bytes().replace(b"\n", b"\r\n"))
    before = site.read_bytes()
    assert run("set", site, "line.travel_s=4.4").exit_code == 0
    after = before.replace(b"travel_s = 3.9", b"travel_s = 4.4")
    assert site.read_bytes() == after
    put_in_place(site, [Change(("line", "travel_s"), 4.4, 3.9, "back")])
    assert site.read_bytes() == before
    line = SiteLine("line", "travel_s", 4.4, whole=False, interval=None, in_force=3.9, basis="measured")
    assert offer(site, site.parent, [line], "timing 3", "ana", lambda _question: "yes")
    assert site.read_bytes() == after
    assert dict(versions.on_record(site.parent)[0].files)["site.toml"] == before


def test_a_file_of_another_encoding_is_refused_in_words(site: Path) -> None:
    before = site.read_bytes().replace(b"# A complete", b"# A compl\xe9te")
    site.write_bytes(before)
    ended = run("set", site, "line.travel_s=4.4")
    assert (ended.exit_code, "utf-8" in ended.output) == (2, True)
    assert site.read_bytes() == before
