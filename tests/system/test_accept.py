"""A commissioning in small: timing and acceptance run at a real daemon and a simulated plant, to the signed report."""

import asyncio
import json
import shutil
from pathlib import Path

import pytest

from crumbmeter.cli import timing
from crumbmeter.cli.accept import Asked, accept
from crumbmeter.cli.exits import FAILED, OK, REFUSED
from crumbmeter.cli.quality_work import Places, ask
from crumbmeter.cli.recorded import Stretch
from crumbmeter.journal.chain import canonical_json
from crumbmeter.journal.verify import verify
from crumbmeter.ledger.quality import NAME, read_all
from crumbmeter.qc.acceptance import is_run, read, signed
from crumbmeter.qc.said import Subject
from tests.system.conftest import Bench
from tests.system.plants import ROOT, SiteFile, at

MINUTES = 4.0
"""[min] Of the plant's time; its ways are short (tests/system/plants.py)."""


class Person:
    """Answers at the terminal, and remembers what was asked."""

    def __init__(self, *names: str) -> None:
        self.asked: list[str] = []
        self._names = names

    def __call__(self, words: str) -> str:
        self.asked.append(words)
        return next((name for name in self._names if f" {name}:" in words), "yes")


def with_specifications(site: SiteFile, folder: Path) -> Places:
    """Give a site the shipped profiles, and a quality record of its own."""
    for name in ("specifications", "quality", "pay"):
        shutil.copytree(ROOT / "config" / name, site.folder / name)
    return Places(site.path, None, folder / "desk")


@pytest.mark.slow
@pytest.mark.timeout(180)
async def test_a_run_half_watched_half_in_control_ends_in_a_signed_report(
    bench: Bench, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    site = bench.site(rate=10.0)
    places = with_specifications(site, tmp_path)
    await bench.plant(site)
    daemon = bench.start(site)
    await daemon.until(lambda view: view["mix_rate_kg_s"] > 30.0)
    person, report = Person("ada", "ben"), tmp_path / "report.json"
    asked = Asked("fibre_feed", "ada", "ben", MINUTES, output=report)
    code = await asyncio.to_thread(accept, places, asked, person)
    told = capsys.readouterr()
    assert code == FAILED, told  # a hose has no window that a site file could tell of
    assert "MACHINERY STARTS BY ITSELF" in told.err
    assert [one.split(":")[0].split()[0] for one in person.asked] == ["Begin?", "Type", "Type", "integrator", "witness"]
    assert "*** SIMULATE ***" in told.out

    folder = tmp_path / "desk"
    entries = read_all(folder).of(Subject.ACCEPTANCE)
    run = read(next(one for one in entries if is_run(one)), canonical_json)
    assert run.finished, run.why_not
    assert run.simulated
    watched, controlled = run.phases
    assert watched.lasted_s == pytest.approx(60.0 * MINUTES / 2.0, rel=0.2)
    assert watched.asked_kg > 10.0
    assert watched.fed_kg == pytest.approx(0.0, abs=0.5)
    assert controlled.error_percent == pytest.approx(0.0, abs=5.0)
    lines = {one.key: one for one in run.lines}
    assert "worst" in lines["feed_tolerance_percent"].run
    assert lines["transparent_section"].verdict.value == "cannot tell"
    assert [one.role for entry in entries if (one := signed(entry))] == ["integrator", "witness"]
    assert verify(folder / NAME).ok

    made = json.loads(report.read_bytes())
    assert made["marks"] == ["SIMULATE"]
    (signature,) = [one for one in made["blocks"] if one["block"] == "signature"]
    assert [one["who"] for one in signature["recorded"]] == ["ada, integrator", "ben, witness"]
    assert all("sealed with key" in one["what"] for one in signature["recorded"])
    asked_timing = timing.Asked(stretch=Stretch(0.0), who="ada", as_json=True)
    capsys.readouterr()
    assert await asyncio.to_thread(timing.timing, places, asked_timing) == OK
    found = json.loads(capsys.readouterr().out)
    assert found["kind"] == "timing"
    (table,) = [one for one in found["blocks"] if one.get("title") == "Timing"]
    assert {row[0] for row in table["rows"]} == {"aggregate", "rap", "drum", "line", "auger"}
    assert any(row[2] == "identified" for row in table["rows"])
    assert ask(places, "commissioning", "", (None, None), tmp_path / "r.pdf", as_json=False) == 0
    assert (tmp_path / "r.pdf").read_bytes().startswith(b"%PDF")

    # Control stands enabled now: another run does not begin.
    assert await asyncio.to_thread(accept, places, asked, person) == REFUSED
    assert "crumbmeter do monitor-only" in capsys.readouterr().err


@pytest.mark.timeout(60)
async def test_a_run_that_nobody_lets_control_is_on_record_as_not_finished(bench: Bench, tmp_path: Path) -> None:
    site = bench.site(rate=10.0)
    places = with_specifications(site, tmp_path)
    await bench.plant(site)
    daemon = bench.start(site)
    await daemon.until(lambda view: view["mix_rate_kg_s"] > 30.0)
    answers = iter(("yes", ""))
    code = await asyncio.to_thread(
        accept, places, Asked("fibre_feed", "ada", minutes=0.5), lambda _words: next(answers, "")
    )
    assert code == FAILED
    (entry,) = read_all(tmp_path / "desk").of(Subject.ACCEPTANCE)
    run = read(entry, canonical_json)
    assert not run.finished
    assert run.why_not == "control was not enabled"
    assert "not finished" in run.open_points[0]
    assert not (await daemon.until(lambda _view: True))["control_enabled"]


@pytest.mark.slow
@pytest.mark.timeout(120)
async def test_steps_are_seen_as_they_are_made_and_judged_afterwards(
    bench: Bench, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    site = bench.site(rate=10.0)
    places = with_specifications(site, tmp_path)
    await bench.plant(site, more=at(100.0, "plant_rate", mix_short_ton_h=180.0))
    daemon = bench.start(site)
    await daemon.until(lambda view: view["mix_rate_kg_s"] > 30.0)
    code = await asyncio.to_thread(timing.timing, places, timing.Asked(minutes=2.5, who="ada"))
    told = capsys.readouterr()
    assert code in (OK, FAILED), told  # a plant of short ways may show nothing of itself; that is told, too
    assert "lock" in told.err
    assert "seen: rate step" in told.err
    assert "The watch ended: done." in told.err
    assert "on record as entries 1 to 5" in told.err
    entries = read_all(tmp_path / "desk").of(Subject.TIMING)
    assert [one.about for one in entries] == ["aggregate", "rap", "drum", "line", "auger"]
    assert entries[0].what["to_s"] - entries[0].what["from_s"] == pytest.approx(150.0, rel=0.1)
    assert not (await daemon.until(lambda _view: True))["control_enabled"]
