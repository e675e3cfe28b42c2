"""`crumbmeter check` says what a site does, in words and in JSON, and ends with the right code."""

import json
from dataclasses import replace
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from crumbmeter.cli.check import add_to, check
from crumbmeter.site import load
from crumbmeter.site.explain import explain

ROOT = Path(__file__).parents[3]
DEMO = Path("config/sites/demo_drum.toml")
BAD = Path("tests/cases/site/five_mistakes/site.toml")


@pytest.fixture(autouse=True)
def _in_repository(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)


def test_a_good_site_is_explained(capsys: pytest.CaptureFixture[str]) -> None:
    assert check(DEMO) == 0
    out = capsys.readouterr().out
    assert max(map(len, out.splitlines())) <= 100
    for words in (
        "divided by 1 + 4 % of water on dry mass",
        "no temperature correction: the meter sends mass",
        "5 % of its dry mass is counted as binder",
        "belts 24 m at 1.62 m/s = 14.8 s",
        "recycle_scale     1  03     100      3",
        "feeder.speed_setpoint",
        "MONITOR ONLY",
        "SIMULATED",
        "saltation (Rizk, +-50 %), m/s",
        "It stops nothing and releases nothing while the plant runs.",
    ):
        assert " ".join(words.split()) in " ".join(out.split()), words
    site = load(DEMO)
    for signal in site.params.signals:
        assert signal.signal_id in out
    assert site.settings_id in out


def test_wasted_fines_are_said_and_taken_off_the_doses() -> None:
    site = load(DEMO)
    plain = explain(site)
    virgin, *others = site.params.streams
    # By hand, in short ton/h: 201.2 / 1.04 = 193.462 of virgin, 46.4 / 1.03 = 45.049 of recycle with 5 % binder, 2.252.
    # The mix is (D + Rd - b) / (1 - total binder): without 0.03 * 193.462 = 5.804 it is 230.455 / 236.258 = 0.97543.
    less = replace(site, params=replace(site.params, streams=(replace(virgin, wasted_fines=0.03), *others)))
    told = explain(less)
    assert "3 % of its dry mass leaves as wasted fines and enters no mix (x 0.9700)" in told.streams[0].corrections
    assert not any("fines" in words for words in plain.streams[0].corrections)
    brief = {one.signal_id: one.brief for one in told.signals}
    assert brief[site.params.signals[virgin.rate].signal_id] == "water 4 % off, fines 3 % off"
    pairs = [pair for pair in zip(plain.doses, told.doses, strict=True) if pair[0].mix_id == "surface_10lb"]
    assert [before.rate for before, _ in pairs] == ["lowest", "normal", "highest"]
    for before, after in pairs:
        assert after.rubber_kg_min / before.rubber_kg_min == pytest.approx(0.97543, abs=1e-5)
        assert after.mix_tonne_h / before.mix_tonne_h == pytest.approx(0.97543, abs=1e-5)


def test_a_batch_site_is_explained(capsys: pytest.CaptureFixture[str]) -> None:
    assert check(Path("config/sites/demo_batch.toml")) == 0
    out = capsys.readouterr().out
    assert max(map(len, out.splitlines())) <= 100
    for words in (
        "a parcel is a batch",
        "aggregate (aggregate): weighed by batch_scales.aggregate_mass in kg corrected: nothing: weighed dry",
        "divided by 1 + 3 % of water on dry mass (x 0.9709); 5 % of its dry mass is counted as binder",
        "read: rubber wanted batch_io.rubber_wanted closed: the dry-mix window is open.",
        "written: release feeder.release closed: the valve under the vessel opens; never outside the window",
        "The plant holds the dry mix for at most 75 s.",
        # 10 lb/short_ton of total mix on 3 t without rubber: 3000 * 0.005 / 0.995 = 15.08 kg (own derivation)
        "surface_10lb normal 3.31 3.00 33.24 15.08",
        "nothing is dosed or released for 4 s",
    ):
        assert " ".join(words.split()) in " ".join(out.split()), words
    assert check(Path("config/sites/demo_batch.toml"), as_json=True) == 0
    told = json.loads(capsys.readouterr().out)
    assert [row["size"] for row in told["batch"]["charges"][:3]] == ["smallest", "normal", "largest"]
    assert told["doses"] == []


def test_a_monitor_only_site_says_that_nothing_is_ever_written(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "devices").symlink_to(ROOT / "config/devices")
    site = tmp_path / "site.toml"
    site.write_text(DEMO.read_text("utf-8").replace("allowed = true", "allowed = false"), "utf-8")
    assert check(site) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "nothing whatever is written to any register" in out


