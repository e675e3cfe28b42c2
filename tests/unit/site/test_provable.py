"""What a site can prove: budgets at three rates, guarded acceptance, and what is assumed is said."""

import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from crumbmeter.cli.proof_text import proof_text
from crumbmeter.estimation.params import UncertaintyParams, Within
from crumbmeter.site import Site, load
from crumbmeter.site.keys.uncertainty import ASSUMED
from crumbmeter.site.provable import provable

ROOT = Path(__file__).parents[3]
DEMO = load(ROOT / "config/sites/demo_drum.toml")


def with_uncertainty(site: Site, uncertainty: UncertaintyParams) -> Site:
    return replace(site, params=replace(site.params, uncertainty=uncertainty))


DOSES = {"surface_10lb": 0.005, "base_binder_8": 0.08, "base_5lb": 0.0025, "surface_15lb": 0.0075}


def test_every_dosed_mix_at_three_rates() -> None:
    rows = provable(DEMO)
    assert [(row.mix_id, row.rate) for row in rows] == [
        (mix, rate) for mix in DOSES for rate in ("lowest", "normal", "highest")
    ]
    for row in rows:
        assert row.dose_fraction == pytest.approx(DOSES[row.mix_id])
        assert row.relative_fraction == pytest.approx(row.expanded_fraction / row.dose_fraction)
        assert row.accept_warn_fraction == pytest.approx(0.05 - row.relative_fraction)
        assert row.accept_alarm_fraction == pytest.approx(0.10 - row.relative_fraction)
        whole = sum(share * share for _, share in row.contributions) ** 0.5
        assert row.coverage_factor * whole == pytest.approx(row.relative_fraction)
        assert len(row.contributions) == 9


def test_noise_makes_it_less_certain_and_more_tons_make_it_more() -> None:
    params = DEMO.params
    noisy = replace(params.weighing, mass_noise_kg=10.0 * params.weighing.mass_noise_kg)
    wide = replace(params.uncertainty, window_kg=4.0 * params.uncertainty.window_kg)
    as_it_is = provable(DEMO)[1].relative_fraction
    assert provable(replace(DEMO, params=replace(params, weighing=noisy)))[1].relative_fraction > as_it_is
    assert provable(with_uncertainty(DEMO, wide))[1].relative_fraction < as_it_is


def test_what_the_site_does_not_state_is_assumed_and_said() -> None:
    # A dose of the mix does not depend on the binder within the recycle; a dose of the binder does.
    assert set(provable(DEMO)[0].assumed) == {"recycle moisture"}
    by_binder = next(row for row in provable(DEMO) if row.mix_id == "base_binder_8")
    assert set(by_binder.assumed) == {"recycle moisture", "recycle binder"}
    text = proof_text(DEMO, provable(DEMO))
    assert "ASSUMED, for the site does not state it: recycle binder, recycle moisture." in text
    assert "10.00 +- 0.13 lb/short_ton of mix with rubber, k=2" in text
    assert "NOT PROVABLE" not in text


def test_a_plant_that_cannot_prove_its_tolerance_is_told() -> None:
    rough = with_uncertainty(DEMO, replace(DEMO.params.uncertainty, hopper_scale=Within(0.06, stated=True)))
    rows = provable(rough)
    assert rows[1].accept_warn_fraction < 0.0 < rows[1].accept_alarm_fraction
    assert rows[1].contributions[0][0] == "hopper scale"
    text = " ".join(proof_text(rough, rows).split())
    assert "NOT PROVABLE" in text
    assert "This plant cannot prove the tolerance of 5 % for base_5lb, base_binder_8, surface_10lb" in text


def test_a_site_without_a_dosed_mix_has_nothing_to_prove() -> None:
    plain = replace(DEMO, params=replace(DEMO.params, mixes=DEMO.params.mixes[1:2]))
    assert provable(plain) == ()
    assert proof_text(plain, ()) == "  no mix has a dose"


def site_with(tmp_path: Path, table: str) -> Site:
    text = (ROOT / "config/sites/demo_drum.toml").read_text("utf-8")
    begins = text.index("[uncertainty]")
    shutil.copytree(ROOT / "config/devices", tmp_path / "devices", dirs_exist_ok=True)
    (tmp_path / "sites").mkdir(exist_ok=True)
    path = tmp_path / "sites/site.toml"
    path.write_text(text[:begins] + table + "\n" + text[text.index("[alarms.", begins) :], "utf-8")
    return load(path)


def test_without_the_table_everything_is_assumed(tmp_path: Path) -> None:
    bare = site_with(tmp_path, "").params.uncertainty
    # The check with a known weight proves the hopper's span within control.known_weight_percent: 1 % on this site.
    assert bare == replace(ASSUMED, hopper_scale=Within(0.01))
    assert not any(getattr(bare, name).stated for name in ("hopper_scale", "aggregate_scale", "silo_level_kg"))


def test_keys_become_fractions_and_kilograms(tmp_path: Path) -> None:
    table = (
        "[uncertainty]\nbinder_meter_percent = 0.25\ntravel_s = 2.0\nsilo_level_short_ton = 3.0\nwindow_tonne = 10.0"
    )
    stated = site_with(tmp_path, table).params.uncertainty
    assert stated.binder_meter == Within(0.0025, stated=True)
    assert stated.travel_s == Within(2.0, stated=True)
    assert stated.silo_level_kg.half_width == pytest.approx(3.0 * 907.18474)
    assert stated.silo_level_kg.stated
    assert stated.window_kg == 10_000.0
