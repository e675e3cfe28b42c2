"""`crumbmeter demo` as a user starts it: the real daemon, the real simulator, the table at the end."""

import asyncio
import json
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.system.brokers import until
from tests.system.plants import ROOT, SiteFile

SCENARIO = """\
title = "A short shift"
plant = "../plants/demo_drum.toml"
seed = 5
duration_s = {duration_s}

[[at]]
t_s = 2.0
do = "plant_start"
mix_short_ton_h = 250.0

[[operator]]
t_s = 1.0
command = "enable control"

[[operator]]
t_s = 2.0
command = "start feed"

[[expect]]
event = "control_enabled"
after_s = 0.0
before_s = 10.0

[[expect]]
event = "run_state_changed"
after_s = 10.0
before_s = 120.0
detail = {{ to = "feeding" }}

[expect_end]
run_state = "{end}"
"""


class Demo:
    """One run of the command in a folder of its own, with ports of its own."""

    def __init__(
        self, folder: Path, free_port: Callable[[], int], *, end: str = "feeding", duration_s: float = 240.0
    ) -> None:
        site = SiteFile(folder, free_port, rate=1.0)
        self.folder = folder
        plain = (ROOT / "config" / "sites" / "demo_drum.toml").read_text()
        plant = (ROOT / "config" / "plants" / "demo_drum.toml").read_text()
        for port in range(15021, 15027):
            own = free_port()
            plain = plain.replace(f"port = {port}", f"port = {own}")
            plant = plant.replace(f"port = {port}", f"port = {own}")
        site.path.write_text(plain)
        site.set("publish.metrics", "port", site.metrics_port)
        site.set("publish.mqtt", "broker", f"embedded:{free_port()}")
        for name, text in (
            ("plants/demo_drum.toml", plant),
            ("scenarios/short.toml", SCENARIO.format(end=end, duration_s=duration_s)),
        ):
            path = folder / name
            path.parent.mkdir()
            path.write_text(text)
        self.words = [
            sys.executable, "-m", "crumbmeter", "demo", "--site", str(site.path), "--no-yardsticks", "--rate", "10",
            "--scenario", str(folder / "scenarios" / "short.toml"), "--folder", str(folder / "d"),
        ]  # fmt: skip

    async def run(self, *more: str) -> tuple[int | None, str, str]:
        """Run it to its end; return its exit code and what it said on both streams."""
        program = await asyncio.create_subprocess_exec(
            *self.words, *more, stdout=subprocess.PIPE, stderr=subprocess.PIPE, cwd=self.folder
        )
        out, err = await asyncio.wait_for(program.communicate(), 60)
        return program.returncode, out.decode(), err.decode()


@pytest.mark.slow
async def test_a_shift_runs_to_its_end_and_is_reported(tmp_path: Path, free_port: Callable[[], int]) -> None:
    code, out, err = await Demo(tmp_path, free_port).run()
    assert code == 0, (out, err)
    assert "A short shift" in err
    assert "crumbmeter show --socket" in err
    assert "dose" in out
    assert "Traceback" not in err


@pytest.mark.slow
async def test_an_expectation_that_fails_is_said_and_the_exit_code_is_one(
    tmp_path: Path, free_port: Callable[[], int]
) -> None:
    code, out, _ = await Demo(tmp_path, free_port, end="line clean-out", duration_s=130.0).run("--json")
    assert code == 1
    told = json.loads(out)
    assert told["verdict"]["failures"] == ["run state at the end is 'feeding', expected 'line clean-out'"]
    assert told["score"]["played_s"] >= 129.0


async def test_an_interrupted_shift_ends_both_programs(tmp_path: Path, free_port: Callable[[], int]) -> None:
    demo = Demo(tmp_path, free_port)
    program = await asyncio.create_subprocess_exec(
        *demo.words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, cwd=tmp_path
    )
    log = tmp_path / "d" / "run-1" / "log.jsonl"
    await until(lambda: log.exists() and "feed_put_in_service" in log.read_text())
    program.send_signal(signal.SIGINT)
    out, err = await asyncio.wait_for(program.communicate(), 20)
    assert program.returncode == 1, err.decode()
    assert b"Traceback" not in err
    assert b"NOT MET: ended after" in out
    assert '"daemon_stopping"' in log.read_text()
    assert '"outputs_at_rest": true' in log.read_text()


async def test_a_port_in_use_is_said(tmp_path: Path, free_port: Callable[[], int]) -> None:
    demo = Demo(tmp_path, free_port)
    server = await asyncio.start_server(lambda _r, w: w.close(), "127.0.0.1", 0)
    taken = server.sockets[0].getsockname()[1]
    plant = tmp_path / "plants" / "demo_drum.toml"
    first = plant.read_text().split("port = ", 1)[1].split("\n", 1)[0]
    plant.write_text(plant.read_text().replace(f"port = {first}", f"port = {taken}", 1))
    async with server:
        code, out, err = await demo.run()
    assert (code, out) == (2, "")
    assert "the demonstration did not start" in err
    assert str(taken) in err
    assert "Traceback" not in err
