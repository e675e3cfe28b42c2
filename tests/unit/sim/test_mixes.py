"""The truth of a change of mix: what has passed the scale under one mix wants its rubber at the injection point."""

from itertools import pairwise
from typing import Any

import pytest

from crumbmeter_sim.mixes import Share, wanted_kg
from crumbmeter_sim.oracle import LARGEST_GAP_KG, gaps_kg
from crumbmeter_sim.plantfile import MixTruth
from crumbmeter_sim.rig import Rig
from crumbmeter_sim.wanted import rubber_kg
from tests.unit.sim.making import STILL, rig

SURFACE = MixTruth(1, "total_mix", 0.5, 5.5)
TWIN = {"recipe": 9, "dose_basis": "total_mix", "dose_percent": 0.5, "total_binder_percent": 5.5}


def running(**overrides: Any) -> Rig:
    made = rig(**{key.replace(".", "__"): value for key, value in STILL.items()}, **overrides)
    made.do("plant_start", mix_short_ton_h=250.0)
    made.advance(200.0)
    return made


def doses(made: Rig, begun: int) -> list[float]:
    """Return, second by second, the share of rubber wanted in what passed the injection point."""
    return [row.wanted_in_kg_s / row.mix_in_kg_s for row in made.truth.rows[begun:]]


def test_the_dose_wanted_changes_when_the_material_has_come() -> None:
    made = running()
    begun = len(made.truth.rows)
    made.do("recipe", mix="plain")
    made.advance(250.0)
    wanted = doses(made, begun)
    full = 0.005 / 0.995
    # The recycle's belt is 14.1 m at 1.25 m/s, and nothing of it comes through the drum at once.
    assert wanted[:12] == pytest.approx([full] * 12, rel=1e-6)
    assert all(later <= sooner + 1e-12 for sooner, later in pairwise(wanted))
    # Aggregate: 24.3 m at 1.62 m/s and 46 s of drum. By then the recycle of the older mix has gone.
    half = next(place for place, dose in enumerate(wanted) if dose < 0.5 * full)
    assert half == pytest.approx(15.0 + 46.0 - 2.0, abs=3.0)
    assert wanted[-1] == 0.0
    assert made.plant.mixes.older == []


def test_a_plant_that_stands_keeps_its_boundary() -> None:
    through, stopped = running(), running()
    for made in (through, stopped):
        made.do("recipe", mix="plain")
        made.advance(40.0)
    stopped.do("drum_stop")
    stopped.advance(300.0)
    held = sum(map(sum, stopped.plant.mixes.older[0].rows))
    stopped.advance(300.0)
    assert sum(map(sum, stopped.plant.mixes.older[0].rows)) == pytest.approx(held, rel=1e-9)
    stopped.do("restart")
    begun = len(stopped.truth.rows)
    stopped.advance(150.0)
    wanted = doses(stopped, begun + 5)
    assert wanted[0] > 0.002
    assert wanted[-1] == 0.0


@pytest.mark.parametrize("basis", ["total_mix", "total_binder", "virgin_binder", "dry_aggregate"])
def test_a_change_to_an_equal_mix_changes_nothing(basis: str) -> None:
    equal = {"mixes__twin": TWIN | {"dose_basis": basis}, "mixes__surface_10lb__dose_basis": basis}
    plain, changed = running(**equal), running(**equal)
    changed.do("recipe", mix="twin")
    changed.advance(20.0)
    changed.do("recipe", mix="surface_10lb")
    changed.advance(130.0)
    plain.advance(150.0)
    for one, other in zip(plain.truth.rows, changed.truth.rows, strict=True):
        assert other.mix_in_kg_s == pytest.approx(one.mix_in_kg_s, rel=1e-12)
        assert other.wanted_in_kg_s == pytest.approx(one.wanted_in_kg_s, rel=1e-9, abs=1e-12)
    assert changed.plant.out == pytest.approx(plain.plant.out, rel=1e-9, abs=1e-9)


def test_no_mass_is_lost_by_changes_and_a_dump() -> None:
    made = running()
    for mix in ("plain", "base_binder_8", "surface_10lb"):
        made.do("recipe", mix=mix)
        made.advance(15.0)
    made.do("drum_stop")
    made.advance(10.0)
    before = [sum(map(sum, one.rows)) for one in made.plant.mixes.older]
    made.do("dump_drum", percent=50.0)
    assert [sum(map(sum, one.rows)) for one in made.plant.mixes.older] == pytest.approx([kg / 2.0 for kg in before])
    made.do("restart")
    made.advance(200.0)
    assert made.plant.mixes.older == []
    assert max(map(abs, gaps_kg(made.plant).values())) < LARGEST_GAP_KG


def test_the_plant_sprays_binder_by_the_formula_of_the_material() -> None:
    made = running()
    before_kg_s = made.plant.binder.flow_kg_s
    made.do("recipe", mix="base_binder_8")  # 5.0 % of binder in the place of 5.5 %
    made.advance(8.0)
    assert made.plant.binder.flow_kg_s == pytest.approx(before_kg_s, rel=0.01)
    made.advance(150.0)
    assert made.plant.binder.flow_kg_s < 0.9 * before_kg_s


def test_binder_is_shared_by_the_job_mix_formulas() -> None:
    # By hand: 5.5 % and 11 % of binder in a mix: 0.055/0.945 and 0.11/0.89 of the dry mass.
    rich = MixTruth(2, "virgin_binder", 10.0, 11.0)
    shares = [Share(SURFACE, 100.0, 0.0, 0.0), Share(rich, 100.0, 0.0, 0.0)]
    first, second = 0.055 / 0.945, 0.11 / 0.89
    of_rich = 9.0 * second / (first + second)
    expected = 0.005 / 0.995 * (100.0 + 9.0 - of_rich) + 0.1 * of_rich
    assert wanted_kg(shares, 9.0) == pytest.approx(expected)
    assert wanted_kg(shares[:1], 9.0) == rubber_kg(SURFACE, 100.0, 0.0, 0.0, 9.0)


def test_rubber_in_the_end_of_an_older_mix_is_not_wasted() -> None:
    made = running()
    feeder = made.plant.feeder
    feeder.run = feeder.airlock_run = made.plant.line.blower_run = True
    feeder.speed_setpoint_rev_s = 0.05
    made.advance(30.0)
    made.do("recipe", mix="plain")
    made.advance(20.0)
    assert made.truth.rubber_unwanted_kg == 0.0
    made.advance(130.0)
    assert made.truth.rubber_unwanted_kg > 1.0
