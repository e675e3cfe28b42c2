"""A period of the simulated plant through journal, entries file and command; the truth is the simulator's.

The plant starts empty, makes mix for a quarter of an hour and is run empty again. Tickets, bags and what is left of
them are what really left and came, so only the instruments that a case sets wrong are wrong.
"""

import asyncio
import dataclasses
import datetime as dt
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from crumbmeter import site as sites
from crumbmeter.cli.reconcile import reconcile
from crumbmeter_sim.plantfile import devices_folder, load_plant
from crumbmeter_sim.rig import Rig
from crumbmeter_sim.scenario import load_scenario
from crumbmeter_sim.verbs import Step
from tests.benchmarks.made_journal import WALL_START_US, record
from tests.closed_loop import ROOT, ClosedLoop

pytestmark = pytest.mark.slow
DURATION_S = 1500.0
STOP_S = 900.0


def played(folder: Path, **changes: float) -> Rig:
    """Play the period into a journal, with some instruments of the plant wrong."""
    start = load_scenario(ROOT / "config/scenarios/start_up.toml")
    steps = (*start.at, Step(200.0, "hang_bag"), Step(STOP_S, "plant_stop"))
    scenario = dataclasses.replace(start, at=steps, duration_s=DURATION_S)
    truth = load_plant(start.plant, {key.replace("__", "."): value for key, value in changes.items()})
    rig = Rig(truth, devices_folder(truth, start.plant), seed=29, scenario=scenario)
    site = sites.load(ROOT / "config/sites/demo_drum.toml")
    loop = ClosedLoop(dataclasses.replace(site, journal=dataclasses.replace(site.journal, folder=folder)), rig)
    asyncio.run(record(loop))
    return rig


def entries_of(rig: Rig, start_kg: float) -> str:
    """Write what a scale house, a yard and a clerk would know, all of it true."""
    score, supply = rig.score(), rig.plant.feeder.supply
    mix_kg = 1000.0 * score["total"]["mix_tonne"] + score["total"]["rubber_kg"]
    when = dt.datetime.fromtimestamp(WALL_START_US / 1e6 + 1000.0 + STOP_S, dt.UTC).isoformat()
    bags = supply.truth.bag_kg * supply.bags_changed
    left = supply.hopper_kg + supply.bag_kg - start_kg
    loads = [f"ticket,{when},{mix_kg / 4.0},kg,truck,T-{number}," for number in range(4)]
    return "\n".join((
        "kind,when,mass,unit,scale,lot,within", *loads, f"bag,{when},{bags},kg,yard,L-1,",
        f"silo_change,{when},0,kg,,,0", f"supply_change,{when},{left},kg,,,2",
        f"rubber_waste,{when},{max(0.001, score['wasted']['catch_kg'] + score['wasted']['spilled_kg'])},kg,,,",
    ))  # fmt: skip


@pytest.fixture
def told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Callable[..., tuple[int, dict[str, Any]]]:
    """Play, reconcile, and return exit code and body."""

    def tell(**changes: float) -> tuple[int, dict[str, Any]]:
        rig = played(tmp_path, **changes)
        supply = rig.plant.feeder.supply.truth
        (tmp_path / "day.csv").write_text(entries_of(rig, supply.start_kg + supply.start_bag_kg), "utf-8")
        capsys.readouterr()
        code = reconcile(tmp_path, tmp_path / "day.csv", as_json=True)
        body: dict[str, Any] = json.loads(capsys.readouterr().out)
        return code, body

    return tell


def test_a_sound_plant_agrees(told: Callable[..., tuple[int, dict[str, Any]]]) -> None:
    code, body = told()
    assert (code, body["agrees"], body["simulated"]) == (0, True, True)
    assert (body["opened"], body["closed"]) == ("empty", "empty")
    assert body["unchecked"] == []
    assert body["tests"]["overall"]["degrees"] == 2
    assert {one["name"] for one in body["reconciled"]} >= {"feeder", "aggregate scale", "bags of yard"}


def test_a_drifted_hopper_scale_is_named(told: Callable[..., tuple[int, dict[str, Any]]]) -> None:
    code, body = told(hopper__gain_error_percent=8.0)
    assert (code, body["reconciled"]) == (1, None)
    (suspect,) = body["suspects"]
    assert "feeder" in suspect["names"]
    assert "aggregate scale" not in suspect["names"]
    assert suspect["hopper_span_fraction"] == pytest.approx(0.08, abs=0.02)


def test_a_drifted_belt_scale_is_among_those_that_cannot_be_told_apart(
    told: Callable[..., tuple[int, dict[str, Any]]],
) -> None:
    code, body = told(belt__0__scale__gain_error_percent=6.0)
    assert (code, body["reconciled"]) == (1, None)
    (suspect,) = body["suspects"]
    assert {"aggregate scale", "load tickets of truck"} <= set(suspect["names"])
    assert "bags of yard" not in suspect["names"]
    aggregate = next(one for one in body["measured"] if one["name"] == "aggregate scale")
    bias = suspect["biases"][suspect["names"].index("aggregate scale")]
    assert bias / aggregate["mass_kg"] == pytest.approx(0.06, abs=0.015)
