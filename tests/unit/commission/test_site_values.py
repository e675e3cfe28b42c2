"""Values on their way into the site file: the key that it uses, comments kept, refused values never in place."""

import shutil
from pathlib import Path

import pytest

from crumbmeter.commission.calibrating.steps import Proposal
from crumbmeter.commission.site_values import changes, put_in_place
from crumbmeter.site import SiteRefusedError, load

ROOT = Path(__file__).parents[3]
KG = Proposal(("feeder", "feed_factor_kg_rev"), 0.91, "by a test")
DOUBT = Proposal(("feeder", "feed_factor_doubt_percent"), 2.0, "by a test")


@pytest.fixture
def site(tmp_path: Path) -> Path:
    shutil.copytree(ROOT / "config/devices", tmp_path / "devices")
    path = tmp_path / "sites" / "demo_drum.toml"
    path.parent.mkdir()
    shutil.copy(ROOT / "config/sites/demo_drum.toml", path)
    return path


def test_old_and_new_stand_side_by_side(site: Path) -> None:
    found = changes(site, [KG, DOUBT])
    assert [one.text for one in found] == [
        "feeder.feed_factor_kg_rev: 0.9 -> 0.91 (by a test)",
        "feeder.feed_factor_doubt_percent: not said -> 2 (by a test)",
    ]
    assert changes(site, [Proposal(KG.path, 0.90, "the same")]) == ()


def test_a_file_in_pounds_stays_in_pounds(site: Path) -> None:
    text = site.read_text().replace("feed_factor_kg_rev = 0.90", "feed_factor_lb_rev = 2.0")
    site.write_text(text)
    (one,) = changes(site, [KG])
    assert one.path == ("feeder", "feed_factor_lb_rev")
    assert one.old == 2.0
    assert one.new == pytest.approx(0.91 / 0.45359237, abs=1e-4)


def test_put_in_place(site: Path) -> None:
    before = site.read_text()
    after = put_in_place(site, changes(site, [KG, DOUBT]))
    assert after.params.weighing.feed_factor_kg_rev == 0.91
    assert after.settings_id == load(site).settings_id
    assert load(site).params.weighing.feed_factor_doubt == pytest.approx(0.02)
    lines = [(old, new) for old, new in zip(before.splitlines(), site.read_text().splitlines(), strict=False)]
    assert "feed_factor_kg_rev = 0.91 " in next(new for old, new in lines if old != new)
    assert [one.name for one in site.parent.iterdir()] == ["demo_drum.toml"]


def test_a_site_that_would_be_refused_stays_as_it_was(site: Path) -> None:
    before = site.read_text()
    wanted = changes(site, [Proposal(KG.path, 1000.0, "by a bad test")])
    with pytest.raises(SiteRefusedError):
        put_in_place(site, wanted)
    assert site.read_text() == before
    assert [one.name for one in site.parent.iterdir()] == ["demo_drum.toml"]