def test_the_line_is_screened_only_where_the_site_describes_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    screened = explain(load(DEMO)).conveying
    assert [one.outcome.value for one in screened] == ["clearly above", "clearly above"]
    assert screened[0].velocity_m_s == screened[1].velocity_m_s > screened[1].saltation_m_s > screened[0].saltation_m_s
    (tmp_path / "devices").symlink_to(ROOT / "config/devices")
    site = tmp_path / "site.toml"
    text = DEMO.read_text("utf-8")
    site.write_text(text.replace("blower_air_m3_h = 1000.0", "blower_air_m3_h = 600.0"), "utf-8")
    assert [one.outcome.value for one in explain(load(site)).conveying] == ["clearly above", "not proven"]
    keys = ("inner_diameter_mm", "blower_air_m3_h", "particle_mm", "altitude_m")
    site.write_text("\n".join(line for line in text.split("\n") if not line.startswith(keys)), "utf-8")
    assert check(site) == 0
    assert "Rizk" not in capsys.readouterr().out


def test_a_bad_site_is_refused_on_the_error_stream(capsys: pytest.CaptureFixture[str]) -> None:
    assert check(BAD) == 2
    shown = capsys.readouterr()
    assert shown.out == ""
    assert (ROOT / BAD.parent / "expected.err").read_text("utf-8") in shown.err
    assert "docs/refusals.md" in shown.err


def test_json_of_a_good_site(capsys: pytest.CaptureFixture[str]) -> None:
    assert check(DEMO, as_json=True) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["ok"] is True
    assert said["writes"][0]["function_code"] == 6
    assert {row["device_id"] for row in said["plan"]} == {
        "belt_scale",
        "recycle_scale",
        "binder_meter",
        "plant_io",
        "blower",
        "feeder",
    }


def test_json_of_a_bad_site(capsys: pytest.CaptureFixture[str]) -> None:
    assert check(BAD, as_json=True) == 2
    said = json.loads(capsys.readouterr().out)
    assert said["ok"] is False
    assert [problem["code"] for problem in said["problems"]] == [
        "out-of-range",
        "no-such-signal",
        "not-one-of",
        "unknown-key",
        "dose-absurd",
    ]
    assert all(problem["line"] > 0 for problem in said["problems"])


def test_the_command_line_hands_on_the_exit_code() -> None:
    app = typer.Typer()
    add_to(app)
    app.command("other")(lambda: None)
    assert CliRunner().invoke(app, ["check", str(DEMO)]).exit_code == 0
    assert CliRunner().invoke(app, ["check", str(BAD)]).exit_code == 2
    assert CliRunner().invoke(app, ["check", str(DEMO), "--jsn"]).exit_code == 2


def test_doses_agree_in_every_unit() -> None:
    """10 lb/short_ton is 0.5 % of mix and 5 kg/t (check-values, section 3); rates by hand from 250 short ton/h."""
    rows = [row for row in explain(load(DEMO)).doses if row.mix_id == "surface_10lb"]
    assert [row.rate for row in rows] == ["lowest", "normal", "highest"]
    for row in rows:
        assert row.lb_per_short_ton == pytest.approx(10.0)
        assert row.kg_per_tonne == pytest.approx(5.0)
        assert row.bases["total_mix"] == pytest.approx(0.005)
        assert row.bases["added_to_mix"] == pytest.approx(0.005 / 0.995)
        # R / Bt with Bt = 5.5 % of the mix without rubber
        assert row.bases["total_binder"] == pytest.approx(0.005 / 0.995 / 0.055)
        assert row.auger_rpm == pytest.approx(row.rubber_kg_min / 0.9)
    normal = rows[1]
    assert normal.mix_short_ton_h == pytest.approx(250.0, rel=1e-3)
    # 250 short ton/h x 2000 lb / 60 min x 0.005 / 0.995
    assert normal.rubber_lb_min == pytest.approx(normal.mix_short_ton_h * 2000 / 60 * 0.005 / 0.995)
    assert normal.binder_replacement == pytest.approx(46.4 / 1.03 * 0.05 / (0.055 * normal.mix_short_ton_h))


def test_a_stream_that_travels_less_than_the_rubber_is_said_to_be_predicted(capsys: pytest.CaptureFixture[str]) -> None:
    assert check(Path("config/sites/small_drum.toml")) == 0
    out = " ".join(capsys.readouterr().out.split())
    # Belt 6.1 m at 1 m/s less 1 s, then 3 s of drum: 8.1 s; the rubber takes 6.6 s and the auger 1.6 s.
    assert "8.1 s to the injection point. That is 0.1 s less than the rubber takes: its rate is taken to go on" in out


def test_travel_is_explained_with_what_is_measured() -> None:
    aggregate, rap, binder = explain(load(DEMO)).streams
    assert aggregate.to_injection_s == pytest.approx(24.0 / 1.62 - 1.5 + 45.9)
    assert aggregate.in_hand_s == pytest.approx(aggregate.to_injection_s - 3.9 - 0.9)
    assert any("aggregate_belt_speed" in words for words in aggregate.measured)
    assert rap.geometry[0] == "belt length"
    assert binder.to_injection_s == 0.0
    assert binder.geometry == ("metered at the injection point",)
