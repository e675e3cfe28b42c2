"""A plant that wastes 3 % of its virgin material with the air: a site that knows it doses the mix that is left."""

from dataclasses import replace
from typing import Any

import pytest

from crumbmeter import site as sites
from crumbmeter_sim.rig import Rig
from tests.closed_loop import ROOT, ClosedLoop

LOST = 0.03


def shift(wasted_fines: float) -> tuple[dict[str, Any], float]:
    """Play a change of rate with a steady loss; return the true figures of its windows, and booked over true mix."""
    site = sites.load(ROOT / "config" / "sites" / "demo_drum.toml")
    virgin, *others = site.params.streams
    known = replace(site.params, streams=(replace(virgin, wasted_fines=wasted_fines), *others))
    rig = Rig.from_scenario(ROOT / "config" / "scenarios" / "rate_change.toml", seed=18)
    rig.plant.fines.share = LOST
    loop = ClosedLoop(replace(site, params=known), rig)
    score = loop.play()
    true_kg = sum(rig.plant.out[:5])
    return score["windows"]["5_t"]["true"], loop.state.totals.mix_g / 1000.0 / true_kg


@pytest.mark.slow
@pytest.mark.timeout(180)
def test_known_fines_get_no_rubber_and_are_no_tons() -> None:
    blind, blind_ratio = shift(0.0)
    told, told_ratio = shift(LOST)
    assert blind["mean_percent"] > 1.5
    assert abs(told["mean_percent"]) < 0.5
    assert blind_ratio > 1.015
    assert told_ratio == pytest.approx(1.0, abs=0.006)
