"""`crumbmeter travel` on a real journal of a made run, and on what it cannot use."""

import asyncio
import dataclasses
import json
import tomllib
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from crumbmeter import site as sites
from crumbmeter.cli.commands import app
from tests.benchmarks import travel_runs
from tests.benchmarks.made_journal import record
from tests.benchmarks.section import DEMO_SITE

pytestmark = pytest.mark.slow

LONGER = {
    "drum.inlet_to_injection_s": 54.0, "drum.injection_to_outlet_s": 72.0, "drum.collar_to_injection_s": 21.6,
    "line.travel_s": 5.0,
}  # fmt: skip
"""A drum that takes a fifth longer than the site believes, and a line that takes a quarter longer."""


def run(*arguments: str) -> tuple[int, str, str]:
    result = CliRunner().invoke(app, ["travel", *arguments])
    return result.exit_code, result.stdout, result.stderr


@pytest.fixture(scope="module")
def journal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the folder of a recorded run on that plant."""
    folder = tmp_path_factory.mktemp("journal")
    site = sites.load(DEMO_SITE)
    site = dataclasses.replace(site, journal=dataclasses.replace(site.journal, folder=folder))
    asyncio.run(record(travel_runs.loop_of(LONGER, 7, site)))
    return folder


@pytest.fixture(scope="module")
def told(journal: Path) -> dict[str, Any]:
    """Return what the command says of it, as JSON."""
    code, out, _ = run(str(journal), "--json")
    assert code == 0
    found: dict[str, Any] = json.loads(out)
    return found


def test_it_finds_what_the_site_does_not_believe(told: dict[str, Any]) -> None:
    proposed = {(line["table"], line["key"]): line for line in told["proposed"]}
    for place, true_s in (
        (("streams.aggregate.travel", "drum_residence_s"), 54.0),
        (("streams.rap.travel", "drum_residence_s"), 21.6),
        (("drum", "outlet_residence_s"), 72.0),
        (("line", "travel_s"), 5.0),
    ):
        interval = proposed[place]["interval"]
        assert interval["low"] <= true_s <= interval["high"], place
    assert proposed["line", "travel_s"]["interval"]["value"] == pytest.approx(5.0, abs=0.4)
    arrival = told["drum"][0]["streams"][0]["to_instrument"]
    assert arrival["low"] > 13.3 + 105.0 + 6.0  # what the site believes is out of the question


def test_it_counts_steps_and_names_the_run(told: dict[str, Any]) -> None:
    assert [step["kind"] for step in told["steps"]] == ["start", "rate", "rate", "stop"]
    assert told["simulated"] is True
    assert told["gaps"] == 0
    assert told["withheld"] == []
    assert told["trim"]["site"]["peak_sensitivity"] < told["trim"]["rule"]["peak_sensitivity"]


def test_in_words_it_says_what_was_measured_and_what_assumed(journal: Path) -> None:
    before = (journal / "journal.db").read_bytes()
    code, out, _ = run(str(journal))
    assert code == 0
    assert (journal / "journal.db").read_bytes() == before
    assert "1 start, 1 stop, 2 rate changes" in out
    assert "aggregate: arrival at the instrument" in out
    assert "geometry" in out
    assert "Share of the drum behind the injection point" in out
    assert "(nothing has been changed)" in out
    assert "OUTSIDE" in out
    assert "SIMC" in out
    pasted = out.split("-----\n[", 1)[1].split("\n\n", 1)[0]
    assert tomllib.loads("[" + pasted)["line"]["travel_s"] == pytest.approx(5.0, abs=0.4)


def test_a_stretch_without_a_step_is_refused_a_figure(journal: Path) -> None:
    code, out, _ = run(str(journal), "--from", "650", "--to", "775")
    assert code == 1
    assert "no step in the rates" in out
    assert "No line is proposed" in out


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--from", "1290"), "at least 120 s are needed"),
        (("--from", "300", "--to", "200"), "--from 300 is not before --to 200"),
        (("--boot", "zzzz"), "no run zzzz in the journal"),
    ],
)
def test_what_it_cannot_use_is_said(journal: Path, arguments: tuple[str, ...], said: str) -> None:
    code, out, error = run(str(journal), *arguments)
    assert (code, out) == (2, "")
    assert error.startswith("cannot find travel: ")
    assert said in error


def test_no_journal(tmp_path: Path) -> None:
    code, _, error = run(str(tmp_path / "none"))
    assert code == 2
    assert error.startswith("cannot find travel: ")
