"""A training from end to end: plant, daemon and desk start, the page is told what it is, lessons begin and end."""

import asyncio
import json
import re
import shutil
import sys
import urllib.request
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.closed_loop import ROOT
from tests.system.brokers import until
from tests.system.desks import with_desk

pytestmark = pytest.mark.slow
PASSWORD = re.compile(r"\n\s+(\w{4}-\w{4}-\w{4}-\w{4})\n")


def training_site(folder: Path, free_port: Callable[[], int]) -> tuple[Path, int]:
    """Copy plant, site and lessons, with ports of their own; return the site file and the desk's port."""
    for name in ("devices", "plants", "training"):
        shutil.copytree(ROOT / "config" / name, folder / name)
    (folder / "sites").mkdir()
    plant, site = folder / "plants/demo_drum.toml", folder / "sites/demo_drum.toml"
    wired = (plant.read_text(), (ROOT / "config/sites/demo_drum.toml").read_text())
    ports = {port: str(free_port()) for port in re.findall(r"(?m)^port = (\d+)", "\n".join(wired))}
    for path, text in zip((plant, site), wired, strict=True):
        path.write_text(re.sub(r"(?m)^port = (\d+)", lambda found: f"port = {ports[found[1]]}", text))
    desk = free_port()
    site.write_text(with_desk(site.read_text(), desk))
    return site, desk


class Trainee:
    """Somebody at the page, by its API."""

    def __init__(self, port: int) -> None:
        self._base = f"http://127.0.0.1:{port}/api/v1"
        self._headers = {"Content-Type": "application/json"}

    def log_in(self, password: str) -> None:
        """Log in with the one-time password, and change it."""
        session = self.ask("/session", name="integrator", password=password)
        self._headers["X-Crumbmeter-Token"] = session["token"]
        self.ask("/session/password", old=password, new="six horses in the rain")

    def ask(self, path: str, **body: str) -> Any:
        """Ask the desk something."""
        data = json.dumps(body).encode() if body else None
        request = urllib.request.Request(self._base + path, data, self._headers)  # noqa: S310 - loopback
        with urllib.request.urlopen(request, timeout=10) as answer:  # noqa: S310
            if "Set-Cookie" in answer.headers:
                self._headers["Cookie"] = answer.headers["Set-Cookie"].partition(";")[0]
            text = answer.read()
        return json.loads(text) if text else None


@pytest.mark.timeout(120)
async def test_an_instructor_starts_a_lesson_and_the_page_is_marked(
    tmp_path: Path, free_port: Callable[[], int]
) -> None:
    site, port = training_site(tmp_path, free_port)
    train = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "crumbmeter", "train", str(tmp_path / "training/lessons.toml"), "--site", str(site),
        "--folder", str(tmp_path / "var"), "--rate", "5", cwd=tmp_path,
        stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.PIPE,
    )  # fmt: skip
    instructor, screen = train.stdin, train.stdout
    assert instructor is not None
    assert screen is not None
    said = ""

    async def hear(words: str) -> str:
        nonlocal said
        while words not in said:
            line = await asyncio.wait_for(screen.readline(), 60.0)
            assert line, said
            said += line.decode()
        return said

    try:
        await hear("q ends the training")
        password = PASSWORD.search(await hear("must be changed"))
        assert password is not None
        assert f"The trainees' page: http://127.0.0.1:{port}/" in said
        trainee = Trainee(port)
        trainee.log_in(password[1])
        settings = trainee.ask("/settings")
        assert (settings["training"], settings["simulated"]) == (True, True)
        await until(lambda: trainee.ask("/view")["control_enabled"])
        await until(lambda: trainee.ask("/view")["hopper_mass_kg"]["quality"] == "Good", 30.0)
        instructor.write(b"9\n")
        await hear("The link to the feeder is lost: DONE link_dead")
        await until(lambda: trainee.ask("/view")["hopper_mass_kg"]["quality"] == "Bad", 30.0)
        instructor.write(b"9 e\nq\n")
        await hear("DONE link_back")
        assert await asyncio.wait_for(train.wait(), 30.0) == 0
        assert (tmp_path / "var/run-1/journal.db").stat().st_size > 0
    finally:
        if train.returncode is None:
            train.terminate()
            await train.wait()
