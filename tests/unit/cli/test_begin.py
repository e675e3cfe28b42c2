"""A site is begun, and filled in, from the command line; what is not known is never made up, and nothing gets worse."""

import tomllib
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from crumbmeter.cli.commands import app
from crumbmeter.site import load
from crumbmeter.site.calibration_limits import find_calibration_limits
from crumbmeter.site.specification import known_specifications
from crumbmeter.site.starting import AS_THEY_ARE

ROOT = Path(__file__).parents[3]
MAPS = ROOT / "config" / "devices"


def run(*words: str) -> Result:
    return CliRunner().invoke(app, list(words))


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


def begun(*options: str) -> Path:
    ended = run("new-site", "plant", *options)
    assert ended.exit_code == 0, ended.output
    return Path("plant/site.toml")


def good(folder: Path) -> Path:
    """Copy a good site into the folder."""
    site = folder / "sites" / "site.toml"
    site.parent.mkdir()
    site.write_text((ROOT / "config/sites/small_drum.toml").read_text("utf-8"))
    (folder / "devices").symlink_to(MAPS)
    load(site)
    return site


@pytest.mark.parametrize("name", AS_THEY_ARE)
def test_a_new_site_has_what_its_calibrations_and_its_acceptance_are_held_against(folder: Path, name: str) -> None:
    site = begun()
    assert (site.parent / name).read_bytes() == (ROOT / "config" / name).read_bytes(), "the copy in templates/ is old"
    assert find_calibration_limits(site) == site.parent / "calibration-limits.toml"
    assert set(known_specifications(site)) == {path.stem for path in (ROOT / "config/specifications").glob("*.toml")}


def test_a_new_site_says_all_that_is_still_to_be_filled_in(folder: Path) -> None:
    site = begun("--title", 'The "old" plant')
    texts = [row for row in site.read_text().splitlines() if '= "FILL IN' in row]
    ended = run("check", str(site))
    assert ended.exit_code == 2
    assert ended.output.count("[placeholder]") == len(texts) == 34
    said = "".join(ended.output.split())
    assert "`crumbmetersetplant/site.tomlline.travel_s=...`" in said
    assert tomllib.loads(site.read_text())["site"]["title"] == 'The "old" plant'
    assert tomllib.loads(site.read_text())["site"]["id"] == "plant"


@pytest.mark.parametrize(
    ("options", "has", "lacks"),
    [
        (("--units", "metric"), "mass_noise_kg", "_lb"),
        (("--no-recycle",), "[streams.binder]", "[streams.rap"),
        (("--simulated",), "clock_rate = 1.0", "simulated = false"),
        (("--kind", "batch"), "[ingredients.rap]", "[streams"),
        (("--kind", "batch", "--no-recycle"), "[ingredients.binder]", "[ingredients.rap]"),
        (("--kind", "drum"), "[trim]", "[batch]"),
    ],
)
def test_what_is_chosen_at_the_beginning_is_in_the_file(
    folder: Path, options: tuple[str, ...], has: str, lacks: str
) -> None:
    text = begun(*options).read_text()
    assert has in text
    assert lacks not in text
    assert "@" not in text
    assert "#if" not in text
    assert "#endif" not in text


def test_a_folder_with_something_in_it_is_left_alone(folder: Path) -> None:
    (folder / "plant").mkdir()
    (folder / "plant" / "mine").write_text("x")
    ended = run("new-site", "plant")
    assert (ended.exit_code, list((folder / "plant").iterdir())) == (2, [folder / "plant" / "mine"])


def test_a_device_brings_its_signals_and_ranges_are_asked_for(folder: Path) -> None:
    site = begun()
    ended = run("add-device", str(site), "blower", "--profile", str(MAPS / "demo_blower.toml"), "--host", "10.0.0.5",
                "blower_running=running", "--writes", "blower_run=run")  # fmt: skip
    assert ended.exit_code == 0, ended.output
    data = tomllib.loads(site.read_text())
    assert data["line"]["pressure"] == "line_pressure", "a register named like what control looks at is wired to it"
    assert data["signals"]["line_pressure"]["low"] == "FILL IN: lowest possible value, mbar"
    assert data["signals"]["blower_running"] == {"source": "blower.running", "max_age_s": 1.0}
    assert data["outputs"]["blower_run"]["storage"].startswith("FILL IN: volatile or durable")
    assert (folder / "plant/devices/demo_blower.toml").read_bytes() == (MAPS / "demo_blower.toml").read_bytes()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("blower_running=runing",), "the profile has no such register; did you mean running?"),
        (("line_pressure:0",), "is not NAME=REGISTER or NAME=REGISTER:LOW:HIGH"),
        (("line_pressure:low:high",), "low:high is not LOW:HIGH in numbers"),
        (("--writes", "blower=run"), "blower: no such output; did you mean blower_run?"),
    ],
)
def test_a_device_that_cannot_be_added_changes_nothing(folder: Path, words: tuple[str, ...], said: str) -> None:
    site = begun()
    before = site.read_text()
    ended = run("add-device", str(site), "blower", "--profile", str(MAPS / "demo_blower.toml"), *words)
    assert ended.exit_code == 2
    assert said in ended.output
    assert site.read_text() == before


