"""The command line as a child process: READY, signals, files left behind, exit codes."""

import asyncio
import json
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from tests.unit.sim.making import DEMO, SCENARIOS
from tests.unit.sim.test_server import Master

SHORT = f"""
title = "Short"
plant = "{DEMO}"
seed = 1
duration_s = 60.0
[[at]]
t_s = 1.0
do = "plant_start"
"""


def run(*words: str, timeout_s: float = 60.0) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "crumbmeter_sim", *words], capture_output=True, text=True, timeout=timeout_s, check=False
    )


@pytest.fixture
def short(tmp_path: Path) -> Path:
    path = tmp_path / "short.toml"
    path.write_text(SHORT, "utf-8")
    return path


def test_serve_plays_to_the_end_and_leaves_its_files(short: Path, tmp_path: Path) -> None:
    files = [tmp_path / "score.json", tmp_path / "truth.csv", tmp_path / "record.csv"]
    done = run(
        "serve", str(short), "--rate", "100", "--ports", "zero", "--exit-at-end",
        "--score", str(files[0]), "--truth", str(files[1]), "--record", str(files[2]), "--record-period-s", "1",
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    ready = json.loads(done.stdout.removeprefix("READY "))
    assert set(ready["ports"]) == {"belt_scale", "recycle_scale", "binder_meter", "plant_io", "blower", "feeder"}
    assert len(set(ready["ports"].values())) == 6
    assert json.loads(files[0].read_text("utf-8"))["played_s"] == 60.0
    assert len(files[2].read_text("utf-8").splitlines()) == 62
    back = run("playback", str(files[2]), "--plant", str(DEMO), "--rate", "100", "--ports", "zero", "--exit-at-end")
    assert back.returncode == 0, back.stderr
    assert set(json.loads(back.stdout.removeprefix("READY "))["ports"]) == set(ready["ports"])


async def test_sigterm_ends_it_with_a_score(short: Path, tmp_path: Path) -> None:
    score = tmp_path / "score.json"
    child = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "crumbmeter_sim", "serve", str(short), "--ports", "zero", "--wait", "--score", str(score),
        stdout=asyncio.subprocess.PIPE,
    )  # fmt: skip
    assert child.stdout is not None
    ready = json.loads((await asyncio.wait_for(child.stdout.readline(), 20.0)).removeprefix(b"READY "))
    master = await Master.at(ready["ports"]["feeder"])
    answers = await master.ask("000100000006" + "01" + "060000" + "04D2", "000200000006" + "01" + "0300000001")
    assert answers == ["000100000006" + "01" + "060000" + "04d2", "000200000005" + "01" + "030204d2"]
    await master.close()
    child.send_signal(signal.SIGTERM)
    assert await asyncio.wait_for(child.wait(), 20.0) == 0
    await child.stdout.read()
    assert json.loads(score.read_text("utf-8"))["scenario"] == "Short"


def test_check_says_that_nothing_is_lost(short: Path) -> None:
    done = run("check", str(short), "--set", "drum.back_mixing=0.4")
    assert done.returncode == 0, done.stderr
    assert "Short; 60 s played; rubber" in done.stdout


def test_yardsticks_print_three_scores(short: Path) -> None:
    done = run("yardsticks", str(short), "--seed", "9", "--set", "line.travel_s=6")
    assert done.returncode == 0, done.stderr
    scores = json.loads(done.stdout)
    assert list(scores) == ["plain_follower", "fixed_delay_follower", "best_achievable"]
    assert {score["seed"] for score in scores.values()} == {9}


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("serve", "nothing.toml"), "No such file"),
        (("serve", str(SCENARIOS / "refill.toml"), "--set", "drum.x=1"), "drum.x: unknown key"),
        (("serve", str(SCENARIOS / "refill.toml"), "--set", "drum.x=oh no"), "not `key=value`"),
        (("playback", "record.csv"), "needs --plant"),
    ],
)
def test_what_is_refused_exits_with_2(words: tuple[str, ...], told: str) -> None:
    done = run(*words)
    assert done.returncode == 2
    assert told.rsplit(maxsplit=1)[-1] in done.stderr
