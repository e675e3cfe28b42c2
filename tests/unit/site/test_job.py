"""Job files: the example is read whole, every mistake is told at once, and a site fills in what is left out."""

import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from crumbmeter.process.params import DoseBasis
from crumbmeter.site import Site, SiteRefusedError, load
from crumbmeter.site.job import load_job

ROOT = Path(__file__).parents[3]
EXAMPLE = ROOT / "config/jobs/imaginary_flats.toml"
POUND_KG = 0.45359237
LEAST = """
[job]
title = "T"
units = "metric"
[rates]
lowest_tonne_h = 100.0
typical_tonne_h = 200.0
highest_tonne_h = 300.0
hours_a_day = 8.0
[mixes.a]
mass_tonne = 1000.0
dose_basis = "added_to_mix"
dose_kg_per_tonne = 5.0
total_binder_percent = 5.0
[bags]
mass_kg = 500.0
waste_percent = 0.0
"""
RECYCLE = "recycle_percent = {}\nrecycle_binder_percent = {}\n[bags]"
PRICED = "[prices]\ncurrency = 'USD'\nrubber_per_tonne = 1.0\nbinder_per_tonne = 1.0\nfreight_per_truck = 9.0\n[bags]"


@pytest.fixture(scope="module")
def site() -> Site:
    return load(ROOT / "config/sites/demo_drum.toml")


def written(folder: Path, text: str) -> Path:
    path = folder / "job.toml"
    path.write_text(text)
    return path


def refused(path: Path, site: Site | None = None) -> list[tuple[str, str, int]]:
    with pytest.raises(SiteRefusedError) as found:
        load_job(path, site)
    return [(problem.key, problem.code, problem.line) for problem in found.value.problems]


def test_the_example_is_read_in_si() -> None:
    found = load_job(EXAMPLE)
    job = found.job
    assert (found.invented, found.units, found.currency, found.from_site) == (True, "us", "USD", ())
    assert [mix.mix_id for mix in job.mixes] == ["surface", "base"]
    assert job.mixes[0].dose == pytest.approx(0.005)
    assert job.rates.typical_kg_s == pytest.approx(250.0 * 2000.0 * POUND_KG / 3600.0)
    assert job.feeder.low_rev_s == pytest.approx(0.2)
    assert job.feeder.refill_kg_s == pytest.approx(480.0 * POUND_KG / 60.0)
    assert job.line.pipe is not None
    assert job.line.pipe.horizontal_m == pytest.approx(130.0 * 0.3048)
    assert job.line.pipe.air_kg_s == pytest.approx(1080.0 / 3600.0 * 98_357.6 / (287.05 * 298.15) * 0.94, rel=1e-4)
    assert job.prices is not None
    assert job.prices.rubber_per_kg == pytest.approx(640.0 / (2000.0 * POUND_KG))
    assert job.prices.freight_per_kg == pytest.approx(900.0 / (20 * 2000.0 * POUND_KG))
    assert job.prices.feeder_per_s == pytest.approx(1400.0 / (9 * 3600.0))
    assert job.prices.energy_per_j == pytest.approx(0.14 / 3.6e6)


def test_the_least_that_a_job_says(tmp_path: Path) -> None:
    job = load_job(written(tmp_path, LEAST)).job
    assert job.mixes[0].rubber_ratio == pytest.approx(0.005)
    assert job.feeder.feed_factor_kg_rev is None
    assert job.line.pipe is None
    assert "line.bends" in job.line.missing
    assert (job.loads, job.supply, job.prices) == ((), None, None)


def test_a_site_fills_in_what_is_left_out(tmp_path: Path, site: Site) -> None:
    text = LEAST.replace('dose_basis = "added_to_mix"\ndose_kg_per_tonne = 5.0\ntotal_binder_percent = 5.0\n', "")
    text = text.replace("mass_tonne", 'site_mix = "base_binder_8"\nmass_tonne')
    path = written(tmp_path, text + "[feeder]\ncalibrated_low_rpm = 5.0\n[line]\nbends = 2\n")
    found = load_job(path, site)
    (mix,) = found.job.mixes
    assert mix.basis is DoseBasis.TOTAL_BINDER
    assert [mix.dose, mix.binder_content] == pytest.approx([0.08, 0.05])
    assert mix.title.startswith("Base course")
    feeder = found.job.feeder
    assert feeder.low_rev_s == pytest.approx(5.0 / 60.0), "its own figure comes before the site's"
    assert feeder.high_rev_s == pytest.approx(1.0)
    assert feeder.feed_factor_kg_rev == pytest.approx(0.9)
    assert feeder.most_refill_s == pytest.approx(90.0)
    assert {"mixes.a.dose", "mixes.a.total_binder", "feeder.feed_factor", "line.blower_air"} <= set(found.from_site)
    assert "feeder.calibrated_low" not in found.from_site
    assert refused(path) == [("mixes.a.site_mix", "needs-other-key", 11)]


