"""From an empty directory to a checked site of the simulated plant by the guide's commands; the daemon reads it."""

import asyncio
import shlex
import shutil
import subprocess
import sys
import tempfile
import tomllib
from dataclasses import dataclass
from pathlib import Path

import pytest

from crumbmeter.site import load
from tests.system.conftest import Bench
from tests.system.plants import Simulator

ROOT = Path(__file__).resolve().parents[2]
TYPED = "<!-- typed by tests/system/test_new_site.py -->\n```sh\n"


def printed(page: str) -> list[str]:
    """Return the commands as a page of docs/ prints them."""
    text = (ROOT / "docs" / page).read_text("utf-8")
    return text.split(TYPED)[1].split("```")[0].replace(" \\\n", " ").splitlines()


COMMANDS, BATCH_COMMANDS = printed("integrator-guide.md"), printed("site-care.md")
MOST = 15
DEMO = {
    15021: "belt_scale", 15022: "recycle_scale", 15023: "binder_meter", 15024: "plant_io", 15025: "blower",
    15026: "feeder",
}  # fmt: skip


@dataclass
class Begun:
    """The site as the bench starts a daemon on it."""

    folder: Path
    path: Path
    socket: Path


def typed(folder: Path, ports: dict[str, int], commands: list[str]) -> str:
    """Type commands in an empty directory but for the register maps; return what the last one said."""
    shutil.copytree(ROOT / "config/devices", folder / "maps")  # what the makers' manuals give
    said = ""
    for line in commands:
        words = shlex.split(line)
        assert words[0] == "crumbmeter"
        words = [str(ports[DEMO[int(word)]]) if word.isdigit() and int(word) in DEMO else word for word in words]
        done = subprocess.run(
            [sys.executable, "-m", "crumbmeter", *words[1:]], cwd=folder, capture_output=True, text=True, check=False
        )
        assert done.returncode == 0, (line, done.stdout, done.stderr)
        said = done.stdout
    return said


@pytest.mark.slow
async def test_from_an_empty_directory_to_a_running_site(bench: Bench) -> None:
    assert len(COMMANDS) <= MOST - 2, "an unknown instrument takes two more: a survey, and which register it is"
    folder = bench.folder / "new"
    folder.mkdir()
    plant = Simulator(bench.folder, rate=1.0)
    bench.simulator = plant
    await plant.start()
    said = await asyncio.to_thread(typed, folder, plant.ports, COMMANDS)
    assert "this site is good" in said
    path = folder / "plant" / "site.toml"
    data = tomllib.loads(path.read_text())
    assert (len(data["devices"]), len(data["signals"]), len(data["outputs"])) == (6, 27, 8)
    assert "FILL IN" not in path.read_text().split("[site]")[1]
    load(path)
    short = Path(tempfile.mkdtemp(prefix="crumbmeter-test-")) / "s"  # a unix path may not be long
    path.write_text(path.read_text().replace("var/crumbmeter.sock", str(short)))
    daemon = bench.start(Begun(folder, path, short))  # type: ignore[arg-type]
    view = await daemon.until(lambda view: {one["quality"] for one in view["signals"]} == {"Good"})
    assert view["run_state"] == "monitor only"
    assert (await daemon.stop())[0] == 0
    shutil.rmtree(short.parent, ignore_errors=True)


@pytest.mark.slow
def test_a_batch_plant_begins_the_same_way(tmp_path: Path) -> None:
    assert len(BATCH_COMMANDS) <= MOST - 2
    assert "this site is good" in typed(tmp_path, {}, BATCH_COMMANDS)
    site = load(tmp_path / "batches/site.toml")
    assert site.params.batch is not None
    assert (len(site.devices), len(site.params.outputs)) == (4, 11)
