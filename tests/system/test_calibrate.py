"""Guided tests against a real daemon on a simulated plant: catches and an empty belt, into record and site file."""

import asyncio
import json
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from crumbmeter.ledger import versions
from crumbmeter.ledger.quality import read_all
from crumbmeter.qc.calibration_entries import read
from crumbmeter.qc.calibrations import CalibrationKind
from crumbmeter.qc.said import Subject
from crumbmeter.site import load
from crumbmeter_sim.rigs import open_rig
from tests.system.conftest import Bench
from tests.system.plants import NEAR, ROOT, SiteFile, at

RATE = 10.0
SPEEDS = (15.0, 30.0, 45.0)
FIRST_S, EACH_S, CATCH_S = 160.0, 56.0, 40.0
"""[s] Plant time: the first catch begins, from one to the next, length of each."""
ZERO_KG_M = 4.0
"""[kg/m] Drift of the belt's zero: 1.62 m/s make 6.48 kg/s of it."""
CAUGHT = [(FIRST_S + EACH_S * number, speed) for number, speed in enumerate(SPEEDS)]
TARE_LB = 100.0


def scenario() -> str:
    """Catches at three speeds in local; meanwhile the gates shut and the belt's zero has drifted."""
    steps = [at(2.0, "zero_drift", belt="aggregate", kg_m=ZERO_KG_M), at(5.0, "gates_stop")]
    for begin_s, rpm in CAUGHT:
        steps.append(at(begin_s - 12.0, "feeder_local", rpm=rpm))
        steps.append(at(begin_s, "diverter_catch", for_s=CATCH_S))
    return "".join(steps)


def caught_kg(file: Path) -> list[float]:
    """[kg] Play the same scenario without a daemon; return what falls into each container."""
    values: dict[str, Any] = {name: float(value) for name, _, value in (one.partition("=") for one in NEAR)}
    rig = open_rig(file, overrides=values)
    found = []
    for begin_s, _ in CAUGHT:
        rig.advance_to(begin_s - 1.0)
        before = rig.plant.feeder.catch_kg
        rig.advance_to(begin_s + CATCH_S + 5.0)
        found.append(rig.plant.feeder.catch_kg - before)
    return found


def calibrate(site: SiteFile, *words: str) -> tuple[int, dict[str, Any]]:
    done = subprocess.run(
        [sys.executable, "-m", "crumbmeter", "calibrate", str(site.path), *words, "--json", "--who", "tester"],
        cwd=site.folder, stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=100, check=False,
    )  # fmt: skip
    assert done.stdout, done.stderr
    return done.returncode, json.loads(done.stdout)


@pytest.mark.slow
@pytest.mark.timeout(120)
async def test_catches_and_an_empty_belt(bench: Bench) -> None:
    site = bench.site(rate=RATE)
    shutil.copy(ROOT / "config/calibration-limits.toml", site.folder)
    for folder in ("quality", "pay", "specifications"):
        shutil.copytree(ROOT / "config" / folder, site.folder / folder)
    plant = await bench.plant(site, more=scenario())
    masses = caught_kg(site.folder / "scenario.toml")
    daemon = bench.start(site)
    await daemon.up()
    assert plant.ports

    plan = ["--set", "speeds=15 30 45", "--set", "catches=1", "--set", "rules=none, as agreed"]
    tares = [word for number in (1, 2, 3) for word in ("--set", f"run_{number}_tare={TARE_LB}")]
    zero = asyncio.to_thread(_zero, site)
    catches = asyncio.to_thread(_catches, site, (*plan, *tares), masses)
    (code, body), (zero_code, zero_body) = await asyncio.gather(catches, zero)

    assert body["done"], body
    truth = sum(kg / CATCH_S / rpm * 60.0 for kg, (_, rpm) in zip(masses, CAUGHT, strict=True)) / 3
    factor = body["figures"]["feed_factor_kg_rev"]
    assert factor == pytest.approx(truth, rel=0.06)  # views come two plant seconds apart here
    assert body["entry"] > 0
    assert code in (0, 1)
    assert "run_1_turns_rev" in body["readings"]["read_from_daemon"]

    changed = load(site.path)
    assert changed.params.weighing.feed_factor_kg_rev == pytest.approx(factor, rel=1e-4)
    assert "# from catch tests; the estimator starts here" in site.path.read_text()
    old, new = (dict(one.files)["site.toml"].decode() for one in versions.on_record(changed.desk.quality_folder))
    assert "feed_factor_kg_rev = 0.90 " in old
    assert new == site.path.read_text()

    assert zero_body["done"], zero_body
    gained_kg = zero_body["trials"][0]["change_kg"]
    assert gained_kg == pytest.approx(ZERO_KG_M * 1.62 * zero_body["readings"]["test_1_duration_s"], abs=110.0)
    assert any("one count of the totaliser" in note for note in zero_body["notes"])
    assert (zero_body["outcome"], zero_code) == ("passed", 0)  # no agency text gives a figure for the zero

    held = [read(one) for one in read_all(changed.desk.quality_folder).of(Subject.CALIBRATION)]
    assert {one.kind for one in held} == {CalibrationKind.FEEDER_CATCH, CalibrationKind.BELT_ZERO}
    assert not list((changed.desk.quality_folder / "calibrations").glob("*.json"))  # what is on record is no draft
    assert "linearity percent" in await asyncio.to_thread(certificate, site, body["entry"])


def certificate(site: SiteFile, entry: int) -> str:
    words = ["quality", "ask", str(site.path), "certificate", str(entry), "--from", "2026-01-01"]
    told = subprocess.run(
        [sys.executable, "-m", "crumbmeter", *words], cwd=site.folder, capture_output=True, text=True, check=False
    )
    assert told.returncode == 0, told.stderr
    return told.stdout


def _zero(site: SiteFile) -> tuple[int, dict[str, Any]]:
    """Test the belt while the feeder is caught from; two revolutions take 60 m / 1.62 m/s."""
    given = {"capacity": "400", "belt_length": "30 m", "shortest": "1.5"}
    words = [word for name, value in given.items() for word in ("--set", f"{name}={value}")]
    return calibrate(site, "belt-zero", "aggregate", *words, "--record")


def _catches(site: SiteFile, plan: tuple[str, ...], masses: list[float]) -> tuple[int, dict[str, Any]]:
    """Look at all three catches in one go; the last container is weighed when the command has ended."""
    gross = [f"run_{number}_gross={kg / 0.45359237 + TARE_LB:.6f}" for number, kg in enumerate(masses, start=1)]
    code, body = calibrate(site, "feeder-catch", *plan, "--set", gross[0], "--set", gross[1])
    assert (code, body["missing"][0]["name"]) == (2, "run_3_gross"), body
    return calibrate(site, "feeder-catch", "--set", gross[2], "--record", "--into-site-file")