def test_every_mistake_is_told_at_once(tmp_path: Path) -> None:
    text = LEAST.replace("hours_a_day = 8.0", "hours_a_day = 25.0\nlowest_short_ton_h = 90.0")
    text = text.replace('units = "metric"', 'units = "metrical"').replace("mass_kg = 500.0\n", "")
    text += '[feeder]\nrefill_at = 3.0\n[[loads]]\nname = "x"\npower_kw = 1.0\nvoltage_v = 400.0\nphases = 2\n'
    text += "power_factor = 1.2\n[wrong]\na = 1\n"
    found = refused(written(tmp_path, text))
    assert {(key, code) for key, code, _ in found} == {
        ("job.units", "not-one-of"),
        ("rates.hours_a_day", "out-of-range"),
        ("rates.lowest_tonne_h", "two-units"),
        ("bags.mass", "missing-key"),
        ("feeder.refill_at", "unknown-key"),
        ("loads[0].phases", "not-one-of"),
        ("loads[0].power_factor", "out-of-range"),
        ("wrong", "unknown-key"),
    }
    lines = {key: line for key, _, line in found}
    assert lines["rates.hours_a_day"] == 9
    assert lines["wrong"] == text.count("\n") - 1


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ("lowest_tonne_h = 100.0", "lowest_tonne_h = 250.0", ("rates", "out-of-range")),
        ('"added_to_mix"', '"total_binder"', ("mixes.a.dose_kg_per_tonne", "dose-unit")),
        ("dose_kg_per_tonne = 5.0", "dose_kg_per_tonne = 90.0", ("mixes.a", "dose-absurd")),
        ("dose_kg_per_tonne = 5.0\n", "", ("mixes.a.dose", "missing-key")),
        ('dose_basis = "added_to_mix"\n', "", ("mixes.a.dose_basis", "missing-key")),
        ("total_binder_percent = 5.0\n", "", ("mixes.a.total_binder_percent", "missing-key")),
        ("[bags]", RECYCLE.format(60.0, 9.0), ("mixes.a.recycle_percent", "out-of-range")),
        ("[bags]", RECYCLE.format(98.0, 1.0), ("mixes.a.recycle_percent", "out-of-range")),
        ("[bags]", "[feeder]\nrefill_at_kg = 5.0\nrefill_to_kg = 5.0\n[bags]", ("feeder.refill_at", "out-of-range")),
        ("[mixes.a]", "[mixes.Surface]\n[mixes.a]", ("mixes.Surface", "bad-name")),
        ("[bags]\nmass_kg = 500.0\nwaste_percent = 0.0\n", "", ("bags", "missing-key")),
        ("[bags]", "[loads]\na = 1\n[bags]", ("loads", "wrong-type")),
        ("[job]\n", "[job]\n[", ("", "bad-toml")),
        ("[bags]", PRICED,
         ("prices.freight_per_truck", "needs-other-key")),
    ],
)  # fmt: skip
def test_what_does_not_go_together(tmp_path: Path, old: str, new: str, expected: tuple[str, str]) -> None:
    assert old in LEAST
    found = refused(written(tmp_path, LEAST.replace(old, new)))
    assert expected in [(key, code) for key, code, _ in found]


def test_no_more_than_fits_two_pages(tmp_path: Path) -> None:
    mix = re.search(r"\[mixes\.a\]\n(.*?)\[bags\]", LEAST, re.DOTALL)
    assert mix is not None
    more = "".join(f"[mixes.m{number}]\n{mix[1]}" for number in range(4))
    assert ("mixes", "out-of-range", 10) in refused(written(tmp_path, LEAST + more))
    assert ("mixes", "missing-key") in [
        row[:2] for row in refused(written(tmp_path, LEAST.replace(mix[0], "[mixes]\n[bags]")))
    ]


def test_a_mix_that_the_site_has_not(tmp_path: Path, site: Site) -> None:
    path = written(tmp_path, LEAST.replace("mass_tonne", 'site_mix = "none"\nmass_tonne'))
    assert refused(path, site) == [("mixes.a.site_mix", "no-such-mix", 11)]


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    assert refused(tmp_path / "gone.toml") == [("", "file-missing", 1)]


def keys(data: dict[str, Any], path: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    for key, value in data.items():
        if isinstance(value, dict):
            yield from keys(value, (*path, key))
        elif isinstance(value, int | float) and not isinstance(value, bool):
            yield (*path, key)


NUMBERS = [key for key in keys(tomllib.loads(EXAMPLE.read_text("utf-8"))) if key != ("loads",)]


@pytest.mark.parametrize("key", NUMBERS, ids=".".join)
def test_every_number_changes_something(key: tuple[str, ...], tmp_path: Path) -> None:
    """A key that is read and then forgotten would be a trap."""
    text = EXAMPLE.read_text("utf-8")
    table = text.index(f"[{'.'.join(key[:-1])}]")
    found = re.compile(rf"^{key[-1]} = ([0-9.]+)", re.MULTILINE).search(text, table)
    assert found is not None
    more = str(float(found[1]) * 1.01) if "." in found[1] else {"phases": "1"}.get(key[-1], str(int(found[1]) + 1))
    changed = load_job(written(tmp_path, text[: found.start(1)] + more + text[found.end(1) :]))
    assert changed.job != load_job(EXAMPLE).job