def test_a_device_on_a_serial_line_or_behind_opc_ua_has_its_own_keys(folder: Path) -> None:
    site = begun()
    serial = ("--key", "transport=rtu", "--key", "serial_port=/dev/ttyUSB0", "--key", "baud=9600")
    ended = run(
        "add-device", str(site), "scale", "--profile", str(MAPS / "demo_belt_scale.toml"), "--unit", "3", *serial
    )
    assert ended.exit_code == 0, ended.output
    ended = run("add-device", str(site), "blower", "--profile", str(MAPS / "demo_blower_opcua.toml"), "--host",
                "10.0.0.5", "--port", "4840", "--key", "path=server", "line_pressure:-20:600")  # fmt: skip
    assert ended.exit_code == 0, ended.output
    devices = tomllib.loads(site.read_text())["devices"]
    assert devices["scale"] == {
        "profile": "demo_belt_scale", "unit_id": 3, "poll_period_s": 0.2, "timeout_s": 0.3, "transport": "rtu",
        "serial_port": "/dev/ttyUSB0", "baud": 9600,
    }  # fmt: skip
    assert "unit_id" not in devices["blower"]
    assert (devices["blower"]["port"], devices["blower"]["path"]) == (4840, "server")
    said = run("check", str(site)).output
    assert "devices.scale" not in said
    assert "devices.blower" not in said


def test_a_register_is_wired_by_name_only_where_the_site_looks_at_it(folder: Path) -> None:
    site = begun()  # a drum plant
    ended = run(
        "add-device", str(site), "batch_io", "--profile", str(MAPS / "demo_batch_io.toml"), "--host", "10.0.0.5"
    )
    assert ended.exit_code == 0, ended.output
    assert set(tomllib.loads(site.read_text())["signals"]) == {"emergency_stop_ok", "recipe"}


def test_another_map_of_the_same_name_is_not_overwritten(folder: Path) -> None:
    site = begun()
    other = folder / "plant/devices/demo_blower.toml"
    other.write_text("mine")
    ended = run("add-device", str(site), "blower", "--profile", str(MAPS / "demo_blower.toml"))
    assert (ended.exit_code, other.read_text()) == (2, "mine")


def test_a_key_is_set_and_the_difference_is_said(folder: Path) -> None:
    site = good(folder)
    before = site.read_text()
    ended = run("set", str(site), "tolerance.warn_percent=4")
    assert ended.exit_code == 0, ended.output
    assert "tolerance.warn_percent: 5.0 -> 4\n" in ended.output
    assert "this site is good" in ended.output
    changed = [row for row in site.read_text().splitlines() if row not in before.splitlines()]
    assert [row.split("#")[0].strip() for row in changed] == ["warn_percent = 4"]


@pytest.mark.parametrize(
    ("pair", "said"),
    [
        ("site.scan_period_s=0", "must be at least 0.02"),
        ("site.scan_periods=0.2", "did you mean scan_period_s?"),
        ("steams.rap.kind=recycle", "did you mean streams?"),
        ("tolerance.alarm_percent=1", "must be above"),
        ("line.travel_s", "is not KEY=VALUE"),
    ],
)
def test_what_would_be_refused_is_not_written(folder: Path, pair: str, said: str) -> None:
    site = good(folder)
    before = site.read_bytes()
    ended = run("set", str(site), pair)
    assert ended.exit_code == 2
    assert said in " ".join(ended.output.split())
    assert "Nothing was changed." in ended.output
    assert site.read_bytes() == before


def test_a_good_site_is_never_left_half_filled_in(folder: Path) -> None:
    site = good(folder)
    before = site.read_bytes()
    ended = run("add-device", str(site), "second", "--profile", str(MAPS / "demo_blower.toml"), "--host", "10.0.0.5")
    assert ended.exit_code == 2
    assert site.read_bytes() == before


def test_a_table_is_added(folder: Path) -> None:
    site = good(folder)
    pairs = ("title=Thin course", "dose_basis=total_mix", "dose_percent=0.4", "total_binder_percent=6.1")
    ended = run("add", str(site), "mixes.thin", *pairs)
    assert ended.exit_code == 0, ended.output
    assert [mix.mix_id for mix in load(site).params.mixes][-1] == "thin"
    assert run("add", str(site), "mixes.thin", *pairs).exit_code == 2
