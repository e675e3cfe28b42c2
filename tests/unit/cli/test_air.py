"""`crumbmeter air` on a real journal of a made run, and on what it cannot use."""

import asyncio
import dataclasses
import json
import tomllib
from pathlib import Path

import pytest
from typer.testing import CliRunner

from crumbmeter.cli.commands import app
from tests.benchmarks.made_journal import record
from tests.closed_loop import loop_for

pytestmark = [pytest.mark.slow, pytest.mark.timeout(300)]

DECAY_S = 20.0


def run(*arguments: str) -> tuple[int, str, str]:
    result = CliRunner().invoke(app, ["air", *arguments])
    return result.exit_code, result.stdout, result.stderr


@pytest.fixture(scope="module")
def journal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the folder of a recorded run on the small plant, whose rubber gives off its air in 20 s."""
    folder = tmp_path_factory.mktemp("journal")
    loop = loop_for(
        "bag_change", "small_drum", seed=101, plant="small_drum", overrides={"auger.aeration_time_s": DECAY_S}
    )
    loop.site = dataclasses.replace(loop.site, journal=dataclasses.replace(loop.site.journal, folder=folder))
    asyncio.run(record(loop))
    return folder


def test_it_proposes_a_line_and_changes_nothing(journal: Path) -> None:
    before = (journal / "journal.db").read_bytes()
    code, out, _ = run(str(journal))
    assert code == 0
    assert (journal / "journal.db").read_bytes() == before
    assert "SIMULATED" in out
    assert "(nothing has been changed)" in out
    assert "measured" in out
    assert max(map(len, out.splitlines())) <= 120
    proposed = tomllib.loads("[" + out.split("-----\n[", 1)[1])["feeder"]["fresh_air_decay_s"]
    assert DECAY_S / 1.5 <= proposed <= DECAY_S * 1.5


def test_scripts_get_the_same(journal: Path) -> None:
    code, out, _ = run(str(journal), "--json")
    told = json.loads(out)
    assert (code, told["basis"], told["simulated"]) == (0, "measured", True)
    assert told["in_force_s"] > 0.0
    assert [one["decay_s"] for one in told["lost_log_likelihood"]] == [10.0, 15.0, 20.0, 25.0, 30.0, 40.0, 50.0, 60.0]
    assert DECAY_S / 1.5 <= told["decay_s"] <= DECAY_S * 1.5


def test_a_stretch_without_fills_leaves_the_decay_assumed(journal: Path) -> None:
    code, out, _ = run(str(journal), "--to", "200")
    assert code == 1
    assert "at least 3 are needed" in out
    assert "stay assumed" in out
    code, out, _ = run(str(journal), "--to", "200", "--json")
    assert (code, json.loads(out)["basis"]) == (1, "assumed")


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--from", "99999"), "no scan lies in that stretch; choose --from and --to wider"),
        (("--boot", "zzzz"), "no run zzzz in the journal"),
        (("--from", "200", "--to", "100"), "--from 200 is not before --to 100"),
    ],
)
def test_what_it_cannot_use_is_said(journal: Path, arguments: tuple[str, ...], said: str) -> None:
    code, out, error = run(str(journal), *arguments)
    assert (code, out) == (2, "")
    assert error.startswith("cannot find the air's decay: ")
    assert said in error


def test_no_journal(tmp_path: Path) -> None:
    code, _, error = run(str(tmp_path / "none"))
    assert code == 2
    assert error.startswith("cannot find the air's decay: ")
